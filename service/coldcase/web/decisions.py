"""The decisions on record: one whole, or a page of those that match."""

from datetime import datetime
from typing import Annotated, Any, Literal, cast

import msgspec
from litestar import Response, get
from msgspec import Meta

from coldcase.auditing import reading
from coldcase.auditing.reading import Record
from coldcase.core.answer import Answer, Status, TableName
from coldcase.core.case import Code, CompressorType, Label
from coldcase.db import decisions
from coldcase.db.decisions import Order, Search
from coldcase.db.keys import ApiKey
from coldcase.web import pages, strict, wire
from coldcase.web.face import HTML, JSON, Call, Header, face
from coldcase.web.house import house

READS_ALL = "decisions:read:all"
LINK = Header("Link", '`rel="next"`: the page after this one.')
Moment = Annotated[datetime, Meta(tz=True)]


class DecisionQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """What to look for: all that is given must match. `from` is included, `to` is not; `by` says which time they mean."""

    cause: Code | None = None
    status: Status | None = None
    job_ref: Label | None = None
    circuit: Label | None = None
    compressor_type: CompressorType | None = None
    refrigerant: Label | None = None
    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None
    has_verdict: Literal["true", "false"] | None = None
    from_: Moment | None = None
    to: Moment | None = None
    by: Literal["closed_at", "recorded_at"] = "closed_at"
    cursor: Annotated[str, Meta(pattern=r"^[A-Za-z0-9_-]{34}$(?!\n)")] | None = None
    limit: Annotated[int, Meta(ge=1, le=500)] = 50


def reads_all(key: ApiKey) -> bool:
    """Whether the key shows every client's decisions."""
    return READS_ALL in key.scopes


@get(
    "/v1/decisions",
    **face(
        "searchDecisions",
        "Decisions",
        {200: {JSON: wire.DecisionList}},
        scopes=("decisions:read", READS_ALL),
        query=DecisionQuery,
        sends={200: (LINK,)},
    ),
)
async def search_decisions(request: Call) -> Response[bytes]:
    """Decisions that match, the newest first

    `from` and `to` go by `job.closed_at`, or where that is missing by the time of recording; `by=recorded_at` chooses
    the latter for all.
    """
    query = strict.query(request, DecisionQuery)
    wanted = search_of(query, request.auth, by=order_of(query.by))
    after = None if query.cursor is None else decisions.place(wanted, query.cursor)
    async with house(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        rows = await decisions.search(conn, wanted, after=after, limit=query.limit + 1)
    following = decisions.cursor(wanted, rows[query.limit - 1]) if len(rows) > query.limit else None
    listed = msgspec.convert({"items": rows[: query.limit], "next": following}, wire.DecisionList, from_attributes=True)
    headers = {} if following is None else {"Link": f'<{strict.again("/v1/decisions", query, cursor=following)}>; rel="next"'}
    return Response(msgspec.json.encode(listed), media_type=JSON, headers=headers)


def order_of(by: Literal["closed_at", "recorded_at"]) -> Order:
    """The time that a query means: the job's closing, or where that is missing its recording; or for all its recording."""
    return "at" if by == "closed_at" else "recorded_at"


def search_of(query: msgspec.Struct, key: ApiKey, *, by: Order) -> Search:
    """The search that a query asks for, within what the key may see."""
    given = {name: getattr(query, name) for name in Search.__struct_fields__ if hasattr(query, name) and name != "by"}
    given["has_verdict"] = {"true": True, "false": False, None: None}[given.get("has_verdict")]
    return Search(**given, by=by, client_id=None if reads_all(key) else key.client_id)


@get(
    "/v1/decisions/{id:uuid}",
    **face(
        "showDecision",
        "Decisions",
        {200: {JSON: wire.DecisionRecord, HTML: str}},
        scopes=("decisions:read", READS_ALL),
        problems=("not_found",),
    ),
)
async def show_decision(request: Call) -> Response[Any]:
    """The record: case, answer, table, chain, verdicts, earlier failures on the circuit

    With `Accept: text/html` a report for people.
    """
    async with house(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        record = await reading.record(conn, request.path_params["id"])
    found = record.decision
    if strict.preferred(request, (JSON, HTML)) == HTML:
        answer, book = msgspec.json.decode(found.answer, type=Answer), await house(request).shelf.book(found.rule_table)
        return Response(pages.report(answer, msgspec.json.decode(found.case), book, record), media_type=HTML)
    return Response(msgspec.json.encode(_record(record)), media_type=JSON)


def _record(record: Record) -> wire.DecisionRecord:
    found = record.decision
    return wire.DecisionRecord(
        id=found.id,
        recorded_at=found.recorded_at,
        # The very text that was hashed and sent.
        case=cast("Any", msgspec.Raw(found.case)),
        answer=cast("Any", msgspec.Raw(found.answer)),
        rule_table=msgspec.json.decode(found.answer, type=_Named).rule_table,
        chain=[wire.DecisionName(id=link.id, recorded_at=link.recorded_at) for link in record.chain],
        verdicts=msgspec.convert(record.verdicts, list[wire.Verdict], from_attributes=True),
        earlier_on_circuit=msgspec.convert(record.earlier, list[wire.DecisionRow], from_attributes=True),
    )


class _Named(msgspec.Struct):
    rule_table: TableName
