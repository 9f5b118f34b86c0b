"""Figures for people: what failed over time and where, how often a stated certainty was right, and own codes
against ours. Only of the client's own decisions, whatever the key may read besides.
"""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import msgspec
from litestar import Response, get

from coldcase.core.case import Label
from coldcase.db import decisions, statistics
from coldcase.db.decisions import DecisionFilter
from coldcase.db.statistics import GroupBy
from coldcase.feedback import calibrating
from coldcase.web import parsing
from coldcase.web.crosstab import crosstab_of
from coldcase.web.filters import Origin, check_span
from coldcase.web.pages import figures
from coldcase.web.pages.figures import FigureCounts
from coldcase.web.route import Call, page_route
from coldcase.web.services import services
from coldcase.web.table_pages import shown

MOST_MONTHS = 24
MOST_GROUPS = 6
"""Circuits, refrigerants, types that are drawn, the largest; a program gets all of them."""
MOST_OWN_CODES = 30
GROUPS: dict[GroupBy | None, int] = {
    None: 1,
    "month": MOST_MONTHS,
    "circuit": MOST_GROUPS,
    "refrigerant": MOST_GROUPS,
    "compressor_type": MOST_GROUPS,
    "own_code": MOST_OWN_CODES + 2,
}
"""What is counted by what, and how many groups: of own codes one more for those without, one more to see
whether there are more."""


class FigureQuery(msgspec.Struct, frozen=True, rename={"from_": "from"}):
    """Which decisions: closed from one day to another, both included; how they came; on which circuit."""

    from_: date | None = None
    to: date | None = None
    origin: Origin | None = None
    circuit: Label | None = None


@get("/figures", **page_route("showFigures", scopes=("decisions:read",), query=FigureQuery))
async def show_figures(request: Call) -> Response[Any]:
    """The client's figures"""
    asked = parsing.parse_page_query(request, FigureQuery)
    wanted = _wanted(asked, request.auth.client_id)
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id)
        counted = await statistics.causes_by(conn, GROUPS, wanted)
    # What looks at all that matches has a transaction of its own: none uses up the time of the other.
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, request.auth.client_id)
        calibration = await calibrating.calibration(conn, wanted)
    counts = FigureCounts(
        whole=counted[None],
        months=counted["month"],
        circuits=counted["circuit"],
        refrigerants=counted["refrigerant"],
        types=counted["compressor_type"],
        calibration=calibration,
        codes=crosstab_of(counted["own_code"], most=MOST_OWN_CODES),
    )
    compiled = services(request).rule_tables.current
    return await shown(request, "figures.html", lambda: figures.figures_context(asked, counts, compiled))


def _wanted(asked: FigureQuery, client_id: int) -> DecisionFilter:
    """The search; the last day is included. Raises BadRequest for a span that ends before it begins."""
    begin = None if asked.from_ is None else datetime.combine(asked.from_, time(), UTC)
    end = None
    if asked.to is not None and asked.to < date.max:
        end = datetime.combine(asked.to, time(), UTC) + timedelta(days=1)
    check_span(begin, end)
    return DecisionFilter(
        client_id=client_id, from_=begin, to=end, origin=asked.origin, circuit=asked.circuit, by="at"
    )
