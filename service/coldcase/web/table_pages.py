"""Rule tables as people read them: versions, causes, findings, limits, each row with what was disputed of
it.
"""

import asyncio
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
from litestar import Response, get

from coldcase.core.case import Code
from coldcase.core.rule_table import Retired, RuleTable
from coldcase.db import remarks, rule_tables, table_history
from coldcase.db.rule_tables import StoredTable, is_draft
from coldcase.errors import NotFound
from coldcase.governing import shaped_table
from coldcase.web import parsing, rendering
from coldcase.web.pages import table_causes, table_findings, table_limits
from coldcase.web.pages.table_frame import TablePage
from coldcase.web.remark_schemas import Remark
from coldcase.web.remarks import shown_remark
from coldcase.web.route import Call, page_route
from coldcase.web.rule_tables import DRAFT_SCOPES, TABLE_SCOPES, VERSION, require_sight, version_of
from coldcase.web.services import services

TABLE_READERS = (*TABLE_SCOPES, *DRAFT_SCOPES)
MOST_EVENTS = 100
MOST_REMARKS_SHOWN = 500
"""Of a version, the newest, that its pages show."""
OF_A_TABLE: dict[str, Any] = {
    "scopes": TABLE_READERS,
    "path": {"version": VERSION},
    "problems": ("not_found", "bad_rule_table"),
}


class FindingQuery(msgspec.Struct, frozen=True):
    """The cause whose rows are to be pointed out."""

    cause: Code | None = None


@get("/tables", **page_route("showTables", scopes=TABLE_READERS))
async def show_versions(request: Call) -> Response[Any]:
    """All versions that the key may see, the newest first"""
    drafts = not request.auth.scopes.isdisjoint(DRAFT_SCOPES)
    async with services(request).transaction() as conn:
        rows = await rule_tables.list_tables(conn)
    seen = [row for row in rows if drafts or not is_draft(row)]
    current = services(request).rule_tables.current.version
    return rendering.page(request, "tables.html", **table_limits.versions_context(seen, current or 0))


@get("/tables/current", **page_route("showCurrentTable", scopes=TABLE_READERS))
async def show_current_table(request: Call) -> Response[Any]:
    """The way to the version that answers now"""
    return _gone_on(f"/tables/{services(request).rule_tables.current.version}")


@get("/tables/{version:str}", **page_route("showTablePage", **OF_A_TABLE))
async def show_version(request: Call) -> Response[Any]:
    """One version as a whole"""
    found = await table_page(request)
    drafts = not request.auth.scopes.isdisjoint(DRAFT_SCOPES)
    async with services(request).transaction() as conn:
        events = await table_history.table_events(conn, found.stored.version, most=MOST_EVENTS)
    current = services(request).rule_tables.current.version
    return await shown(
        request,
        "table.html",
        lambda: table_limits.table_context(found, events, current or 0, drafts=drafts),
    )


@get("/tables/{version:str}/causes/{code:str}", **page_route("showCausePage", **OF_A_TABLE))
async def show_cause_page(request: Call) -> Response[Any]:
    """One cause"""
    found, code = await table_page(request), request.path_params["code"]
    if code in found.table.causes:
        return await shown(request, "table_cause.html", lambda: table_causes.cause_context(found, code))
    retired = _retired(found.table, "cause", code)
    if retired.renamed_to in found.table.causes:
        return _gone_on(f"{found.path}/causes/{retired.renamed_to}")
    return rendering.page(request, "table_retired.html", page=found, code=code, what="cause")


@get(
    "/tables/{version:str}/findings/{code:str}",
    **page_route("showFindingPage", query=FindingQuery, **OF_A_TABLE),
)
async def show_finding_page(request: Call) -> Response[Any]:
    """One finding, or a pattern of findings"""
    query = parsing.parse_page_query(request, FindingQuery)
    found, code = await table_page(request), request.path_params["code"]
    if code in found.table.findings:
        return await shown(
            request, "table_finding.html", lambda: table_findings.finding_context(found, code, query.cause)
        )
    if code in found.table.patterns:
        return await shown(
            request, "table_pattern.html", lambda: table_findings.pattern_context(found, code, query.cause)
        )
    retired = _retired(found.table, "finding", code)
    if retired.renamed_to in found.table.findings:
        return _gone_on(f"{found.path}/findings/{retired.renamed_to}")
    return rendering.page(request, "table_retired.html", page=found, code=code, what="finding")


@get("/tables/{version:str}/limits", **page_route("showLimitsPage", **OF_A_TABLE))
async def show_limits_page(request: Call) -> Response[Any]:
    """The limits by quantity"""
    found = await table_page(request)
    return await shown(request, "table_limits.html", lambda: table_limits.limits_context(found))


async def shown(request: Call, template: str, context: Callable[[], dict[str, Any]]) -> Response[Any]:
    """A page whose context takes its time: other requests go on meanwhile."""

    def made() -> Response[Any]:
        return rendering.page(request, template, **context())

    return await asyncio.to_thread(made)


async def table_page(request: Call) -> TablePage:
    """The version in the path with its remarks. Raises NotFound, ScopeMissing, BadRuleTable."""
    version = version_of(request)
    async with services(request).transaction() as conn:
        stored = await rule_tables.get_table(conn, version)
        require_sight(request, stored)
        found = await remarks.remarks_on(conn, version, limit=MOST_REMARKS_SHOWN)
    return await page_of_stored(request, stored, [shown_remark(one, request.auth) for one in found])


async def page_of_stored(request: Call, stored: StoredTable, found: Sequence[Remark] = ()) -> TablePage:
    """A version that was read, with remarks on it. Raises BadRuleTable for a draft of a wrong shape."""
    return TablePage(stored, await asyncio.to_thread(_table, request, stored), found)


def _table(request: Call, stored: StoredTable) -> RuleTable:
    """The table; the one that answers is at hand."""
    current = services(request).rule_tables.current
    return current.table if current.digest == stored.digest else shaped_table(stored)


def _retired(table: RuleTable, kind: str, code: str) -> Retired:
    """What became of a code that the table has no longer. Raises NotFound."""
    for row in table.retired:
        if (row.kind, row.code) == (kind, code):
            return row
    raise NotFound(f"This rule table has no {kind} of this name.")


def _gone_on(path: str) -> Response[Any]:
    return Response(b"", status_code=303, headers={"Location": path})
