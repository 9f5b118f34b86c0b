"""Remarks on rule tables: a row, a limit or a text disputed, answered, settled by a version."""

import asyncio
import hashlib
from typing import Annotated, Any
from uuid import UUID

import msgspec
import rfc8785
from litestar import Response, get, patch, post
from msgspec import UNSET, Meta, UnsetType
from uuid_utils import compat

from coldcase.core.answer import TableName
from coldcase.core.case import Text
from coldcase.core.pointers import NothingThereError, value_at
from coldcase.db import decisions, remarks, rule_tables
from coldcase.db.keys import ApiKey
from coldcase.db.remarks import NewRemark, RemarkState, StoredRemark
from coldcase.db.rule_tables import StoredTable
from coldcase.errors import BadTableRequest, Flaw
from coldcase.proof.canonical import canonical_json
from coldcase.web import parsing, remark_schemas
from coldcase.web.filters import LINK, next_page, reads_all
from coldcase.web.once import IDEMPOTENCY_KEY, REPLAYED, made_once
from coldcase.web.route import JSON, MERGE_PATCH, Call, Header, route
from coldcase.web.rule_tables import DRAFT_SCOPES, TABLE_SCOPES, VERSION, require_sight, version_of
from coldcase.web.services import services
from coldcase.web.table_changes import Version, read_request, seen_table
from coldcase.web.verdicts import request_actor

REMARK_LOCATION = Header("Location", "The remark's own path.")
RemarkText = Annotated[Text, Meta(min_length=1)]
Pointer = Annotated[str, Meta(min_length=1, max_length=500, pattern=r"^/[^\x00-\x1f\x7f]*$(?!\n)")]
Id = Annotated[str, Meta(pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$(?!\n)")]


class RemarkRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is disputed: the place in the document (RFC 6901), why, what should stand there instead, and a
    decision that shows it.
    """

    pointer: Pointer
    text: RemarkText
    proposal: Any | UnsetType = UNSET
    decision: Id | None = None


class RemarkPatch(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An answer, or the version that settles the remark, or both."""

    answer: RemarkText | UnsetType = UNSET
    settled_by: Version | UnsetType = UNSET


class RemarkQuery(msgspec.Struct, frozen=True, kw_only=True):
    """Which remarks: in a state, at a place or below it; and from where to list."""

    state: RemarkState | None = None
    pointer: Pointer | None = None
    cursor: Id | None = None
    limit: Annotated[int, Meta(ge=1, le=500)] = 50


def shown_remark(found: StoredRemark, key: ApiKey) -> remark_schemas.Remark:
    """A remark as this key may see it: who made it, and which decision shows it, is told to the same client
    and to those who read all.
    """

    def own(of: int | None) -> bool:
        return reads_all(key) or of == key.client_id

    answers = [step.words for step in found.steps if step.words is not None]
    settling = [step.settled_by for step in found.steps if step.settled_by is not None]
    return remark_schemas.Remark(
        id=found.id,
        rule_table=TableName(version=found.rule_table, digest=found.digest),
        pointer=found.pointer,
        text=found.words,
        proposal=None if found.proposal is None else msgspec.json.decode(found.proposal),
        decision=found.decision_id if own(found.client_id) else None,
        client=found.client if own(found.client_id) else None,
        person=found.person if own(found.client_id) else None,
        created_at=found.created_at,
        state=found.state,
        answer=answers[-1] if answers else None,
        settled_by=settling[-1] if settling and found.state == "settled" else None,
        steps=[
            remark_schemas.RemarkStep(
                kind="answered" if step.kind == "answer" else "settled",
                at=step.at,
                text=step.words,
                settled_by=step.settled_by,
                person=step.person if own(step.client_id) else None,
            )
            for step in found.steps
        ],
    )


def what_stands(stored: StoredTable, pointer: str) -> str:
    """The SHA-256 of what stands there, in its canonical text. Raises NothingThereError."""
    value = value_at(msgspec.json.decode(stored.document), pointer)
    return hashlib.sha256(canonical_json(value)).hexdigest()


def _disputed(stored: StoredTable, pointer: str) -> str:
    try:
        return what_stands(stored, pointer)
    except NothingThereError as error:
        detail = f"There is nothing at '{pointer[:100]}' in rule table {stored.version}. {error.flaw.detail}"
        raise BadTableRequest((Flaw("/pointer", detail, error.flaw.suggestion),)) from None


@post(
    "/v1/rule-tables/{version:str}/remarks",
    **route(
        "remarkOnRuleTable",
        "Rule tables",
        {201: {JSON: remark_schemas.Remark}, 200: {JSON: remark_schemas.Remark}},
        scopes=TABLE_SCOPES,
        body=RemarkRequest,
        path={"version": VERSION},
        takes=(IDEMPOTENCY_KEY,),
        sends={201: (REMARK_LOCATION,), 200: (REMARK_LOCATION, REPLAYED)},
        problems=("not_found", "bad_table_request", "digest_stale", "key_reused", "outcome_unknown"),
        examples={
            "frequency": {
                "value": {
                    "pointer": "/findings/copper_plating/per_hundred/moisture",
                    "text": "Of 14 wet circuits that we opened, 5 showed heavy plating.",
                    "proposal": [20, 45, 35],
                }
            }
        },
    ),
)
async def remark_on_rule_table(request: Call) -> Response[bytes]:
    """A row, a limit or a text of a version disputed

    `pointer` (RFC 6901) names the place in the document. `decision` is one of the client's own that shows it.
    Everybody who may read the version reads the text and the proposal; client, person and decision are told
    to the same client and to keys that read all. A draft is disputed by who may see it. A repeated
    `Idempotency-Key` gives the first answer, whatever came after the remark.
    """
    stored = await seen_table(request, version_of(request))
    key = parsing.idempotency_key(request)
    sent = await read_request(request, RemarkRequest)
    found, again = await make_remark(request, stored, sent, key)
    body = msgspec.json.encode(shown_remark(found, request.auth))
    return made_once(body, f"/v1/rule-tables/{stored.version}/remarks/{found.id}", again=again)


async def make_remark(
    request: Call, stored: StoredTable, sent: RemarkRequest, key: str | None
) -> tuple[StoredRemark, bool]:
    """Records a remark on a version, or finds the one that its idempotency key stands for: the remark as it
    was made, and whether it did the latter. Raises BadTableRequest, DigestStale, KeyReused.
    """
    was = await asyncio.to_thread(_disputed, stored, sent.pointer)
    new = NewRemark(
        id=compat.uuid7(),
        rule_table=stored.version,
        digest=stored.digest,
        pointer=sent.pointer,
        was_sha256=was,
        words=sent.text,
        proposal=_proposal(sent.proposal),
        decision_id=None if sent.decision is None else UUID(sent.decision),
        idempotency_key=key,
        fingerprint=hashlib.sha256(canonical_json([stored.version, msgspec.to_builtins(sent)])).digest(),
    )
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        if new.decision_id is not None and await decisions.find_decision(conn, new.decision_id) is None:
            raise BadTableRequest(
                (Flaw("/decision", "There is no such decision, or this key may not see it."),)
            )
        made, again = await remarks.record_remark(conn, new, request_actor(request))
        found = await remarks.find_remark(conn, stored.version, made)
    return msgspec.structs.replace(found, state="open", steps=[]), again


def _proposal(sent: Any) -> str | None:
    try:
        return None if sent is UNSET else canonical_json(sent).decode()
    except rfc8785.CanonicalizationError as error:
        raise BadTableRequest(
            (Flaw("/proposal", f"It has no canonical text (RFC 8785): {error}."),)
        ) from None


@get(
    "/v1/rule-tables/{version:str}/remarks",
    **route(
        "listRemarks",
        "Rule tables",
        {200: {JSON: remark_schemas.RemarkList}},
        scopes=(*TABLE_SCOPES, *DRAFT_SCOPES),
        query=RemarkQuery,
        path={"version": VERSION},
        sends={200: (LINK,)},
        problems=("not_found",),
    ),
)
async def list_remarks(request: Call) -> Response[bytes]:
    """The remarks on a version, the newest first

    `open`; `answered`, when somebody with `tables:draft` has said something to it; `settled`, as long as a
    version that settles it is not withdrawn. `?pointer=` keeps to a place and what is below it.
    """
    query = parsing.parse_query(request, RemarkQuery)
    version = version_of(request)
    before = None if query.cursor is None else UUID(query.cursor)
    async with services(request).transaction() as conn:
        require_sight(request, await rule_tables.get_table(conn, version))
        found = await remarks.remarks_on(
            conn, version, state=query.state, below=query.pointer, before=before, limit=query.limit + 1
        )
    following = str(found[query.limit - 1].id) if len(found) > query.limit else None
    listed = remark_schemas.RemarkList(
        items=[shown_remark(one, request.auth) for one in found[: query.limit]], next=following
    )
    headers = next_page(f"/v1/rule-tables/{version}/remarks", query, following)
    return Response(msgspec.json.encode(listed), media_type=JSON, headers=headers)


@get(
    "/v1/rule-tables/{version:str}/remarks/{id:uuid}",
    **route(
        "showRemark",
        "Rule tables",
        {200: {JSON: remark_schemas.Remark}},
        scopes=(*TABLE_SCOPES, *DRAFT_SCOPES),
        path={"version": VERSION},
        problems=("not_found",),
    ),
)
async def show_remark(request: Call) -> Response[bytes]:
    """A remark with what came after it"""
    version = version_of(request)
    async with services(request).transaction() as conn:
        require_sight(request, await rule_tables.get_table(conn, version))
        found = await remarks.find_remark(conn, version, request.path_params["id"])
    return Response(msgspec.json.encode(shown_remark(found, request.auth)), media_type=JSON)


@patch(
    "/v1/rule-tables/{version:str}/remarks/{id:uuid}",
    **route(
        "answerRemark",
        "Rule tables",
        {200: {JSON: remark_schemas.Remark}},
        scopes=("tables:draft",),
        body=RemarkPatch,
        body_media=(MERGE_PATCH,),
        path={"version": VERSION},
        problems=("not_found", "bad_table_request", "wrong_state", "outcome_unknown"),
        examples={
            "answer": {"value": {"answer": "The 14 were all heat pumps; we look at the others first."}},
            "settled": {"value": {"settled_by": 4, "answer": "Raised to 35."}},
        },
    ),
)
async def answer_remark(request: Call) -> Response[bytes]:
    """A remark answered, or settled by a version

    A JSON Merge Patch (RFC 7386) of `answer` and `settled_by`; what was said before stays under `steps`. A
    version settles a remark that says something else at its place than what was disputed. If the version is
    withdrawn, the remark is no longer settled.
    """
    found = await take_step(request, await read_request(request, RemarkPatch))
    return Response(msgspec.json.encode(shown_remark(found, request.auth)), media_type=JSON)


async def take_step(request: Call, sent: RemarkPatch) -> StoredRemark:
    """Answers or settles the remark of this request's path. Raises NotFound, ScopeMissing, BadTableRequest,
    WrongState.
    """
    service, version, id_ = services(request), version_of(request), request.path_params["id"]
    if sent.answer is UNSET and sent.settled_by is UNSET:
        raise BadTableRequest((Flaw("", "Name an `answer`, or what it is `settled_by`."),))
    async with service.transaction() as conn:
        require_sight(request, await rule_tables.get_table(conn, version))
        found = await remarks.find_remark(conn, version, id_)
    if sent.settled_by is not UNSET:
        settling = await seen_table(request, sent.settled_by)
        if await asyncio.to_thread(still_stands, found, settling):
            there = f"Rule table {settling.version} says at '{found.pointer}'"
            detail = f"{there} what was disputed: it settles nothing."
            raise BadTableRequest((Flaw("/settled_by", detail),))
    async with service.transaction() as conn:
        await remarks.record_step(
            conn,
            id_,
            id_=compat.uuid7(),
            words=None if sent.answer is UNSET else sent.answer,
            settled_by=None if sent.settled_by is UNSET else sent.settled_by,
            actor=request_actor(request),
        )
        return await remarks.find_remark(conn, version, id_)


def still_stands(found: StoredRemark, stored: StoredTable) -> bool:
    """Whether the table says at the place of a remark what was disputed."""
    try:
        return what_stands(stored, found.pointer) == found.was_sha256
    except NothingThereError:
        return False
