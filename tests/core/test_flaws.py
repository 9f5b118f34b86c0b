"""What is wrong with a case: every flaw at once, each at its place, with the likeliest meant word."""

from typing import Any

import pytest

from coldcase.core.case_reader import parse_case
from coldcase.errors import MOST_FLAWS, BadCase, Flaw, as_told
from tests.core.cases import MANY, MANY_PLACES, UNIT, flaws, observing
from tests.core.tables import compiled_starter

FLAWED: dict[str, tuple[Any, str, str, str | None]] = {
    "not an object": ([], "", "A case is a JSON object.", None),
    "no unit": ({}, "/unit", "This member is required.", None),
    "no motor": ({"unit": {"compressor_type": "scroll"}}, "/unit/motor", "This member is required.", None),
    "unit is no object": ({"unit": "scroll"}, "/unit", "Expected 'object', got 'str'.", None),
    "unknown member": (
        {"unit": UNIT, "observation": {}},
        "/observation",
        "There is no member 'observation' here.",
        "observations",
    ),
    "unknown member of the unit": (
        {"unit": {**UNIT, "moter": "x"}},
        "/unit/moter",
        "There is no member 'moter' here.",
        "motor",
    ),
    "member with a slash and a tilde": (
        {"unit": UNIT, "a/b~c": 1},
        "/a~1b~0c",
        "There is no member 'a/b~c' here.",
        None,
    ),
    "unknown compressor type": (
        {"unit": {**UNIT, "compressor_type": "scrol"}},
        "/unit/compressor_type",
        "'scrol' is none of scroll, rotary,",
        "scroll",
    ),
    "a kind that is not covered": (
        {"unit": {**UNIT, "compressor_type": "centrifugal"}},
        "/unit/compressor_type",
        (
            "Open-drive, centrifugal and vehicle compressors are not covered: the rule table knows "
            "nothing of them."
        ),
        None,
    ),
    "number as text": (
        {"unit": {**UNIT, "rated_voltage_v": "400"}},
        "/unit/rated_voltage_v",
        "A number stands without quotation marks: 400.",
        None,
    ),
    "decimal comma": (
        {"unit": UNIT, "oil_results": {"acid_number_mg_koh_g": "0,05"}},
        "/oil_results/acid_number_mg_koh_g",
        (
            "The decimals stand after a point, not after a comma and a number stands without quotation "
            "marks: 0.05."
        ),
        None,
    ),
    "bound with a decimal comma": (
        {"unit": UNIT, "oil_results": {"acid_number_mg_koh_g": "<0,05"}},
        "/oil_results/acid_number_mg_koh_g",
        "The decimals stand after a point, not after a comma: <0.05.",
        None,
    ),
    "unknown pressure unit": (
        {"unit": UNIT, "readings": {"suction_pressure": {"value": 3, "unit": "psi"}}},
        "/readings/suction_pressure/unit",
        "'psi' is none of kPag, kPaa,",
        "psig or psia",
    ),
    "time without a zone": (
        {"unit": UNIT, "job": {"closed_at": "2026-03-02T16:40:00"}},
        "/job/closed_at",
        "Expected 'datetime' with a timezone component.",
        None,
    ),
    "a label with a control character": (
        {"unit": UNIT, "job": {"ref": "WO\x00"}},
        "/job/ref",
        "A label is one line of characters that can be seen",
        None,
    ),
    "a label that ends its line": (
        {"unit": UNIT, "job": {"ref": "WO\n"}},
        "/job/ref",
        "A label is one line of characters that can be seen",
        None,
    ),
    "unknown finding": (
        observing(copper_platin="heavy"),
        "/observations/copper_platin",
        "The rule table has no finding",
        "copper_plating",
    ),
    "finding in capitals": (
        observing(**{"Copper Plating": "heavy"}),
        "/observations/Copper Plating",
        "The rule table has no finding",
        "copper_plating",
    ),
    "unknown outcome": (
        observing(copper_plating="havy"),
        "/observations/copper_plating",
        "'Copper plating on steel parts' has no outcome 'havy'; it has none, light, heavy.",
        "heavy",
    ),
    "finding of another machine": (
        {
            "unit": {"compressor_type": "reciprocating", "motor": "three_phase"},
            "observations": {"scroll_wraps": "chipped_or_fractured"},
        },
        "/observations/scroll_wraps",
        "cannot be found on this motor, connection and compressor type.",
        None,
    ),
    "empty list of outcomes": (
        observing(oil_colour=[]),
        "/observations/oil_colour",
        "An outcome is a code, or a list of codes that could not be told apart.",
        None,
    ),
    "outcome named twice": (
        observing(oil_colour=["brown", "brown"]),
        "/observations/oil_colour",
        "An outcome is named twice.",
        None,
    ),
    "outcome as a number": (
        observing(oil_colour=3),
        "/observations/oil_colour",
        "An outcome is a code, or a list of codes",
        None,
    ),
    "outcome as a truth": (
        observing(oil_colour=True),
        "/observations/oil_colour",
        "An outcome is a code, or a list of codes",
        None,
    ),
    "a word for an open machine that says something else": (
        {"unit": UNIT, "opening": {"method": "open"}},
        "/opening/method",
        "'open' is none of not_opened, unbolted,",
        None,
    ),
    "a number as text in a list": (
        {"unit": UNIT, "readings": {"line_voltages_v": [401, "396,5", 399]}},
        "/readings/line_voltages_v/1",
        "not after a comma and a number stands without quotation marks: 396.5.",
        None,
    ),
    "a word of a list of outcomes": (
        observing(oil_colour=["brown", "blak"]),
        "/observations/oil_colour/1",
        "'Oil colour' has no outcome 'blak'; it has clear,",
        "black",
    ),
    "exhibit of an unknown finding": (
        {"unit": UNIT, "evidence": [{"uri": "a"}, {"uri": "b", "finding": "oil_color"}]},
        "/evidence/1/finding",
        "The rule table has no finding 'oil_color'.",
        "oil_colour",
    ),
    "exhibit without an address": (
        {"unit": UNIT, "evidence": [{}]},
        "/evidence/0/uri",
        "This member is required.",
        None,
    ),
    "exhibit that is none": (
        {"unit": UNIT, "evidence": ["photo"]},
        "/evidence/0",
        "An exhibit is a JSON object.",
        None,
    ),
    "supersedes that is no id": ({"unit": UNIT, "supersedes": "WO-1"}, "/supersedes", "Invalid UUID.", None),
    "a bound of another form": (
        {"unit": UNIT, "oil_results": {"water_mg_kg": "5<"}},
        "/oil_results/water_mg_kg",
        "The text is empty",
        None,
    ),
    "no winding resistance of three": (
        {"unit": UNIT, "readings": {"winding_resistances_ohm": []}},
        "/readings/winding_resistances_ohm",
        "Expected 'array' of length >= 1.",
        None,
    ),
    "three hundred observations": (
        observing(**{f"finding_{i}": "none" for i in range(300)}),
        "/observations",
        "Expected 'object' of length <= 200.",
        None,
    ),
}


@pytest.mark.parametrize(("raw", "pointer", "detail", "suggestion"), FLAWED.values(), ids=FLAWED.keys())
def test_a_flaw_is_named_at_its_place(raw: Any, pointer: str, detail: str, suggestion: str | None) -> None:
    found = flaws(raw)
    assert pointer in found
    assert detail in found[pointer].detail
    assert found[pointer].suggestion == suggestion


def test_all_flaws_are_named_at_once_and_nothing_else() -> None:
    assert flaws(MANY).keys() == MANY_PLACES


def test_all_bad_observations_of_a_well_formed_case_are_named_at_once() -> None:
    raw = observing(
        copper_plating="havy",
        valve_reeds="broken",
        oil_colour=["brown", "brown"],
        oil_clarity="stays_milky",
        rusty="yes",
    )
    assert flaws(raw).keys() == {
        f"/observations/{code}" for code in ("copper_plating", "valve_reeds", "oil_colour", "rusty")
    }


def test_a_flaw_elsewhere_hides_no_finding_of_another_machine() -> None:
    raw = {
        "unit": {"compressor_type": "reciprocating", "motor": "three_phase", "ref": 5},
        "observations": {"scroll_wraps": "sound"},
    }
    assert flaws(raw).keys() == {"/unit/ref", "/observations/scroll_wraps"}


def test_what_a_later_look_finds_impossible_is_named_beside_the_unknown_words() -> None:
    impossible = Flaw("/readings/suction_temperature", "Below absolute zero.")
    with pytest.raises(BadCase) as refusal:
        parse_case(
            {**observing(copper_plating="havy"), "readings": {"run_hours": 5}},
            compiled_starter(),
            lambda case: [impossible],
        )
    assert {flaw.pointer for flaw in refusal.value.flaws} == {
        "/observations/copper_plating",
        impossible.pointer,
    }


def test_every_flaw_of_a_measurement_is_told() -> None:
    with pytest.raises(BadCase) as refused:
        parse_case(
            {"unit": UNIT, "readings": {"suction_pressure": {"value": "3,2", "unit": "bra", "at": "inlet"}}},
            compiled_starter(),
        )
    place = "/readings/suction_pressure"
    assert {flaw.pointer for flaw in refused.value.flaws} == {
        f"{place}/value",
        f"{place}/unit",
        f"{place}/at",
    }


def test_every_flaw_of_a_list_is_told() -> None:
    raw = {
        "unit": UNIT,
        "readings": {"line_voltages_v": ["401", 396, -1], "winding_resistances_ohm": [1.5, "1,6"]},
        "observations": {"oil_colour": ["brwn", "clear", "blak"]},
    }
    assert flaws(raw).keys() == {
        "/readings/line_voltages_v/0",
        "/readings/line_voltages_v/2",
        "/readings/winding_resistances_ohm/1",
        "/observations/oil_colour/0",
        "/observations/oil_colour/2",
    }


def test_of_a_list_that_is_too_long_the_length_alone_is_told() -> None:
    assert flaws({"unit": UNIT, "readings": {"line_currents_a": ["x"] * 9000}}).keys() == {
        "/readings/line_currents_a"
    }


def test_what_was_meant_is_looked_for_no_more_often_than_it_is_told() -> None:
    many = flaws({"unit": {**UNIT, **{f"mot{number}or": 1 for number in range(1000)}}})
    assert len(many) == 1000
    assert sum(flaw.suggestion is not None for flaw in many.values()) <= MOST_FLAWS


def test_what_was_meant_by_the_words_of_a_list_is_looked_for_only_while_they_may_be_slips() -> None:
    many = flaws(observing(oil_colour=[f"blac{letter}" for letter in "abcdefghij"]))
    assert [flaw.suggestion for flaw in many.values()] == ["black"] * 4 + [None] * 6


def test_more_flaws_than_are_told_are_counted() -> None:
    many = tuple(Flaw(f"/{number}", "wrong") for number in range(201))
    assert as_told(many[:200]) == many[:200]
    assert as_told(many) == (*many[:200], Flaw("", "1 more flaws are not listed."))


@pytest.mark.parametrize("time", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
def test_a_stand_in_for_no_time_is_refused(time: str) -> None:
    assert flaws({"unit": UNIT, "job": {"closed_at": time}}).keys() == {"/job/closed_at"}
