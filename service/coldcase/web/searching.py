"""The reports on record, searched and listed for people."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import msgspec
from litestar import Response, get

from coldcase.core.answer import Status
from coldcase.core.case import Code, Label
from coldcase.core.titles import in_hundred
from coldcase.db import decisions
from coldcase.web import parsing, rendering
from coldcase.web.decisions import DecisionQuery
from coldcase.web.filters import READS_ALL, decision_filter
from coldcase.web.pages.trade_names import trade_name
from coldcase.web.route import Call, page_route
from coldcase.web.services import services

PAGE_LENGTH = 50
STATUS_WORDS = {"coded": "named", "provisional": "named for now", "undetermined": "not named"}


class ReportQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """What to look for; `to` is the last day that counts."""

    job_ref: Label | None = None
    circuit: Label | None = None
    cause: Code | None = None
    status: Status | None = None
    from_: date | None = None
    to: date | None = None
    cursor: str | None = None


@get("/decisions", **page_route("searchReports", scopes=("decisions:read", READS_ALL), query=ReportQuery))
async def search_reports(request: Call) -> Response[Any]:
    """Reports that match, the newest first"""
    asked = parsing.parse_page_query(request, ReportQuery)
    wanted = decision_filter(_search(asked), request.auth, by="at")
    after = None if asked.cursor is None else decisions.read_cursor(wanted, asked.cursor)
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id, reads_all=READS_ALL in request.auth.scopes)
        rows = await decisions.find_decisions(conn, wanted, after=after, limit=PAGE_LENGTH + 1)
    compiled = services(request).rule_tables.current
    following = decisions.make_cursor(wanted, rows[PAGE_LENGTH - 1]) if len(rows) > PAGE_LENGTH else None
    listed = [
        {
            "id": row.id,
            "title": trade_name(row.cause, compiled),
            "status": STATUS_WORDS[row.status],
            "in_hundred": in_hundred(row.confidence),
            "at": row.closed_at or row.recorded_at,
            "job": row.job_ref,
            "circuit": row.circuit,
        }
        for row in rows[:PAGE_LENGTH]
    ]
    causes = sorted((trade_name(code, compiled), code) for code in compiled.table.causes)
    return rendering.page(
        request,
        "decisions.html",
        asked=asked,
        listed=listed,
        causes=[*causes, ("Not determined", "undetermined")],
        statuses=STATUS_WORDS,
        following=None if following is None else parsing.again("/decisions", asked, cursor=following),
    )


def _search(asked: ReportQuery) -> DecisionQuery:
    """The same as a search of decisions: days as moments in UTC."""
    begin = None if asked.from_ is None else datetime.combine(asked.from_, time(), UTC)
    # The first moment after the last day.
    end = None if asked.to is None else datetime.combine(asked.to, time(), UTC) + timedelta(days=1)
    return DecisionQuery(
        cause=asked.cause,
        status=asked.status,
        job_ref=asked.job_ref,
        circuit=asked.circuit,
        from_=begin,
        to=end,
    )
