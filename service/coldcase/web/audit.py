"""Who did what to keys, rule tables and verdicts; the seals over the record, and their verification."""

from typing import Annotated

import msgspec
from litestar import Response, get, post
from msgspec import Meta

from coldcase.auditing import verifying
from coldcase.auditing.verification import Discrepancy, Verification
from coldcase.core.case import Label
from coldcase.db import decisions, events, seals
from coldcase.db.events import EventAction
from coldcase.errors import Busy
from coldcase.web import audit_schemas, parsing
from coldcase.web.filters import LINK, Moment, check_span, next_page, reads_all
from coldcase.web.route import JSON, Call, route
from coldcase.web.services import services

AUDIT_SCOPES = ("audit:read",)
EventNumber = Annotated[str, Meta(pattern=r"^[1-9][0-9]{0,17}$(?!\n)")]
PageSize = Annotated[int, Meta(ge=1, le=500)]


class EventQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """Which events: of one action; about one key, rule table, crosswalk, verdict or year; by one person;
    `from` a time on (included) `to` another (not included).
    """

    action: EventAction | None = None
    subject: Annotated[str, Meta(pattern=r"^[a-z0-9_-]{1,64}$(?!\n)")] | None = None
    person: Label | None = None
    from_: Moment | None = None
    to: Moment | None = None
    cursor: EventNumber | None = None
    limit: PageSize = 50


class SealQuery(msgspec.Struct, frozen=True):
    """From where to list."""

    cursor: Annotated[str, Meta(pattern=r"^[1-9][0-9]{0,8}$(?!\n)")] | None = None
    limit: PageSize = 50


class VerifyQuery(msgspec.Struct, frozen=True):
    """The head of a seal, as it was kept outside the database."""

    expect: Annotated[str, Meta(pattern=r"^[0-9a-f]{64}$(?!\n)")] | None = None


@get(
    "/v1/audit-events",
    **route(
        "listAuditEvents",
        "Audit",
        {200: {JSON: audit_schemas.EventList}},
        scopes=AUDIT_SCOPES,
        query=EventQuery,
        sends={200: (LINK,)},
    ),
)
async def list_events(request: Call) -> Response[bytes]:
    """Changes of keys, rule tables, crosswalks and verdicts, the newest first

    Written by the database itself with the change; an act on many records is one event that counts them. A
    client sees what concerns its own keys, crosswalks and verdicts, and what was done to rule tables and to
    the record as a whole; of these it is told neither who did it nor from where, so that `person` does not
    find them.
    """
    query = parsing.parse_query(request, EventQuery)
    check_span(query.from_, query.to)
    before = None if query.cursor is None else int(query.cursor)
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        found = await events.find_events(
            conn,
            action=query.action,
            subject=query.subject,
            person=query.person,
            since=query.from_,
            until=query.to,
            before=before,
            limit=query.limit + 1,
        )
    following = str(found[query.limit - 1].id) if len(found) > query.limit else None
    listed = audit_schemas.EventList(items=found[: query.limit], next=following)
    return Response(
        msgspec.json.encode(listed), media_type=JSON, headers=next_page("/v1/audit-events", query, following)
    )


@get(
    "/v1/audit-seals",
    **route(
        "listSeals",
        "Audit",
        {200: {JSON: audit_schemas.SealList}},
        scopes=AUDIT_SCOPES,
        query=SealQuery,
        sends={200: (LINK,)},
    ),
)
async def list_seals(request: Call) -> Response[bytes]:
    """The seals, the first first

    Each head stands for its seal and for all before it: keep the newest where nobody who owns the database
    can reach it. `count` is over all clients' records and told to keys with `decisions:read:all` only.
    """
    query = parsing.parse_query(request, SealQuery)
    async with services(request).transaction() as conn:
        found = await seals.list_seals_after(conn, after=int(query.cursor or 0), limit=query.limit + 1)
    following = str(found[query.limit - 1].number) if len(found) > query.limit else None
    items = [_seal(seal, everything=reads_all(request.auth)) for seal in found[: query.limit]]
    listed = audit_schemas.SealList(items=items, next=following)
    return Response(
        msgspec.json.encode(listed), media_type=JSON, headers=next_page("/v1/audit-seals", query, following)
    )


def _seal(row: seals.Seal, *, everything: bool) -> audit_schemas.SealSummary:
    hashes = {"previous": row.previous.hex(), "root": row.root.hex(), "head": row.head.hex()}
    return audit_schemas.SealSummary(
        number=row.number, at=row.at, count=row.count if everything else None, **hashes
    )


@post(
    "/v1/audit-seals/verify",
    **route(
        "verifySeals",
        "Audit",
        {200: {JSON: audit_schemas.VerificationReport}},
        scopes=AUDIT_SCOPES,
        query=VerifyQuery,
        problems=("busy",),
    ),
)
async def verify_seals(request: Call) -> Response[bytes]:
    """Recomputes the seals from the records, and names what is not as it was sealed

    `?expect=` is the head of a seal that was kept elsewhere: a chain that was cut short or made anew does not
    have it. It belongs in the query; a request with a body is refused. One verification runs at a time;
    `coldcase verify` does the same without the service. Counts of records are over all clients' and told to
    keys with `decisions:read:all` only.
    """
    query = parsing.parse_query(request, VerifyQuery)
    expect = None if query.expect is None else bytes.fromhex(query.expect)
    service = services(request)
    if service.verifying.locked():
        raise Busy("Another verification is running.")
    async with service.verifying, service.audit_transaction() as conn:
        found = await verifying.verify_alone(conn, expect=expect)
    everything, own = reads_all(request.auth), request.auth.client_id
    reported = [
        _reported(discrepancy) for discrepancy in found.troubles if everything or _concerns(discrepancy, own)
    ]
    return Response(
        msgspec.json.encode(_verification(found, reported, everything=everything)), media_type=JSON
    )


def _concerns(discrepancy: Discrepancy, client: int) -> bool:
    """A client is told of its own records and of the chain; of others' only that something is wrong with
    some.
    """
    if discrepancy.client_id is not None:
        return discrepancy.client_id == client
    # Members of the first releases do not say whose a deleted record was.
    return not (discrepancy.what == "missing" and discrepancy.kind in ("decision", "verdict", "audit_event"))


def _verification(
    found: Verification, reported: list[audit_schemas.ReportedDiscrepancy], *, everything: bool
) -> audit_schemas.VerificationReport:
    return audit_schemas.VerificationReport(
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
        troubles=reported,
    )


def _reported(discrepancy: Discrepancy) -> audit_schemas.ReportedDiscrepancy:
    return audit_schemas.ReportedDiscrepancy(
        what=discrepancy.what,
        detail=discrepancy.detail,
        seal=discrepancy.seal,
        kind=discrepancy.kind,
        record=discrepancy.record,
    )
