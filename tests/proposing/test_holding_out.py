"""What a proposal is tried on: what it was not learned from; and the temperature by it."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest

from coldcase.core.compiled_table import CompiledTable
from coldcase.core.learning import PriorStrength
from coldcase.core.rule_table import NO_FAULT, UNLISTED
from coldcase.core.short_answers import ShortAnswer
from coldcase.db.proposals import JudgedCase
from coldcase.proposing.holding_out import FOLDS, HeldOut, Part, parts_of, temperatures
from coldcase.proposing.learner import Learner, with_known_causes
from coldcase.proposing.summary import draft_note
from tests.core.tables import MACHINES, compiled_of, finding, table

FIRST = datetime(2026, 1, 1, tzinfo=UTC)


def judged(number: int, circuit: str | None, cause: str | None = "wet") -> JudgedCase:
    return JudgedCase(UUID(int=number), 1, circuit, FIRST + timedelta(days=number), cause)


def small() -> CompiledTable:
    return compiled_of(
        table(
            {"wet": 30, "dry": 30, NO_FAULT: 5, UNLISTED: 1},
            {"colour": finding(["clear", "black"], [60, 40], per_hundred={"wet": [30, 70], "dry": [80, 20]})},
            retired=[
                {"kind": "cause", "code": "damp", "renamed_to": "wet"},
                {"kind": "cause", "code": "gone"},
            ],
        )
    )


def page(cases: list[JudgedCase], colour: Any) -> list[tuple[JudgedCase, str]]:
    return [
        (case, json.dumps({"unit": MACHINES[0], "observations": {"colour": colour(case)}})) for case in cases
    ]


def test_a_circuit_is_left_out_whole_and_the_newest_fifth_of_all():
    cases = [judged(number, f"rack-{number % 23}") for number in range(100)] + [
        judged(number, None) for number in range(100, 150)
    ]
    parts = parts_of(cases)
    by_circuit: dict[str, set[int]] = {}
    for case, part in parts.items():
        by_circuit.setdefault(case.circuit or str(case.id), set()).add(part.fold)
    assert all(len(folds) == 1 for folds in by_circuit.values())
    assert {part.fold for part in parts.values()} == {*range(FOLDS)}
    assert {case.id.int for case, part in parts.items() if part.late} == {*range(120, 150)}
    assert parts_of(cases[::-1]) == parts


def test_what_is_left_out_teaches_nothing_of_how_it_is_answered():
    # One circuit alone has seen black oil of the wet; the others clear oil.
    cases = [judged(number, f"rack-{number // 30}") for number in range(90)]
    (fold,) = {part.fold for case, part in parts_of(cases).items() if case.circuit == "rack-1"}
    learner = Learner(small(), cases, PriorStrength(rows=10))
    learner.count(page(cases, lambda case: "black" if case.circuit == "rack-1" else "clear"))
    assert learner.fit()
    without = learner._folds[fold].table.findings["colour"].per_hundred["wet"]
    others = [case for case in cases if parts_of(cases)[case].fold != fold]
    assert without == pytest.approx(
        [100 * (3 + len(others)) / (10 + len(others)), 700 / (10 + len(others))], abs=0.01
    )
    early = learner._early.table.findings["colour"].per_hundred["wet"]
    # The newest fifth are 18 cases of the last circuit.
    assert early == pytest.approx([100 * (3 + 42) / 82, 100 * (7 + 30) / 82], abs=0.01)


def test_the_figures_are_of_every_case_once():
    cases = [judged(number, f"rack-{number}", "wet" if number % 2 else "dry") for number in range(60)]
    learner = Learner(small(), cases, PriorStrength(rows=10))
    read = page(cases, lambda case: "black" if case.cause == "wet" else "clear")
    learner.count(read)
    assert learner.fit()
    learner.try_out(read[:17])
    learner.try_out(read[17:])
    learned, summary = learner.result({"nobody could say a cause": 3})
    assert (summary.judged, summary.by_cause) == (60, {"dry": 30, "wet": 30})
    assert (summary.circuits.judged, summary.times.judged) == (60, 12)
    assert summary.left_out == {"nobody could say a cause": 3}
    assert summary.circuits.after.log_loss.mean < summary.circuits.before.log_loss.mean
    assert summary.worse == []
    assert learned.table.findings["colour"].per_hundred["wet"] == [7.5, 92.5]
    note = draft_note(summary, 1)
    assert "WORSE" not in note
    assert f"{summary.circuits.after.right.count} right" in note


def test_a_proposal_that_is_worse_says_so_plainly():
    # What the earlier circuits show is turned round in every circuit that is answered: the others mislead.
    fold_of = {
        case.circuit: part.fold for case, part in parts_of([judged(n, f"rack-{n}") for n in range(9)]).items()
    }
    other = next(circuit for circuit, fold in fold_of.items() if fold != fold_of["rack-0"])
    cases = [judged(number, "rack-0" if number < 12 else other) for number in range(24)]
    learner = Learner(small(), cases, PriorStrength(rows=1, fit_temperature=False))
    read = page(cases, lambda case: "black" if case.circuit == "rack-0" else "clear")
    learner.count(read)
    assert learner.fit()
    learner.try_out(read)
    _, summary = learner.result({})
    assert any("log loss is worse" in one for one in summary.worse)
    assert "It is WORSE than its base in this: On circuits left out" in draft_note(summary, 1)


def test_causes_go_by_their_new_names_and_those_that_are_gone_are_left_out():
    given = [
        judged(number, None, cause) for number, cause in enumerate(["damp", "gone", "odd", None, UNLISTED])
    ]
    kept, left_out = with_known_causes(given, small())
    assert [case.cause for case in kept] == ["wet", UNLISTED]
    assert left_out == {"the table no longer has the cause": 2, "nobody could say a cause": 1}


def answer(confidence: float) -> ShortAnswer:
    return ShortAnswer("wet", "coded", confidence, {"wet": confidence, "dry": 1 - confidence}, ())


def tempered(tried: float, evidence: float) -> ShortAnswer:
    odds = 10 ** (evidence / tried)
    return answer(odds / (1 + odds))


def held_out(cases: int, right: float, evidence: float) -> HeldOut:
    """Answers that are as sure as such evidence (bans) makes them, and right in a share of cases."""
    held = HeldOut(1.0)
    for number in range(cases):
        for tried in temperatures(1.0):
            after = tempered(tried, evidence)
            cause = "wet" if number < right * cases else "dry"
            held.add_circuit(Part(number % FOLDS, late=False), tried, answer(0.5), after, cause)
    return held


@pytest.mark.parametrize(
    ("cases", "right", "evidence", "least", "most"),
    [
        # Evidence of 2 bans says 0.99; right in 0.99 of them it is left as it is.
        (1000, 0.99, 2.0, 1.0, 1.0),
        # Right in 0.76, odds of 10^0.5: a temperature of four.
        (1000, 0.76, 2.0, 3.5, 4.5),
        # A few cases say little against the table's own.
        (4, 0.75, 2.0, 1.0, 1.3),
        (0, 1, 2.0, 1.0, 1.0),
    ],
)
def test_the_temperature_is_what_makes_the_log_loss_on_what_was_left_out_least(
    cases, right, evidence, least, most
):
    assert least <= held_out(cases, right, evidence).temperature() <= most


def test_each_part_is_shown_at_the_temperature_that_the_others_give():
    held = HeldOut(1.0)
    for fold in range(FOLDS):
        for number in range(200):
            for tried in temperatures(1.0):
                # Sure in all parts; in the first it is wrong half the time, in the others never.
                cause = "dry" if fold == 0 and number % 2 else "wet"
                held.add_circuit(Part(fold, late=False), tried, answer(0.5), tempered(tried, 1.0), cause)
    assert held._by_others(0) == 1.0 < held._by_others(1)
    after = held.by_circuits().after
    assert (after.right, after.wrong) == (900, 100)
    others, first = tempered(held._by_others(1), 1.0).confidence, tempered(1.0, 1.0).confidence
    assert sum(after.sums) == pytest.approx(800 * others + 200 * first)


def test_temperatures_stay_within_what_a_table_may_have():
    assert temperatures(1.0)[0] == 1.0
    assert (min(temperatures(9.0)), max(temperatures(9.0))) == (1.01, 10)
    assert 3.3 in temperatures(3.3)
