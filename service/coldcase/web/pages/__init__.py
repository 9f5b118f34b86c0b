"""What people read: a decision as a report, two rule tables compared, the service's description.
`web/rendering.py` has what is around them; nothing comes from another host, and each can be read without
scripts.
"""

from datetime import datetime
from typing import Any

from coldcase.core.answer import Answer
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.diffing import TableDiff
from coldcase.core.rule_table import RuleTable
from coldcase.db.rule_tables import StoredTable
from coldcase.decision_record import MOST_COUNTED, DecisionInContext, Surroundings
from coldcase.web.pages.differences import diff_context
from coldcase.web.pages.docs_page import docs_context
from coldcase.web.pages.report import report_context
from coldcase.web.remark_schemas import ComparedRemarks
from coldcase.web.rendering import render

TABLE_PAGE_SCOPES = frozenset({"tables:read", "tables:draft", "tables:approve"})
"""Scopes, any of which shows the pages of rule tables."""


def report(
    answer: Answer,
    case: dict[str, Any],
    compiled: CompiledTable,
    record: DecisionInContext,
    *,
    around: Surroundings,
    viewer: dict[str, Any] | None = None,
    here: str | None = None,
    shared_until: datetime | None = None,
) -> str:
    """The report of one decision: for the customer what failed it and what to do, for the bench what was
    found. `around` is what the record says around it; its words lead on for a `viewer` who may see rule
    tables.
    """
    told = report_context(answer, case, compiled, record)
    linked = viewer is not None and not viewer["scopes"].isdisjoint(TABLE_PAGE_SCOPES)
    told |= {"viewer": viewer, "here": here, "shared_until": shared_until, "linked": linked}
    return render(
        "report.html", **told, judged=_judged(around.judged), learned=around.learned, seal=around.seal
    )


def _judged(judged: int) -> str:
    """How many decisions have a verdict, as the subject of a sentence."""
    if judged >= MOST_COUNTED:
        return f"more than {MOST_COUNTED - 1:,} decisions"
    return {0: "no decision", 1: "one decision"}.get(judged, f"{judged} decisions")


def table_diff(
    stored: tuple[StoredTable, StoredTable],
    tables: tuple[RuleTable, RuleTable],
    diff: TableDiff,
    about: ComparedRemarks,
    **around: Any,
) -> str:
    """What the second table has otherwise than the first, for a person who reviews it."""
    return render("table_diff.html", **diff_context(stored, tables, diff, about), **around)


def docs(document: dict[str, Any]) -> str:
    """The OpenAPI document as a page."""
    return render("docs.html", here="/docs", **docs_context(document))
