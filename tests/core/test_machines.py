"""Weighing on some machines: base rates that hold there, causes and outcomes that cannot be there."""

import pytest

from coldcase.core.answer_builder import CaseWithReadings, build_answer
from coldcase.core.conditions import machine_of, passes_gate
from coldcase.core.rule_table import NO_FAULT, UNLISTED
from tests.core.tables import (
    MACHINES,
    case_of,
    cause,
    compiled_of,
    compiled_starter,
    finding,
    outcomes_of,
    posterior,
    starter,
    table,
    weighed_of,
)


def test_base_rates_of_a_machine_hold_only_where_that_machine_is_known() -> None:
    override = {"when": {"motors": ["three_phase"], "connections": ["star"]}, "rates": {"leak": 80}}
    compiled = compiled_of(
        table(
            {"leak": 20, "wear": 20},
            {"sign": finding(["no", "yes"], [90, 10])},
            base_rate_overrides=[override],
        )
    )
    units = [
        MACHINES[0],
        MACHINES[1],
        {**MACHINES[1], "winding_connection": "delta"},
        {**MACHINES[1], "winding_connection": "star"},
    ]
    shares = [posterior(weighed_of(case_of(unit=unit), compiled))["leak"] for unit in units]
    assert shares == pytest.approx([0.5, 0.5, 0.5, 0.8], abs=1e-6)


def test_a_machine_that_no_damaging_cause_can_reach_still_gets_a_ranking() -> None:
    causes = {"leak": cause(gate={"motors": ["inverter"]}), NO_FAULT: cause()}
    compiled = compiled_of(
        table(
            {"leak": 50, NO_FAULT: 50}, {"sign": finding(["no", "some", "yes"], [80, 10, 10])}, causes=causes
        )
    )
    for seen in ("yes", ["some", "yes"]):
        answer = build_answer(CaseWithReadings(case_of({"sign": seen}, unit=MACHINES[1])), compiled)
        assert [row.cause for row in answer.ranking] == [NO_FAULT, UNLISTED]


@pytest.mark.parametrize("unit", MACHINES)
def test_what_cannot_be_on_a_machine_is_not_in_its_ranking(unit: dict[str, str]) -> None:
    machine = machine_of(case_of(unit=unit).unit)
    possible = {code for code, cause in starter().causes.items() if passes_gate(cause.gate, *machine)}
    answer = build_answer(CaseWithReadings(case_of(unit=unit)), compiled_starter())
    assert {row.cause for row in answer.ranking} == possible | {UNLISTED}
    assert ("start_gear_fault" in possible) == (unit["motor"] in ("single_phase", "unknown"))


def test_an_unknown_machine_rules_no_cause_out() -> None:
    assert (
        len(build_answer(CaseWithReadings(case_of()), compiled_starter()).ranking)
        == len(starter().causes) + 1
    )


def test_the_outcomes_that_remain_on_a_machine_share_what_the_others_leave() -> None:
    steam = {"gate": {"motors": ["inverter"]}}
    rows = {
        "sign": finding(
            outcomes_of(["no", "yes", "spark"], spark=steam), [50, 25, 25], per_hundred={"leak": [20, 20, 60]}
        )
    }
    compiled = compiled_of(table({"leak": 50, "wear": 50}, rows))
    shares = posterior(weighed_of(case_of({"sign": "yes"}, unit=MACHINES[1]), compiled))
    assert shares["leak"] / shares["wear"] == pytest.approx((20 / 40) / (25 / 75), rel=1e-6)
    unknown = posterior(weighed_of(case_of({"sign": "yes"}), compiled))
    assert unknown["leak"] / unknown["wear"] == pytest.approx(20 / 25, rel=1e-6)
