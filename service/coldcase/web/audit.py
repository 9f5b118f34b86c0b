"""Who did what to keys, rule tables and verdicts; the seals over the record, and their verification."""

from typing import Annotated

import msgspec
from litestar import Response, get, post
from msgspec import Meta

from coldcase.auditing import verifying
from coldcase.auditing.verification import Trouble, Verification
from coldcase.db import decisions, events, seals
from coldcase.errors import Busy
from coldcase.web import strict, wire
from coldcase.web.decisions import LINK, reads_all
from coldcase.web.face import JSON, Call, face
from coldcase.web.house import house

SCOPES = ("audit:read",)
Number = Annotated[str, Meta(pattern=r"^[1-9][0-9]{0,17}$(?!\n)")]
Limit = Annotated[int, Meta(ge=1, le=500)]


class EventQuery(msgspec.Struct, frozen=True):
    """Which events: of one action, about one key, rule table, verdict or year."""

    action: Annotated[str, Meta(pattern=r"^[a-z_]{1,40}\.[a-z_]{1,40}$(?!\n)")] | None = None
    subject: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,40}$(?!\n)")] | None = None
    cursor: Number | None = None
    limit: Limit = 50


class SealQuery(msgspec.Struct, frozen=True):
    """From where to list."""

    cursor: Annotated[str, Meta(pattern=r"^[1-9][0-9]{0,8}$(?!\n)")] | None = None
    limit: Limit = 50


class VerifyQuery(msgspec.Struct, frozen=True):
    """The head of a seal, as it was kept outside the database."""

    expect: Annotated[str, Meta(pattern=r"^[0-9a-f]{64}$(?!\n)")] | None = None


@get(
    "/v1/audit-events",
    **face("listAuditEvents", "Audit", {200: {JSON: wire.EventList}}, scopes=SCOPES, query=EventQuery, sends={200: (LINK,)}),
)
async def list_events(request: Call) -> Response[bytes]:
    """Changes of keys, rule tables and verdicts, the newest first

    Written by the database itself with the change. A client sees what concerns its own keys and verdicts, and what was
    done to rule tables and to the record as a whole.
    """
    query = strict.query(request, EventQuery)
    before = None if query.cursor is None else int(query.cursor)
    async with house(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        found = await events.search(conn, action=query.action, subject=query.subject, before=before, limit=query.limit + 1)
    following = str(found[query.limit - 1].id) if len(found) > query.limit else None
    listed = wire.EventList(items=found[: query.limit], next=following)
    return Response(msgspec.json.encode(listed), media_type=JSON, headers=_link("/v1/audit-events", query, following))


@get("/v1/audit-seals", **face("listSeals", "Audit", {200: {JSON: wire.SealList}}, scopes=SCOPES, query=SealQuery, sends={200: (LINK,)}))
async def list_seals(request: Call) -> Response[bytes]:
    """The seals, the first first

    Each head stands for its seal and for all before it: keep the newest where nobody who owns the database can reach it.
    `count` is over all clients' records and told to keys with `decisions:read:all` only.
    """
    query = strict.query(request, SealQuery)
    async with house(request).transaction() as conn:
        found = await seals.seals(conn, after=int(query.cursor or 0), limit=query.limit + 1)
    following = str(found[query.limit - 1].number) if len(found) > query.limit else None
    items = [_seal(seal, everything=reads_all(request.auth)) for seal in found[: query.limit]]
    listed = wire.SealList(items=items, next=following)
    return Response(msgspec.json.encode(listed), media_type=JSON, headers=_link("/v1/audit-seals", query, following))


def _seal(row: seals.Seal, *, everything: bool) -> wire.Seal:
    hashes = {"previous": row.previous.hex(), "root": row.root.hex(), "head": row.head.hex()}
    return wire.Seal(number=row.number, at=row.at, count=row.count if everything else None, **hashes)


def _link(path: str, query: EventQuery | SealQuery, following: str | None) -> dict[str, str]:
    return {} if following is None else {"Link": f'<{strict.again(path, query, cursor=following)}>; rel="next"'}


@post(
    "/v1/audit-seals/verify",
    **face("verifySeals", "Audit", {200: {JSON: wire.Verification}}, scopes=SCOPES, query=VerifyQuery, problems=("busy",)),
)
async def verify_seals(request: Call) -> Response[bytes]:
    """Recomputes the seals from the records, and names what is not as it was sealed

    `?expect=` is the head of a seal that was kept elsewhere: a chain that was cut short or made anew does not have it. It
    belongs in the query; a request with a body is refused.
    One verification runs at a time; `coldcase verify` does the same without the service. Counts of records are over all
    clients' and told to keys with `decisions:read:all` only.
    """
    query = strict.query(request, VerifyQuery)
    expect = None if query.expect is None else bytes.fromhex(query.expect)
    service = house(request)
    if service.verifying.locked():
        raise Busy("Another verification is running.")
    async with service.verifying, service.audit_transaction() as conn:
        found = await verifying.verify_alone(conn, expect=expect)
    everything, own = reads_all(request.auth), request.auth.client_id
    told = [_told(trouble) for trouble in found.troubles if everything or _concerns(trouble, own)]
    return Response(msgspec.json.encode(_verification(found, told, everything=everything)), media_type=JSON)


def _concerns(trouble: Trouble, client: int) -> bool:
    """A client is told of its own records and of the chain; of others' only that something is wrong with some."""
    if trouble.client_id is not None:
        return trouble.client_id == client
    # Members of the first releases do not say whose a deleted record was.
    return not (trouble.what == "missing" and trouble.kind in ("decision", "verdict", "audit_event"))


def _verification(found: Verification, told: list[wire.Trouble], *, everything: bool) -> wire.Verification:
    return wire.Verification(
        good=found.good,
        seals=found.seals,
        epochs=found.epochs,
        records=found.records if everything else None,
        unsealed=found.unsealed if everything else None,
        taken_out=found.taken_out if everything else None,
        erased=found.erased if everything else None,
        acknowledged=found.acknowledged if everything else None,
        head=found.head,
        wrong=found.wrong,
        troubles=told,
    )


def _told(trouble: Trouble) -> wire.Trouble:
    return wire.Trouble(what=trouble.what, detail=trouble.detail, seal=trouble.seal, kind=trouble.kind, record=trouble.record)
