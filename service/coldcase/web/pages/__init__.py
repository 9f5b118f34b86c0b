"""What people read: a decision as a report, two rule tables compared, the service's description.
`web/rendering.py` has what is around them; nothing comes from another host, and each can be read without
scripts.
"""

from typing import Any

from coldcase.core.answer import Answer
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.diffing import TableDiff
from coldcase.core.rule_table import RuleTable
from coldcase.db.rule_tables import StoredTable
from coldcase.decision_record import DecisionInContext
from coldcase.web.pages.differences import diff_context
from coldcase.web.pages.report import afterwards, report_context
from coldcase.web.remark_schemas import ComparedRemarks
from coldcase.web.rendering import render


def report(
    answer: Answer,
    case: dict[str, Any],
    compiled: CompiledTable,
    record: DecisionInContext,
    **around: Any,
) -> str:
    """The report of one decision: what failed it, how sure that is, what shows it, what to do, what became of
    it.
    """
    return render(
        "report.html", **report_context(answer, case, compiled), **afterwards(record, compiled), **around
    )


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
    paths = dict(sorted(document["paths"].items(), key=lambda path: not path[0].startswith("/v1")))
    return render("docs.html", document={**document, "paths": paths})
