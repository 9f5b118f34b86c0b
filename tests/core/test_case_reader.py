"""From a JSON value to a case, read as it was meant."""

from typing import Any

from coldcase.core.case_reader import parse_case
from tests.core.cases import UNIT
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
    (note,) = parsed.notes
    assert note == (
        "/unit/refrigerant: the rule table does not know 'R-999'; treat it as flammable and poisonous. "
        "What depends on it is judged by the limits for a refrigerant that was not stated."
    )
