"""What people read: a decision as a report, the service's description as a page. No script, no outside asset."""

from typing import Any

from jinja2 import Environment, PackageLoader

from coldcase.core.answer import Answer
from coldcase.core.compiled import Book
from coldcase.web.pages.report import leaf


def _environment() -> Environment:
    return Environment(loader=PackageLoader("coldcase.web", "pages"), autoescape=True, trim_blocks=True)


def report(answer: Answer, case: dict[str, Any], book: Book) -> str:
    """The report of one decision: what failed it, how sure that is, what shows it, what to do."""
    return _environment().get_template("report.html").render(leaf(answer, case, book))


def docs(document: dict[str, Any]) -> str:
    """The OpenAPI document as a page."""
    return _environment().get_template("docs.html").render(document=document)
