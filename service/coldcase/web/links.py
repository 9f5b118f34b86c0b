"""Signed links: one page of the record for somebody without a key, until it ends or is revoked."""

import hashlib
from datetime import datetime
from typing import Annotated
from uuid import UUID

import msgspec
from litestar import Response, delete, get, post
from msgspec import Meta
from uuid_utils import compat

from coldcase.clock import now
from coldcase.core.case_reader import member_flaws
from coldcase.core.strict_json import read_json
from coldcase.db import decisions, links, rule_tables
from coldcase.db.links import LinkKind, NewLink, StoredLink
from coldcase.decision_record import require_decision
from coldcase.errors import Flaw
from coldcase.proof.canonical import canonical_json
from coldcase.web import parsing
from coldcase.web.filters import READS_ALL, Moment, reads_all
from coldcase.web.link_addresses import BadLink
from coldcase.web.once import IDEMPOTENCY_KEY, REPLAYED, made_once
from coldcase.web.route import JSON, Call, Header, route
from coldcase.web.rule_tables import DRAFT_SCOPES, LAST, TABLE_SCOPES, VERSION, require_sight, version_of
from coldcase.web.services import services
from coldcase.web.verdicts import request_actor

DECISION_SCOPES = ("decisions:read", READS_ALL)
LINK_SCOPES = (*TABLE_SCOPES, *DRAFT_SCOPES)
LINK_LOCATION = Header("Location", "Where it is revoked (`DELETE`).")
END_SAYS = "When it ends: RFC 3339, later than now; `COLDCASE_LINK_DAYS` from now where it is left out."


class LinkRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A link that is wanted."""

    expires_at: Annotated[Moment | None, Meta(description=END_SAYS)] = None


class TableLinkRequest(LinkRequest, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A link to a rule table, or to what it has otherwise than another version."""

    against: Annotated[
        Annotated[int, Meta(ge=1, le=LAST)] | None, Meta(description="The version that it is compared with.")
    ] = None


class WantedEnd(msgspec.Struct, frozen=True, kw_only=True):
    """When a link is to end, and as it was `said`, by which a retry is known; under which idempotency key."""

    at: datetime | None
    said: str | None
    key: str | None


class SharedLink(msgspec.Struct, frozen=True, kw_only=True):
    """A link: `path` shows the page to whoever has it, as long as `works`."""

    id: Annotated[UUID, Meta(description="What it is revoked by.")]
    path: Annotated[str, Meta(description="Opens the page without a key. Treat it as you would the page.")]
    kind: Annotated[LinkKind, Meta(description="What it shows.")]
    against: Annotated[int | None, Meta(description="Of a comparison the other version.")]
    created_at: Annotated[datetime, Meta(description="When it was made.")]
    expires_at: Annotated[datetime, Meta(description="When it ends by itself.")]
    revoked_at: Annotated[datetime | None, Meta(description="When somebody revoked it.")]
    person: Annotated[str | None, Meta(description="Who stands behind the key that made it.")]
    works: Annotated[bool, Meta(description="Whether it opens its page now.")]


class SharedLinkList(msgspec.Struct, frozen=True):
    """Links to one page, the newest first, those that have ended too; at most 200."""

    items: Annotated[list[SharedLink], Meta(description="The links.")]
    next: Annotated[None, Meta(description="There is no further page.")] = None


@post(
    "/v1/decisions/{id:uuid}/links",
    **route(
        "shareDecision",
        "Decisions",
        {201: {JSON: SharedLink}, 200: {JSON: SharedLink}},
        scopes=DECISION_SCOPES,
        body=LinkRequest,
        takes=(IDEMPOTENCY_KEY,),
        sends={201: (LINK_LOCATION,), 200: (LINK_LOCATION, REPLAYED)},
        problems=("not_found", "bad_link", "key_reused", "outcome_unknown"),
        examples={"month": {"value": {}}, "until": {"value": {"expires_at": "2027-01-31T00:00:00Z"}}},
    ),
)
async def share_decision(request: Call) -> Response[bytes]:
    """An address that shows the report to somebody without a key

    It ends by itself (`COLDCASE_LINK_DAYS` if nothing is said, `COLDCASE_LINK_MOST_DAYS` at most), when it is
    revoked, or when the key that made it is. It opens this page and nothing else, and is told by an audit
    event, as is its end. A repeated `Idempotency-Key` gives the same link, and says whether it works now.
    """
    sent = await _read(request, LinkRequest)
    return await answer_link(request, await share_report(request, _end(request, sent)))


def _end(request: Call, sent: LinkRequest) -> WantedEnd:
    said = None if sent.expires_at is None else sent.expires_at.isoformat()
    return WantedEnd(at=sent.expires_at, said=said, key=parsing.idempotency_key(request))


async def share_report(request: Call, end: WantedEnd) -> tuple[StoredLink, bool]:
    """Makes a link to the decision of this request's path, or finds the one that its key stands for; and
    whether it did the latter. Raises NotFound, BadLink, KeyReused.
    """
    id_: UUID = request.path_params["id"]
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        await require_decision(conn, id_)
    return await _made(request, end, kind="decision", subject=str(id_))


@post(
    "/v1/rule-tables/{version:str}/links",
    **route(
        "shareRuleTable",
        "Rule tables",
        {201: {JSON: SharedLink}, 200: {JSON: SharedLink}},
        scopes=LINK_SCOPES,
        body=TableLinkRequest,
        path={"version": VERSION},
        takes=(IDEMPOTENCY_KEY,),
        sends={201: (LINK_LOCATION,), 200: (LINK_LOCATION, REPLAYED)},
        problems=("not_found", "bad_link", "key_reused", "outcome_unknown"),
        examples={"table": {"value": {}}, "diff": {"value": {"against": 1}}},
    ),
)
async def share_rule_table(request: Call) -> Response[bytes]:
    """An address that shows a rule table, or what it has otherwise than another, to somebody without a key

    As for a decision. Of a draft it opens the page only as long as nobody changes the draft.
    """
    sent = await _read(request, TableLinkRequest)
    return await answer_link(request, await share_table(request, _end(request, sent), sent.against))


async def share_table(request: Call, end: WantedEnd, against: int | None) -> tuple[StoredLink, bool]:
    """Makes a link to the rule table of this request's path, or finds the one that its key stands for; and
    whether it did the latter. Raises NotFound, ScopeMissing, BadLink, KeyReused.
    """
    version = version_of(request)
    async with services(request).transaction() as conn:
        stored = await rule_tables.get_table(conn, version)
        require_sight(request, stored)
        if against is not None:
            require_sight(request, await rule_tables.get_table(conn, against))
    kind: LinkKind = "rule_table" if against is None else "diff"
    return await _made(request, end, kind=kind, subject=str(version), against=against, digest=stored.digest)


async def _read(request: Call, shape: type[parsing.QueryType]) -> parsing.QueryType:
    raw = read_json(await parsing.read_body(request))
    if not isinstance(raw, dict):
        raise BadLink((Flaw("", "The body is a JSON object."),))
    if flaws := tuple(member_flaws(raw, shape)):
        raise BadLink(flaws)
    return msgspec.convert(raw, shape)


async def _made(
    request: Call,
    end: WantedEnd,
    *,
    kind: LinkKind,
    subject: str,
    against: int | None = None,
    digest: str | None = None,
) -> tuple[StoredLink, bool]:
    new = NewLink(
        id=compat.uuid7(),
        kind=kind,
        subject=subject,
        against=against,
        digest=digest,
        expires_at=services(request).links.end(end.at),
        needed=_held(request, kind),
        idempotency_key=end.key,
        fingerprint=hashlib.sha256(canonical_json([kind, subject, against, end.said])).digest(),
    )
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        id_, again = await links.record_link(conn, new, request_actor(request))
        found = await links.find_link(conn, id_)
    assert found is not None  # noqa: S101  # it was made in this transaction, or by this client before
    return found, again


def _held(request: Call, kind: LinkKind) -> str:
    """The scope by which this key may share such a page."""
    wanted = DECISION_SCOPES if kind == "decision" else LINK_SCOPES
    return next(scope for scope in wanted if scope in request.auth.scopes)


async def answer_link(request: Call, made: tuple[StoredLink, bool]) -> Response[bytes]:
    """The answer of a call that made a link, or found it made."""
    found, again = made
    base = "decisions" if found.kind == "decision" else "rule-tables"
    body = msgspec.json.encode(await shown_link(request, found))
    return made_once(body, f"/v1/{base}/{found.subject}/links/{found.id}", again=again)


async def shown_link(request: Call, found: StoredLink) -> SharedLink:
    """A link as whoever may share the page sees it."""
    return SharedLink(
        id=found.id,
        path=await services(request).links.path(found.id),
        kind=found.kind,
        against=found.against,
        created_at=found.created_at,
        expires_at=found.expires_at,
        revoked_at=found.revoked_at,
        person=found.person,
        works=found.is_good(now()),
    )


async def report_links(request: Call) -> list[SharedLink]:
    """The links to the decision of this request's path that this key may see. Raises NotFound."""
    id_: UUID = request.path_params["id"]
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        await require_decision(conn, id_)
    return await own_links(request, str(id_))


async def own_links(request: Call, subject: str) -> list[SharedLink]:
    """The links to a subject that this key may see."""
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        found = await links.links_to(conn, subject)
    return [await shown_link(request, one) for one in found]


@get(
    "/v1/decisions/{id:uuid}/links",
    **route(
        "listDecisionLinks",
        "Decisions",
        {200: {JSON: SharedLinkList}},
        scopes=DECISION_SCOPES,
        problems=("not_found",),
    ),
)
async def list_decision_links(request: Call) -> Response[bytes]:
    """The links to a report that the client has made"""
    listed = SharedLinkList(await report_links(request))
    return Response(msgspec.json.encode(listed), media_type=JSON)


@get(
    "/v1/rule-tables/{version:str}/links",
    **route(
        "listRuleTableLinks",
        "Rule tables",
        {200: {JSON: SharedLinkList}},
        scopes=LINK_SCOPES,
        path={"version": VERSION},
        problems=("not_found",),
    ),
)
async def list_rule_table_links(request: Call) -> Response[bytes]:
    """The links to a rule table, and to its comparisons, that the client has made"""
    listed = SharedLinkList(await own_links(request, str(version_of(request))))
    return Response(msgspec.json.encode(listed), media_type=JSON)


@delete(
    "/v1/decisions/{id:uuid}/links/{link:uuid}",
    **route("revokeDecisionLink", "Decisions", {204: {}}, scopes=DECISION_SCOPES, problems=("not_found",)),
)
async def revoke_decision_link(request: Call) -> None:
    """Ends a link to a report, at once and for good"""
    await revoke(request, str(request.path_params["id"]), DECISION_SCOPES)


@delete(
    "/v1/rule-tables/{version:str}/links/{link:uuid}",
    **route(
        "revokeRuleTableLink",
        "Rule tables",
        {204: {}},
        scopes=LINK_SCOPES,
        path={"version": VERSION},
        problems=("not_found",),
    ),
)
async def revoke_rule_table_link(request: Call) -> None:
    """Ends a link to a rule table or a comparison, at once and for good"""
    await revoke(request, str(version_of(request)), LINK_SCOPES)


async def revoke(request: Call, subject: str, scopes: tuple[str, ...]) -> None:
    """Ends the link of this request's path. Raises NotFound for one of another client's."""
    needed = next(scope for scope in scopes if scope in request.auth.scopes)
    async with services(request).transaction() as conn:
        await links.record_end(
            conn,
            request.path_params["link"],
            subject=subject,
            needed=needed,
            every=reads_all(request.auth),
            actor=request_actor(request),
        )
