"""Replay: a decision computed again from its own record, to see whether the same comes out."""

from functools import partial
from typing import Any, Literal

import msgspec

from coldcase.core import ENGINE_VERSION
from coldcase.core.answer import Answer, DerivedValue, Source, Weight
from coldcase.core.compiled import Book
from coldcase.core.intake import take
from coldcase.core.json_text import read_json
from coldcase.core.leaves import is_as_sent
from coldcase.core.reporting import REFUSAL, Question, explain
from coldcase.db.decisions import Decision
from coldcase.errors import BadCase, Malformed

Verdict = Literal["identical", "engine_changed", "corrupt"]

OF_THE_RECORD = ("id", "recorded", "recorded_at", "engine")
"""Members of an answer that are not computed."""


class Difference(msgspec.Struct, frozen=True):
    """A member of the answer that comes out otherwise now."""

    member: str
    recorded: Any
    replayed: Any


class Replay(msgspec.Struct, frozen=True, kw_only=True):
    """What came of a replay. `why` says what is corrupt."""

    result: Verdict
    recorded_engine: str
    engine: str = ENGINE_VERSION
    rule_table: int
    differences: list[Difference] = []
    why: str | None = None


def replay(decision: Decision, book: Book) -> Replay:
    """Computes a decision again from the stored case and the recorded derived quantities, under the table that answered.

    Nothing is worked out from readings again, so the result does not depend on the property library of the day.
    """
    told = partial(Replay, recorded_engine=decision.engine, rule_table=decision.rule_table)
    try:
        recorded = msgspec.json.decode(decision.answer)
        answer = msgspec.json.decode(decision.answer, type=_Recorded)
        raw = read_json(decision.case)
    except (msgspec.DecodeError, Malformed, UnicodeDecodeError) as error:
        return told(result="corrupt", why=f"The stored text cannot be read: {error}.")
    if (why := _corruption(decision, answer, book)) is not None:
        return told(result="corrupt", why=why)
    try:
        again = _again(raw, answer, book)
    except BadCase as error:
        flaw = error.flaws[0]
        refused = Difference("case", None, f"{flaw.pointer}: {flaw.detail}")
        return told(result="engine_changed", differences=[refused])
    differences = _differences(recorded, msgspec.to_builtins(again))
    return told(result="engine_changed" if differences else "identical", differences=differences)


class _Recorded(msgspec.Struct):
    """What a replay needs of an answer, whichever engine wrote it."""

    notes: list[str]
    derived: list[DerivedValue]
    rationale: list[Weight]
    against: list[Weight]
    next_checks: list[Any]
    rule_table: dict[str, Any]
    engine: dict[str, Any]
    confidence: float
    cause: str


def _corruption(decision: Decision, answer: _Recorded, book: Book) -> str | None:
    if not is_as_sent(decision.case.decode(), decision.fingerprint, answer.notes):
        return "The stored case is not the one whose fingerprint was recorded with it."
    if answer.rule_table.get("digest") != book.digest or answer.rule_table.get("version") != decision.rule_table:
        return "The answer names another rule table than the one that the record holds under this number."
    if (answer.cause, round(answer.confidence * 10_000)) != (decision.cause, decision.confidence):
        return "Cause or confidence beside the answer are not the answer's."
    return None


def _again(raw: Any, answer: _Recorded, book: Book) -> Answer:
    taken = take(raw, book)
    notes = [note for note in answer.notes if not note.startswith(REFUSAL)]
    question = Question(
        taken.case,
        derived=_derived(answer, book),
        values=answer.derived,
        notes=notes,
        properties=answer.engine.get("properties"),
    )
    # Some are recorded without next checks (bulk); whether there were none or none were asked for the record does not say.
    return explain(question, book, next_checks=bool(answer.next_checks))


def _derived(answer: _Recorded, book: Book) -> dict[str, tuple[tuple[str, ...], Source]]:
    """The findings that the recorded quantities yielded: of several for one finding the worst, as when they were judged."""
    sources = {weight.finding: weight.source for weight in (*answer.rationale, *answer.against)}
    found: dict[str, tuple[str, ...]] = {}
    for value in answer.derived:
        if value.finding is None or value.outcome is None or value.superseded or value.finding not in book.table.findings:
            continue
        outcomes = (value.outcome,) if isinstance(value.outcome, str) else tuple(value.outcome)
        if value.finding not in found or _rank(value.finding, outcomes, book) > _rank(value.finding, found[value.finding], book):
            found[value.finding] = outcomes
    return {finding: (outcomes, sources.get(finding, "reading")) for finding, outcomes in found.items()}


def _rank(finding: str, outcomes: tuple[str, ...], book: Book) -> int:
    order = [outcome.code for outcome in book.table.findings[finding].outcomes]
    return max(order.index(outcome) for outcome in outcomes)


def _differences(recorded: dict[str, Any], replayed: dict[str, Any]) -> list[Difference]:
    members = [name for name in dict.fromkeys([*recorded, *replayed]) if name not in OF_THE_RECORD]
    return [
        Difference(name, recorded.get(name), replayed.get(name))
        for name in members
        if name not in recorded or name not in replayed or recorded[name] != replayed[name]
    ]
