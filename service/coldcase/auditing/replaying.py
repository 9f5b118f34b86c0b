"""Replay: a decision computed again from its own record, to see whether the same comes out."""

from functools import partial
from typing import Any, Literal

import msgspec

from coldcase.core import ENGINE_VERSION
from coldcase.core.answer import Answer, DerivedValue, Lead, LeftOut, Source, Weight
from coldcase.core.answer_builder import CaseWithReadings, build_answer
from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.recorded_case import weighed_part
from coldcase.core.strict_json import read_json
from coldcase.db.decisions import Decision
from coldcase.errors import BadCase, Malformed
from coldcase.proof.leaves import is_as_sent

ReplayResult = Literal["identical", "engine_changed", "corrupt"]

NOT_COMPARED = ("id", "recorded", "recorded_at", "engine", "next_checks")
"""Members of an answer that are not computed from the case, or not alike on every machine: next checks depend
on the efforts that were asked for and are worked out in single precision.
"""

SINCE = {"left_out": (1, 1, 0), "refused_because": (1, 1, 0), "leads": (2, 1, 0)}
"""Members that earlier engines' answers do not have, and from which engine on; what an answer had no place
for did not change."""

OLD_REFUSAL = "No cause is named."
"""How the notes begin, in the answers of the first engine, that say why no cause is named."""


class Difference(msgspec.Struct, frozen=True):
    """A member of the answer that comes out otherwise now."""

    member: str
    recorded: Any
    replayed: Any


class Replay(msgspec.Struct, frozen=True, kw_only=True):
    """What came of a replay. `why` says what is corrupt."""

    result: ReplayResult
    recorded_engine: str
    engine: str = ENGINE_VERSION
    rule_table: int
    differences: list[Difference] = []
    why: str | None = None


def replay(decision: Decision, compiled: CompiledTable) -> Replay:
    """Computes a decision again from the stored case and the recorded derived quantities, under the table
    that answered.

    Nothing is worked out from readings again, so the result does not depend on the property library of the
    day.
    """
    told = partial(Replay, recorded_engine=decision.engine, rule_table=decision.rule_table)
    try:
        recorded = msgspec.json.decode(decision.answer)
        answer = msgspec.json.decode(decision.answer, type=_Recorded)
        raw = read_json(decision.case)
    except (msgspec.DecodeError, Malformed, UnicodeDecodeError) as error:
        return told(result="corrupt", why=f"The stored text cannot be read: {error}.")
    if not is_as_sent(decision.case.decode(), decision.fingerprint, recorded, decision.own_words):
        return told(
            result="corrupt", why="The stored case is not the one whose fingerprint was recorded with it."
        )
    if (why := _corruption(decision, answer, compiled)) is not None:
        return told(result="corrupt", why=why)
    try:
        again = _again(raw, answer, compiled)
    except BadCase as error:
        flaw = error.flaws[0]
        refused = Difference("case", None, f"{flaw.pointer}: {flaw.detail}")
        return told(result="engine_changed", differences=[refused])
    differences = _differences(recorded, msgspec.to_builtins(again), decision.engine)
    return told(result="engine_changed" if differences else "identical", differences=differences)


class _Recorded(msgspec.Struct):
    """What a replay needs of an answer, whichever engine wrote it."""

    notes: list[str]
    derived: list[DerivedValue]
    rationale: list[Weight]
    against: list[Weight]
    rule_table: dict[str, Any]
    engine: dict[str, Any]
    confidence: float
    cause: str
    job_ref: str | None
    refused_because: str | msgspec.UnsetType | None = msgspec.UNSET
    left_out: list[LeftOut] | msgspec.UnsetType = msgspec.UNSET
    leads: list[Lead] = []


def _corruption(decision: Decision, answer: _Recorded, compiled: CompiledTable) -> str | None:
    if (
        answer.rule_table.get("digest") != compiled.digest
        or answer.rule_table.get("version") != decision.rule_table
    ):
        return "The answer names another rule table than the one that the record holds under this number."
    if (answer.cause, round(answer.confidence * 10_000)) != (decision.cause, decision.confidence):
        return "Cause or confidence beside the answer are not the answer's."
    return None


def _again(raw: Any, answer: _Recorded, compiled: CompiledTable) -> Answer:
    parsed = parse_case(weighed_part(raw), compiled)
    case_with_readings = CaseWithReadings(
        parsed.case,
        derived=_derived(answer, compiled),
        values=answer.derived,
        properties=answer.engine.get("properties"),
        left_out=answer.left_out or (),
    )
    again = build_answer(case_with_readings, compiled, next_checks=False)
    named = {"job_ref": _job_ref(raw, answer), "supersedes": raw.get("supersedes")}
    return msgspec.structs.replace(
        again, **named, notes=[*_notes_on_the_case(answer, len(again.notes)), *again.notes]
    )


def _job_ref(raw: dict[str, Any], answer: _Recorded) -> str | None:
    """The reference as it was sent, or without the blanks around it, as the later engines read it."""
    sent: str | None = (raw.get("job") or {}).get("ref")
    return sent if sent is None or sent == answer.job_ref else sent.strip()


def _notes_on_the_case(answer: _Recorded, refusals: int) -> list[str]:
    """The recorded notes but for those that say why no cause is named, which come last; of them a replay
    makes `refusals`.
    """
    if answer.refused_because is msgspec.UNSET:
        return [note for note in answer.notes if not note.startswith(OLD_REFUSAL)]
    return answer.notes if answer.refused_because is None or not refusals else answer.notes[:-refusals]


def _derived(answer: _Recorded, compiled: CompiledTable) -> dict[str, tuple[tuple[str, ...], Source]]:
    """The findings that the recorded quantities yielded: of several for one finding the worst, as when they
    were judged.
    """
    leading = [weight for lead in answer.leads for weight in lead.support]
    sources = {weight.finding: weight.source for weight in (*answer.rationale, *answer.against, *leading)}
    found: dict[str, tuple[str, ...]] = {}
    for value in answer.derived:
        if (
            value.finding is None
            or value.outcome is None
            or value.superseded
            or value.finding not in compiled.table.findings
        ):
            continue
        outcomes = (value.outcome,) if isinstance(value.outcome, str) else tuple(value.outcome)
        if value.finding not in found or _rank(value.finding, outcomes, compiled) > _rank(
            value.finding, found[value.finding], compiled
        ):
            found[value.finding] = outcomes
    return {finding: (outcomes, sources.get(finding, "reading")) for finding, outcomes in found.items()}


def _rank(finding: str, outcomes: tuple[str, ...], compiled: CompiledTable) -> int:
    order = [outcome.code for outcome in compiled.table.findings[finding].outcomes]
    return max(order.index(outcome) for outcome in outcomes)


def _differences(recorded: dict[str, Any], replayed: dict[str, Any], engine: str) -> list[Difference]:
    newer = {name for name, since in SINCE.items() if name not in recorded and _version(engine) < since}
    members = [
        name
        for name in dict.fromkeys([*recorded, *replayed])
        if name not in NOT_COMPARED and name not in newer
    ]
    return [
        Difference(name, recorded.get(name), replayed.get(name))
        for name in members
        if name not in recorded or name not in replayed or recorded[name] != replayed[name]
    ]


def _version(engine: str) -> tuple[int, ...]:
    return tuple(int(part) for part in engine.split(".") if part.isdecimal())
