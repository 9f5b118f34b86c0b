"""From a JSON value to a case: every flaw at once, each at its place, with the likeliest meant word."""

from typing import Any

import pytest

from coldcase.core.case_reader import parse_case
from coldcase.errors import MOST_FLAWS, BadCase, Flaw, as_told
from tests.core.cases import MANY, MANY_PLACES, UNIT, flaws, observing
from tests.core.tables import compiled_starter

CONTRACT_EXAMPLE: dict[str, Any] = {
    "job": {"ref": "WO-1184", "closed_at": "2026-03-02T16:40:00Z", "circuit": "plant-3/rack-B"},
    "unit": {
        "ref": "B-2",
        "compressor_type": "scroll",
        "hermeticity": "hermetic",
        "motor": "three_phase",
        "winding_connection": "star",
        "refrigerant": "R-448A",
        "lubricant": "POE",
        "viscosity_grade": 32,
        "application": "low_temperature",
        "oil_charge": {"value": 1.9, "unit": "L"},
        "refrigerant_charge": {"value": 38, "unit": "kg"},
        "rated_voltage_v": 400,
        "rated_current_a": 21.5,
        "compressors_on_circuit": 4,
        "installed_at": "2021-05-04",
    },
    "opening": {"method": "rolling_cutter", "oil": "measured", "oil_sample": "sealed"},
    "observations": {
        "copper_plating": "heavy",
        "oil_clarity": "stays_milky",
        "system_solids": "none",
        "oil_colour": ["brown", "black"],
    },
    "readings": {
        "suction_pressure": {"value": 41, "unit": "psig"},
        "suction_temperature": {"value": 2.0, "unit": "degC"},
        "line_voltages_v": [401, 396, 399],
        "insulation": {"resistance_megohm": 12, "winding_temperature": {"value": 25, "unit": "degC"}},
    },
    "oil_results": {
        "water_mg_kg": 310,
        "acid_number_mg_koh_g": "<0.05",
        "iron_mg_kg": 140,
        "viscosity_40c_mm2_s": 29.4,
        "particle_count_iso4406": "20/18/15",
    },
    "evidence": [
        {
            "uri": "https://files.example/wo-1184/plating.jpg",
            "sha256": "0" * 64,
            "finding": "copper_plating",
            "caption": "thrust face",
        }
    ],
    "supersedes": None,
}


def test_the_whole_example_of_the_contract_is_taken() -> None:
    parsed = parse_case(CONTRACT_EXAMPLE, compiled_starter())
    assert parsed.notes == ()
    assert parsed.raw == CONTRACT_EXAMPLE
    assert parsed.case.observations["oil_colour"] == ["brown", "black"]
    assert parsed.case.oil_results.acid_number_mg_koh_g == "<0.05"
    assert parsed.case.job.closed_at is not None
    assert parsed.case.job.closed_at.isoformat() == "2026-03-02T16:40:00+00:00"


def test_a_unit_of_unknown_motor_and_type_is_case_enough() -> None:
    assert (
        parse_case(
            {"unit": {"compressor_type": "unknown", "motor": "unknown"}}, compiled_starter()
        ).case.observations
        == {}
    )


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
        None,
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
    "one winding resistance of three": (
        {"unit": UNIT, "readings": {"winding_resistances_ohm": [1.0]}},
        "/readings/winding_resistances_ohm",
        "Expected 'array' of length >= 3.",
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


def test_what_was_meant_is_looked_for_no_more_often_than_it_is_told() -> None:
    many = flaws({"unit": {**UNIT, **{f"mot{number}or": 1 for number in range(1000)}}})
    assert len(many) == 1000
    assert sum(flaw.suggestion is not None for flaw in many.values()) <= MOST_FLAWS


def test_more_flaws_than_are_told_are_counted() -> None:
    many = tuple(Flaw(f"/{number}", "wrong") for number in range(201))
    assert as_told(many[:200]) == many[:200]
    assert as_told(many) == (*many[:200], Flaw("", "1 more flaws are not listed."))


def test_a_refrigerant_is_read_however_it_is_spelled():
    parsed = parse_case(
        {"unit": {"compressor_type": "scroll", "motor": "unknown", "refrigerant": "r410a"}},
        compiled_starter(),
    )
    assert (parsed.case.unit.refrigerant, parsed.notes) == ("R-410A", ())


def test_a_refrigerant_that_is_respelled_is_named() -> None:
    for sent, note in (
        ("propane", ("/unit/refrigerant: 'propane' is read as R-290.",)),
        ("R-507", ("/unit/refrigerant: 'R-507' is read as R-507A.",)),
        ("410A", ("/unit/refrigerant: '410A' is read as R-410A.",)),
        ("r404a", ()),
        (" R 404A ", ()),
        ("R-1234ZE (E)", ()),
    ):
        assert parse_case({"unit": {**UNIT, "refrigerant": sent}}, compiled_starter()).notes == note


def test_blanks_around_a_label_do_not_count() -> None:
    raw = {
        "unit": {**UNIT, "ref": " B-2", "refrigerant": "R-448A "},
        "job": {"ref": "\u00a0TH-1 ", "circuit": " rack B "},
    }
    parsed = parse_case(raw, compiled_starter())
    assert (parsed.case.job.ref, parsed.case.job.circuit) == ("TH-1", "rack B")
    assert (parsed.case.unit.ref, parsed.case.unit.refrigerant) == ("B-2", "R-448A")
    assert parsed.raw == raw


def test_an_unknown_refrigerant_is_accepted_and_named():
    parsed = parse_case(
        {"unit": {"compressor_type": "scroll", "motor": "unknown", "refrigerant": "R-999"}},
        compiled_starter(),
    )
    assert parsed.case.unit.refrigerant == "R-999"
    assert "R-999" in parsed.notes[0]


@pytest.mark.parametrize("time", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
def test_a_stand_in_for_no_time_is_refused(time: str) -> None:
    assert flaws({"unit": UNIT, "job": {"closed_at": time}}).keys() == {"/job/closed_at"}
