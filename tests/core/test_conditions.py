"""Three-valued conditions: true, false, or not known because nobody looked."""

from itertools import product
from typing import Any

import msgspec
import pytest

from coldcase.core.conditions import applies, holds, machine_of, passes_gate
from coldcase.core.rule_table import Condition, Gate, When
from tests.core.tables import case_of, starter

VALUES = (True, False, None)
PAIRS = list(product(VALUES, repeat=2))
OBSERVED = {"yes": frozenset({"present"}), "no": frozenset({"none"})}
SAYS = {
    True: {"finding": "yes", "in": ["present"]},
    False: {"finding": "no", "in": ["present"]},
    None: {"finding": "unseen", "in": ["present"]},
}


def said(condition: dict[str, Any]) -> bool | None:
    return holds(msgspec.convert(condition, Condition), OBSERVED)


@pytest.mark.parametrize(("a", "b"), PAIRS)
def test_all_is_false_by_one_false_and_unknown_by_one_unknown(a: bool | None, b: bool | None) -> None:
    expected = False if False in (a, b) else None if None in (a, b) else True
    assert said({"all": [SAYS[a], SAYS[b]]}) is expected


@pytest.mark.parametrize(("a", "b"), PAIRS)
def test_any_is_true_by_one_true_and_unknown_by_one_unknown(a: bool | None, b: bool | None) -> None:
    expected = True if True in (a, b) else None if None in (a, b) else False
    assert said({"any": [SAYS[a], SAYS[b]]}) is expected


@pytest.mark.parametrize(("value", "negated"), [(True, False), (False, True), (None, None)])
def test_not_leaves_the_unknown_unknown(value: bool | None, negated: bool | None) -> None:
    assert said({"not": SAYS[value]}) is negated


@pytest.mark.parametrize(("value", "unless"), [(True, False), (False, True), (None, True)])
def test_unless_means_not_known_to_be(value: bool | None, unless: bool) -> None:
    assert said({"unless": SAYS[value]}) is unless


def test_conditions_nest() -> None:
    assert (
        said(
            {
                "all": [
                    SAYS[True],
                    {"any": [SAYS[False], {"not": SAYS[False]}]},
                    {"unless": {"all": [SAYS[None], SAYS[True]]}},
                ]
            }
        )
        is True
    )


@pytest.mark.parametrize(
    ("seen", "expected"),
    [({"brown"}, True), ({"brown", "black"}, True), ({"clear"}, False), ({"clear", "brown"}, None)],
)
def test_one_of_these_is_known_only_where_all_of_them_agree(seen: set[str], expected: bool | None) -> None:
    condition = msgspec.convert({"finding": "oil_colour", "in": ["brown", "black"]}, Condition)
    assert holds(condition, {"oil_colour": frozenset(seen)}) is expected


GATE = Gate(motors=["three_phase"], connections=["star", "delta"], compressor_types=["scroll"])


@pytest.mark.parametrize(
    ("machine", "expected"),
    [
        (("three_phase", "star", "scroll"), True),
        (("inverter", "star", "scroll"), False),
        (("three_phase", "part_winding", "scroll"), False),
        (("three_phase", "star", "screw"), False),
        ((None, None, None), True),
        (("three_phase", None, None), True),
        ((None, "part_winding", None), False),
    ],
)
def test_a_gate_stops_only_what_is_known_not_to_fit(
    machine: tuple[str | None, str | None, str | None], expected: bool
) -> None:
    assert passes_gate(GATE, *machine) is expected
    assert passes_gate(Gate(), *machine) is True


def test_unknown_motor_and_type_are_not_known() -> None:
    unit = case_of(
        unit={"motor": "unknown", "compressor_type": "unknown", "winding_connection": "unknown"}
    ).unit
    assert machine_of(unit) == (None, None, None)


def test_a_single_phase_motor_has_a_single_phase_connection() -> None:
    assert machine_of(case_of(unit={"motor": "single_phase", "compressor_type": "rotary"}).unit) == (
        "single_phase",
        "single_phase",
        "rotary",
    )
    assert machine_of(case_of(unit={"motor": "three_phase", "compressor_type": "scroll"}).unit) == (
        "three_phase",
        None,
        "scroll",
    )


def on(when: dict[str, Any], **members: Any) -> bool:
    unit = {
        "motor": "inverter",
        "compressor_type": "scroll",
        "refrigerant": "R-717",
        **members.pop("unit", {}),
    }
    return applies(msgspec.convert(when, When), case_of(unit=unit, **members), OBSERVED, starter())


def test_advice_without_a_condition_always_applies() -> None:
    assert on({})


def test_advice_for_a_unit_needs_that_unit() -> None:
    assert on({"unit": {"motor": ["inverter", "single_phase"]}})
    assert not on({"unit": {"motor": ["three_phase"]}})
    assert not on({"unit": {"lubricant": ["POE"]}})


def test_advice_for_a_refrigerant_goes_by_its_class_and_safety_group() -> None:
    assert on({"unit": {"refrigerant_class": ["ammonia"]}})
    assert on({"unit": {"refrigerant_safety": ["B2L"]}})
    assert not on({"unit": {"refrigerant_safety": ["A1"]}}, unit={"refrigerant": "R-unheard-of"})
    assert not on({"unit": {"refrigerant_safety": ["A1"]}}, unit={"refrigerant": None})


def test_advice_for_an_opening_needs_it_to_be_said() -> None:
    assert on({"opening": {"cleaned_before": [True]}}, opening={"cleaned_before": True})
    assert not on({"opening": {"cleaned_before": [True]}}, opening={"cleaned_before": False})
    assert not on({"opening": {"method": ["grinder"]}})


def test_advice_on_a_finding_needs_it_to_be_known() -> None:
    assert on({"observed": SAYS[True]})
    assert not on({"observed": SAYS[False]})
    assert not on({"observed": SAYS[None]})


@pytest.mark.parametrize(("count", "expected"), [(None, True), (4, True), (1, False)])
def test_siblings_are_thought_of_unless_the_machine_is_known_to_stand_alone(
    count: int | None, expected: bool
) -> None:
    assert on({"siblings": True}, unit={"compressors_on_circuit": count}) is expected


def test_all_that_is_asked_must_hold() -> None:
    both = {"unit": {"motor": ["inverter"]}, "opening": {"method": ["grinder"]}}
    assert on(both, opening={"method": "grinder"})
    assert not on(both, opening={"method": "saw"})
    assert not on(both, opening={"method": "grinder"}, unit={"motor": "three_phase"})
