"""Drafts of rule tables: made, changed whole or in part, checked."""

import asyncio
import hashlib
from collections.abc import Callable
from typing import Annotated, Any, TypeVar

import msgspec
from litestar import Response, get, patch, post, put
from msgspec import Meta

from coldcase import governing
from coldcase.core.case import Text
from coldcase.core.case_reader import member_flaws
from coldcase.core.strict_json import read_json
from coldcase.db import rule_tables, table_changes
from coldcase.db.rule_tables import ListedTable, StoredTable
from coldcase.errors import BadTableRequest, Flaw, PreconditionFailed, WrongState
from coldcase.web import parsing, schemas
from coldcase.web.once import IDEMPOTENCY_KEY, REPLAYED, made_once
from coldcase.web.route import ETAG, IF_MATCH, JSON, MERGE_PATCH, Call, Header, route
from coldcase.web.rule_tables import (
    DRAFT_SCOPES,
    LAST,
    TABLE_SCOPES,
    VERSION,
    require_sight,
    table_summary,
    version_of,
)
from coldcase.web.services import services
from coldcase.web.verdicts import request_actor

Version = Annotated[int, Meta(ge=1, le=LAST)]
Shape = TypeVar("Shape", bound=msgspec.Struct)

LARGEST_DRAFT_BODY = governing.LARGEST_TABLE + 64 * 1024
"""Bytes: the document and what stands around it."""

DRAFT_LOCATION = Header("Location", "The draft's own path.")
EDITS = ("not_found", "wrong_state", "precondition_required", "precondition_failed", "bad_table_request")


class NewDraft(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A draft: on which published version it is based, why it is made, and its document where it is not a
    copy of its base.
    """

    based_on: Version
    note: Text | None = None
    content: dict[str, Any] | None = None


async def read_request(request: Call, shape: type[Shape]) -> Shape:
    """The body as `shape`. Raises Malformed, BadTableRequest with every flaw."""
    raw = read_json(await parsing.read_large_body(request))
    if not isinstance(raw, dict):
        raise BadTableRequest((Flaw("", "The body is a JSON object."),))
    flaws = tuple(member_flaws(raw, shape))
    if flaws:
        raise BadTableRequest(flaws)
    return msgspec.convert(raw, shape)


def told(request: Call, stored: StoredTable) -> Response[bytes]:
    """A version as it is now, without its document."""
    summary = table_summary(stored, services(request).rule_tables.current.version)
    return Response(msgspec.json.encode(summary), media_type=JSON, headers={"ETag": f'"{stored.digest}"'})


def _drafted(made: ListedTable, *, again: bool) -> Response[bytes]:
    """A draft as it was made: the same bytes each time."""
    body = msgspec.json.encode(table_summary(made, None))
    return made_once(body, f"/v1/rule-tables/{made.version}", again=again, ETag=f'"{made.digest}"')


@post(
    "/v1/rule-tables",
    request_max_body_size=LARGEST_DRAFT_BODY,
    **route(
        "draftRuleTable",
        "Rule tables",
        {201: {JSON: schemas.TableSummary}, 200: {JSON: schemas.TableSummary}},
        scopes=("tables:draft",),
        body=NewDraft,
        takes=(IDEMPOTENCY_KEY,),
        sends={201: (DRAFT_LOCATION, ETAG), 200: (DRAFT_LOCATION, ETAG, REPLAYED)},
        problems=("not_found", "bad_table_request", "too_many_drafts", "key_reused", "outcome_unknown"),
        examples={"copy": {"value": {"based_on": 1, "note": "Wet driers were read too strongly."}}},
    ),
)
async def draft_rule_table(request: Call) -> Response[bytes]:
    """A draft, a copy of a published version or a document of its own

    A draft may be flawed: `check` lists all that is wrong with it, and only one without flaws is approved.
    Its document may have 4 MiB. The same `Idempotency-Key` with the same draft gives the first answer again,
    with the `ETag` of then, whatever became of the draft. A client may have `COLDCASE_MOST_OPEN_DRAFTS` that
    are neither published nor withdrawn.
    """
    service = services(request)
    key = parsing.idempotency_key(request)
    sent = await read_request(request, NewDraft)
    document = None
    if sent.content is not None:
        document = await asyncio.to_thread(governing.draft_document, sent.content)
    named = b"\0".join((str(sent.based_on).encode(), msgspec.json.encode(sent.note), document or b""))
    async with service.transaction() as conn:
        version, again = await table_changes.add_draft_once(
            conn,
            based_on=sent.based_on,
            note=sent.note,
            document=document,
            idempotency_key=key,
            fingerprint=hashlib.sha256(named).digest(),
            most=service.most_open_drafts,
            actor=request_actor(request),
        )
        made = await rule_tables.drafted_table(conn, version)
    return _drafted(made, again=again)


@put(
    "/v1/rule-tables/{version:str}/content",
    request_max_body_size=LARGEST_DRAFT_BODY,
    **route(
        "replaceDraftContent",
        "Rule tables",
        {200: {JSON: schemas.TableSummary}},
        scopes=("tables:draft",),
        body=dict,
        path={"version": VERSION},
        takes=(IF_MATCH,),
        sends={200: (ETAG,)},
        problems=(*EDITS, "outcome_unknown"),
    ),
)
async def replace_draft_content(request: Call) -> Response[bytes]:
    """A draft changed whole

    The body is the document, or what `GET` answers with it under `content`. `If-Match` names the draft's
    `ETag`. An approval is void then: what was approved is no longer there.
    """
    return await edit_draft(request, lambda _, body: governing.draft_document(read_json(body)))


@patch(
    "/v1/rule-tables/{version:str}/content",
    request_max_body_size=LARGEST_DRAFT_BODY,
    **route(
        "patchDraftContent",
        "Rule tables",
        {200: {JSON: schemas.TableSummary}},
        scopes=("tables:draft",),
        body=dict,
        body_media=(MERGE_PATCH,),
        path={"version": VERSION},
        takes=(IF_MATCH,),
        sends={200: (ETAG,)},
        problems=(*EDITS, "outcome_unknown"),
    ),
)
async def patch_draft_content(request: Call) -> Response[bytes]:
    """A draft changed in part

    A JSON Merge Patch (RFC 7386): members that are sent take the place of those that are there, `null` takes
    one away, a list is replaced whole. Otherwise as the change of all of it.
    """

    def patched(stored: StoredTable, body: bytes) -> bytes:
        patch = read_json(body)
        return governing.draft_document(governing.merge_patch(msgspec.json.decode(stored.document), patch))

    return await edit_draft(request, patched)


async def edit_draft(request: Call, edited: Callable[[StoredTable, bytes], bytes]) -> Response[bytes]:
    """A draft with the document that `edited` makes of it and the body, in a thread, if it still is as
    `If-Match` has it.
    """
    service, version = services(request), version_of(request)
    tags = parsing.if_match(request)
    async with service.transaction() as conn:
        stored = await rule_tables.get_table(conn, version)
    if stored.immutable or stored.state == "withdrawn":
        raise WrongState(
            f"Rule table {version} is no draft: it stays as it is. Make a draft that is based on it."
        )
    if tags is not None and stored.digest not in tags:
        raise PreconditionFailed(f'The draft\'s ETag is "{stored.digest}".')
    body = await parsing.read_large_body(request)
    made = await asyncio.to_thread(edited, stored, body)
    async with service.transaction() as conn:
        await table_changes.replace_content(
            conn, version, seen=stored.digest, document=made, actor=request_actor(request)
        )
        return told(request, await rule_tables.get_table(conn, version))


@get(
    "/v1/rule-tables/{version:str}/check",
    **route(
        "checkRuleTable",
        "Rule tables",
        {200: {JSON: schemas.TableCheck}},
        scopes=(*TABLE_SCOPES, *DRAFT_SCOPES),
        path={"version": VERSION},
        problems=("not_found",),
    ),
)
async def check_rule_table(request: Call) -> Response[bytes]:
    """Everything that is wrong with a version

    Each flaw with its place in the document. An empty list is what an approval needs.
    """
    stored = await seen_table(request, version_of(request))
    flaws = await asyncio.to_thread(governing.flaws_of, stored)
    check = schemas.TableCheck(
        version=stored.version,
        digest=stored.digest,
        flaws=[
            schemas.FoundFlaw(pointer=flaw.pointer, detail=flaw.detail, suggestion=flaw.suggestion)
            for flaw in flaws
        ],
    )
    return Response(msgspec.json.encode(check), media_type=JSON)


async def seen_table(request: Call, version: int) -> StoredTable:
    """A version that the key may see. Raises NotFound, ScopeMissing."""
    async with services(request).transaction() as conn:
        stored = await rule_tables.get_table(conn, version)
    require_sight(request, stored)
    return stored
