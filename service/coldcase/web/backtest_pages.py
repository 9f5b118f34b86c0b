"""Backtests for people who review a rule table: what would change, the dangerous changes apart, and how good
the answers were and would be.
"""

from typing import Annotated, Any, Literal
from uuid import UUID

import msgspec
from litestar import Response, get, post
from msgspec import Meta
from uuid_utils import compat

from coldcase.db import backtests, rule_tables
from coldcase.web import parsing, rendering
from coldcase.web.backtests import BacktestRequest, begin_backtest, end_backtest, seen_backtest
from coldcase.web.pages import table_backtests
from coldcase.web.route import HTML, Call, form_route, page_route
from coldcase.web.rule_tables import DRAFT_SCOPES, VERSION, version_of
from coldcase.web.services import services
from coldcase.web.table_pages import page_of_stored, shown

MOST_BACKTESTS = 100
DRAFTING = ("tables:draft",)


class BacktestForm(msgspec.Struct, frozen=True):
    """On what a version is to be tried: all decisions or so many of them, or a library of cases. `key` was
    made with the form, so that one sent twice starts one backtest.
    """

    on: Literal["decisions", "worked", "development", "bench"]
    sample: Annotated[int, Meta(ge=1, le=100_000_000)] | None = None
    key: str = ""


class CancelForm(msgspec.Struct, frozen=True):
    """A button alone."""


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
    context = table_backtests.listed_context(stored, seen)
    return rendering.page(request, "backtests.html", **context, key=str(compat.uuid7()))


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


@post(
    "/tables/{version:str}/backtests",
    **form_route(
        "startBacktestByForm",
        BacktestForm,
        scopes=DRAFTING,
        path={"version": VERSION},
        problems=("not_found", "bad_rule_table", "digest_stale", "key_reused", "outcome_unknown"),
    ),
)
async def start_backtest_by_form(request: Call) -> Response[Any]:
    """Starts a backtest, and leads to it"""
    sent = await parsing.parse_form(request, BacktestForm)
    asked = BacktestRequest(sample=sent.sample)
    if sent.on != "decisions":
        # A library is taken whole.
        asked = BacktestRequest(library=sent.on)
    begun, _ = await begin_backtest(request, asked, parsing.form_key(sent.key))
    return _led_to(begun.id)


@post(
    "/backtests/{id:uuid}/cancel",
    **form_route(
        "cancelBacktestByForm",
        CancelForm,
        scopes=DRAFTING,
        problems=("not_found", "wrong_state", "outcome_unknown"),
    ),
)
async def cancel_backtest_by_form(request: Call) -> Response[Any]:
    """Ends a backtest before its time, and leads back to it"""
    await parsing.parse_form(request, CancelForm)
    return _led_to((await end_backtest(request)).id)


def _led_to(id_: UUID) -> Response[Any]:
    return Response(b"", status_code=303, media_type=HTML, headers={"Location": f"/backtests/{id_}"})
