"""What people are told of an answer's codes: titles and words, the same on a terminal and on a page."""

from coldcase.core.answer import Answer, Ranked
from coldcase.core.compiled_table import CompiledTable

UNTITLED = {
    "unlisted": "A cause that the table does not know",
    "undetermined": "Not determined",
    "not_determinable": "Cannot be determined",
}


ROLE_WORDS = {
    "initiating": "May have begun it",
    "following": "May have followed from it",
    "beside": "May have been at work beside it",
}
STEP_WORDS = {"seen": "seen", "not_seen": "looked for, not seen", "not_checked": "not looked at"}


def in_hundred(confidence: float) -> int:
    """Of 100 answers this sure, how many should turn out right; never all of them."""
    return min(round(confidence * 100), 99)


def leaders(answer: Answer) -> list[Ranked]:
    """The three causes that come next; where none is named, the three that lead."""
    first = 0 if answer.status == "undetermined" else 1
    return answer.ranking[first : first + 3]


def outcome_titles(
    code: str, outcome: str | list[str], compiled: CompiledTable, *, absent: bool = False
) -> str:
    """The outcome of a finding as a person says it; of several, joined by "or". A sign that is `absent` was
    looked for and is not there.
    """
    outcomes = outcome if isinstance(outcome, list) else [outcome]
    finding = compiled.table.findings.get(code)
    titles = {outcome.code: outcome.title for outcome in finding.outcomes} if finding else {}
    words = " or ".join(titles.get(each, each.replace("_", " ")) for each in outcomes)
    return f"Not there: {words[:1].lower()}{words[1:]}" if absent else words


def finding_title(code: str, compiled: CompiledTable) -> str:
    """A finding's or pattern's title."""
    row = compiled.table.findings.get(code) or compiled.table.patterns.get(code)
    return row.title if row else code.replace("_", " ")


def cause_title(code: str, compiled: CompiledTable) -> str:
    """A cause's title."""
    cause = compiled.table.causes.get(code)
    return cause.title if cause else UNTITLED.get(code, code.replace("_", " "))
