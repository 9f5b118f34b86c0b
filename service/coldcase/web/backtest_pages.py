"""Backtests for people who review a rule table: what would change, the dangerous changes apart, and how good
the answers were and would be.
"""

from typing import Any

from litestar import Response, get

from coldcase.db import backtests, rule_tables
from coldcase.web import rendering
from coldcase.web.backtests import seen_backtest
from coldcase.web.pages import table_backtests
from coldcase.web.route import Call, page_route
from coldcase.web.rule_tables import DRAFT_SCOPES, VERSION, version_of
from coldcase.web.services import services
from coldcase.web.table_pages import page_of_stored, shown

MOST_BACKTESTS = 100


@get(
    "/tables/{version:str}/backtests",
    **page_route(
        "showBacktestsPage", scopes=DRAFT_SCOPES, path={"version": VERSION}, problems=("not_found",)
    ),
)
async def show_backtests_page(request: Call) -> Response[Any]:
    """The backtests of a version, the newest first"""
    version = version_of(request)
    async with services(request).transaction() as conn:
        stored = await rule_tables.get_table(conn, version)
        found = await backtests.backtests_of(conn, version, before=None, limit=MOST_BACKTESTS)
    seen = [seen_backtest(one, request.auth, whole=False) for one in found]
    return rendering.page(request, "backtests.html", **table_backtests.listed_context(stored, seen))


@get(
    "/backtests/{id:uuid}",
    **page_route("showBacktestPage", scopes=DRAFT_SCOPES, problems=("not_found", "bad_rule_table")),
)
async def show_backtest_page(request: Call) -> Response[Any]:
    """A backtest: how far it is, and what it has found so far or in the end"""
    async with services(request).transaction() as conn:
        found = await backtests.find_backtest(conn, request.path_params["id"])
        stored = await rule_tables.get_table(conn, found.rule_table)
    seen = seen_backtest(found, request.auth, whole=True)
    named = await page_of_stored(request, stored)
    return await shown(request, "backtest.html", lambda: table_backtests.backtest_context(named, seen))
