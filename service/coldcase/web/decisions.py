"""The decisions on record: one whole, or a page of those that match."""

from datetime import datetime
from typing import Annotated, Any, Literal, cast

import msgspec
from litestar import Response, get
from msgspec import Meta

from coldcase import decision_record
from coldcase.core.answer import Answer, Status, TableName
from coldcase.core.case import Code, CompressorType, Label
from coldcase.db import decisions
from coldcase.decision_record import DecisionInContext, Surroundings
from coldcase.errors import Flaw
from coldcase.web import pages, parsing, schemas
from coldcase.web.crosswalk_schemas import SentWords
from coldcase.web.filters import (
    LINK,
    READS_ALL,
    Moment,
    Origin,
    WhichTime,
    decision_filter,
    next_page,
    order_of,
    reads_all,
)
from coldcase.web.own_words import CrosswalkName, answer_codes, codes_for
from coldcase.web.problems import BadRequest
from coldcase.web.rendering import html_response, viewer
from coldcase.web.route import HTML, JSON, Call, route
from coldcase.web.services import services


class DecisionQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """What to look for: all that is given must match. `from` is included, `to` is not; `by` says which time
    they mean.
    """

    cause: Code | None = None
    status: Status | None = None
    job_ref: Label | None = None
    circuit: Label | None = None
    compressor_type: CompressorType | None = None
    refrigerant: Label | None = None
    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None
    origin: Origin | None = None
    has_verdict: Literal["true", "false"] | None = None
    from_: Moment | None = None
    to: Moment | None = None
    by: WhichTime = "closed_at"
    cursor: Annotated[str, Meta(pattern=r"^[A-Za-z0-9_-]{34}$(?!\n)")] | None = None
    limit: Annotated[int, Meta(ge=1, le=500)] = 50


class DecisionView(msgspec.Struct, frozen=True):
    """Whose codes the record carries."""

    crosswalk: CrosswalkName | None = None


@get(
    "/v1/decisions",
    **route(
        "searchDecisions",
        "Decisions",
        {200: {JSON: schemas.DecisionList}},
        scopes=("decisions:read", READS_ALL),
        query=DecisionQuery,
        sends={200: (LINK,)},
    ),
)
async def search_decisions(request: Call) -> Response[bytes]:
    """Decisions that match, the newest first

    `from` and `to` go by `job.closed_at`, or where that is missing by the time of recording; `by=recorded_at`
    chooses the latter for all.
    """
    query = parsing.parse_query(request, DecisionQuery)
    wanted = decision_filter(query, request.auth, by=order_of(query.by))
    after = None if query.cursor is None else decisions.read_cursor(wanted, query.cursor)
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        rows = await decisions.find_decisions(conn, wanted, after=after, limit=query.limit + 1)
    following = decisions.make_cursor(wanted, rows[query.limit - 1]) if len(rows) > query.limit else None
    listed = msgspec.convert(
        {"items": rows[: query.limit], "next": following}, schemas.DecisionList, from_attributes=True
    )
    headers = next_page("/v1/decisions", query, following)
    return Response(msgspec.json.encode(listed), media_type=JSON, headers=headers)


@get(
    "/v1/decisions/{id:uuid}",
    **route(
        "showDecision",
        "Decisions",
        {200: {JSON: schemas.DecisionRecord, HTML: str}},
        scopes=("decisions:read", READS_ALL),
        query=DecisionView,
        problems=("not_found",),
    ),
)
async def show_decision(request: Call) -> Response[Any]:
    """The record: case, answer, table, chain, verdicts, earlier failures on the circuit

    With `Accept: text/html` a report for people. With `?crosswalk=` the record carries the caller's own
    codes, by the newest version of that crosswalk.
    """
    query, html = parsing.parse_query(request, DecisionView), parsing.preferred(request, (JSON, HTML)) == HTML
    if html and query.crosswalk is not None:
        raise BadRequest((Flaw("crosswalk", "the page for people has no codes of a client's own"),))
    codes = await codes_for(request, query.crosswalk)
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=reads_all(request.auth))
        record = await decision_record.decision_in_context(conn, request.path_params["id"])
        around = await decision_record.surroundings_of(conn, record.decision) if html else None
    found = record.decision
    if around is not None:
        return html_response(await report_of(request, record, around))
    told = _record(record)
    if codes is not None:
        told = msgspec.structs.replace(told, crosswalk=answer_codes(found.answer, codes))
    return Response(msgspec.json.encode(told), media_type=JSON)


async def report_of(
    request: Call, record: DecisionInContext, around: Surroundings, *, shared_until: datetime | None = None
) -> str:
    """The report for people; `shared_until` for somebody who has a link to it and no key."""
    found = record.decision
    answer = msgspec.json.decode(found.answer, type=Answer)
    compiled = await services(request).rule_tables.compiled(found.rule_table)
    return pages.report(
        answer,
        msgspec.json.decode(found.case),
        compiled,
        record,
        around=around,
        viewer=viewer(request),
        here=request.scope["path"],
        shared_until=shared_until,
    )


def _record(record: DecisionInContext) -> schemas.DecisionRecord:
    found = record.decision
    words = None if found.own_words is None else msgspec.json.decode(found.own_words, type=SentWords)
    return schemas.DecisionRecord(
        id=found.id,
        recorded_at=found.recorded_at,
        # The very text that was hashed and sent.
        case=cast("Any", msgspec.Raw(found.case)),
        answer=cast("Any", msgspec.Raw(found.answer)),
        rule_table=msgspec.json.decode(found.answer, type=_Named).rule_table,
        chain=[schemas.DecisionName(id=link.id, recorded_at=link.recorded_at) for link in record.chain],
        verdicts=msgspec.convert(record.verdicts, list[schemas.Verdict], from_attributes=True),
        earlier_on_circuit=msgspec.convert(
            record.earlier, list[schemas.DecisionSummary], from_attributes=True
        ),
        own_words=words,
        origin=cast("Any", found.origin),
        own_code=found.own_code,
    )


class _Named(msgspec.Struct):
    rule_table: TableName
