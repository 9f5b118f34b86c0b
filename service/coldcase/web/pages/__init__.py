"""What people read: a decision as a report, two rule tables compared, the service's description. No script,
no outside asset.
"""

import re
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader
from markupsafe import Markup, escape

from coldcase.core.answer import Answer
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.diffing import TableDiff
from coldcase.core.rule_table import RuleTable
from coldcase.db.rule_tables import StoredTable
from coldcase.decision_record import DecisionInContext
from coldcase.web.pages.differences import diff_context
from coldcase.web.pages.report import afterwards, report_context
from coldcase.web.remark_schemas import ComparedRemarks


@cache
def _environment() -> Environment:
    """The templates, compiled once each."""
    made = Environment(loader=PackageLoader("coldcase.web", "pages"), autoescape=True, trim_blocks=True)
    made.filters["ticks"] = _ticks
    return made


def _ticks(text: str) -> Markup:
    """Backticks as code; everything else escaped."""
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(text))))  # noqa: S704  # escaped just there


def report(answer: Answer, case: dict[str, Any], compiled: CompiledTable, record: DecisionInContext) -> str:
    """The report of one decision: what failed it, how sure that is, what shows it, what to do, what became of
    it.
    """
    return (
        _environment()
        .get_template("report.html")
        .render(report_context(answer, case, compiled), **afterwards(record, compiled))
    )


def table_diff(
    stored: tuple[StoredTable, StoredTable],
    tables: tuple[RuleTable, RuleTable],
    diff: TableDiff,
    about: ComparedRemarks,
) -> str:
    """What the second table has otherwise than the first, for a person who reviews it."""
    return _environment().get_template("table_diff.html").render(diff_context(stored, tables, diff, about))


def docs(document: dict[str, Any]) -> str:
    """The OpenAPI document as a page."""
    paths = dict(sorted(document["paths"].items(), key=lambda path: not path[0].startswith("/v1")))
    return _environment().get_template("docs.html").render(document={**document, "paths": paths})
