"""What stands on the report of one decision, worked out before the template sees it."""

from typing import Any

from coldcase.auditing.reading import Record
from coldcase.core.answer import Answer, Ranked, Weight
from coldcase.core.compiled import Book

WIDEST = 20.0
"""Decibans that fill half of the balance; heavier evidence is drawn no wider."""

STATUS = {
    "coded": "named: the evidence carries it",
    "provisional": "named for now: the evidence is weaker than a code asks for",
    "undetermined": "not named: the evidence does not carry it",
}
MACHINE = {
    "damaged": "The findings show damage in the compressor.",
    "sound": "The findings show a sound compressor.",
    "not_shown": "The findings do not say whether the compressor itself is damaged.",
}
UNTITLED = {
    "unlisted": "A cause that the table does not know",
    "undetermined": "Not determined",
    "not_determinable": "Cannot be determined",
}
STEP = {"seen": "seen", "not_seen": "looked for, not seen", "not_checked": "not looked at"}
BEFORE = {"opening": "before opening", "scrapping": "before scrapping", "restart": "before restart"}
EFFORT = {"ask": "ask", "look": "look", "meter": "measure", "open": "open up", "lab": "laboratory"}


def leaf(answer: Answer, case: dict[str, Any], book: Book) -> dict[str, Any]:
    """The template's words."""
    return {
        "answer": answer,
        "unit": [(name.replace("_", " "), _shown(value)) for name, value in case.get("unit", {}).items()],
        "job": [(name.replace("_", " "), _shown(value)) for name, value in case.get("job", {}).items()],
        "evidence": case.get("evidence", []),
        "status": STATUS[answer.status],
        "machine": MACHINE[answer.machine],
        "in_hundred": in_hundred(answer.confidence),
        "leaders": [(cause_title(ranked.cause, book), ranked.confidence) for ranked in leaders(answer)],
        "balance": [_row(weight, book) for weight in (*answer.rationale, *answer.against)],
        "chain": [(link.step, link.state, STEP[link.state], [finding_title(code, book) for code in link.by]) for link in answer.chain],
        "contributing": [
            (cause_title(row.cause, book), row.support_decibans, [finding_title(code, book) for code in row.explains])
            for row in answer.contributing
        ],
        "unexplained": [finding_title(code, book) for code in answer.unexplained],
        "discounted": [(finding_title(row.finding, book), round(row.kept * 100), row.reason) for row in answer.discounted],
        "checks": [(row.question, EFFORT.get(row.effort, row.effort), BEFORE.get(row.before or "", "")) for row in answer.next_checks],
    }


BASIS = {"teardown": "teardown", "laboratory": "laboratory", "field": "in the field", "supplier_report": "supplier's report"}


def afterwards(record: Record, book: Book) -> dict[str, Any]:
    """Verdicts on the decision, the newest first, and earlier decisions on the same circuit."""
    return {
        "verdicts": [
            (cause_title(row.cause or "not_determinable", book), BASIS[row.basis], row.recorded_at, row.person, row.note)
            for row in record.verdicts
        ],
        "earlier": [(cause_title(row.cause, book), row.at, row.job_ref or str(row.id)) for row in record.earlier],
    }


def in_hundred(confidence: float) -> int:
    """Of 100 answers this sure, how many should turn out right; never all of them."""
    return min(round(confidence * 100), 99)


def leaders(answer: Answer) -> list[Ranked]:
    """The three causes that come next; where none is named, the three that lead."""
    first = 0 if answer.status == "undetermined" else 1
    return answer.ranking[first : first + 3]


def outcome_titles(code: str, outcome: str | list[str], book: Book) -> str:
    """The outcome of a finding as a person says it; of several, joined by "or"."""
    outcomes = outcome if isinstance(outcome, list) else [outcome]
    finding = book.table.findings.get(code)
    titles = {outcome.code: outcome.title for outcome in finding.outcomes} if finding else {}
    return " or ".join(titles.get(each, each.replace("_", " ")) for each in outcomes)


def _row(weight: Weight, book: Book) -> dict[str, Any]:
    return {
        "finding": finding_title(weight.finding, book),
        "outcome": outcome_titles(weight.finding, weight.outcome, book),
        "decibans": weight.decibans,
        "share": min(abs(weight.decibans) / WIDEST, 1) * 50,
        "strength": weight.strength,
        "sentence": weight.sentence,
        "counted": weight.counted,
        "source": weight.source,
    }


def finding_title(code: str, book: Book) -> str:
    """A finding's or pattern's title."""
    row = book.table.findings.get(code) or book.table.patterns.get(code)
    return row.title if row else code.replace("_", " ")


def cause_title(code: str, book: Book) -> str:
    """A cause's title."""
    cause = book.table.causes.get(code)
    return cause.title if cause else UNTITLED.get(code, code.replace("_", " "))


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return " ".join(str(part) for part in value.values())
    return str(value).replace("_", " ")
