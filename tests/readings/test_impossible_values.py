"""Readings that cannot be: each is refused by its pointer or named in a note, none is weighed, none
raises."""

import msgspec
import pytest

from coldcase.readings.findings import derive
from coldcase.readings.impossible_values import impossible_values

TEMPERATURES = (
    "suction_temperature", "discharge_temperature", "liquid_temperature", "entering_medium_temperature",
    "sump_temperature",
    "standing_temperature",
)  # fmt: skip
PRESSURES = ("suction_pressure", "discharge_pressure", "liquid_pressure", "standing_pressure")
BELOW_ABSOLUTE_ZERO = [
    (-400, "degC"),
    (-273.15, "degC"),
    (-500, "degF"),
    (0, "K"),
    (-1, "K"),
    (-1e12, "degC"),
]
NO_SUCH_PLANT = [(900, "degC"), (5000, "degF"), (1e6, "K"), (-150, "degC"), (1e12, "degF"), (20, "K")]
BELOW_VACUUM = [
    (-2, "barg"),
    (-1.02, "barg"),
    (-15, "psig"),
    (0, "bara"),
    (-5, "kPaa"),
    (31, "inHg_vac"),
    (-0.2, "MPag"),
    (-1e12, "psia"),
]
ABOVE_ANYTHING = [(1e9, "kPag"), (400, "barg"), (25, "MPaa"), (9000, "psig"), (6, "MPaa"), (-1e9, "inHg_vac")]
CELSIUS = "degC"

CASES = [
    *((name, {name: {"value": value, "unit": unit}}) for name in TEMPERATURES for value,
    unit in (*BELOW_ABSOLUTE_ZERO, *NO_SUCH_PLANT)),
    *((name, {name: {"value": value, "unit": unit}}) for name in PRESSURES for value, unit in (*BELOW_VACUUM,
    *ABOVE_ANYTHING)),
    *(
        (name, {name: {"value": value, "unit": unit}, "suction_superheat": {"value": 999, "unit": "K"}})
        for name in ("barometric_pressure", "ambient_pressure")
        for value, unit in [
            (1, "barg"), (0, "kPaa"), (-5, "kPaa"), (1e6, "kPaa"), (5, "kPaa"), (29.9, "inHg_vac")
        ]
    ),
    *(("winding_temperature", {"insulation": {"resistance_megohm": 5, "winding_temperature": {"value": value,
    "unit": unit}}})
      for value, unit in BELOW_ABSOLUTE_ZERO),
    *(
        (name, {name: {"value": value, "unit": unit}})
        for name in (
            "suction_superheat", "discharge_superheat", "subcooling", "sump_superheat",
            "condensing_over_entering",
        )
        for value, unit in [(-40, "K"), (-500, "degF_diff"), (900, "K"), (1e12, "K")]
    ),
    *(("standing_pressure_excess", {"standing_pressure_excess": {"value": value,
    "unit": "K"}}) for value in (-300, 300)),
    *(("compression_ratio", {"compression_ratio": value}) for value in (0, 0.4, 400)),
    *((name, {name: 1e6}) for name in ("starts_per_hour", "run_hours", "voltage_unbalance",
    "current_unbalance", "voltage_to_rating",
                                      "current_to_rating", "winding_unbalance", "insulation_at_40c",
                                      "oil_to_charge",
                                      "refrigerant_to_charge", "start_voltage_to_rating")),
    *(("line_voltages_v", {"line_voltages_v": values}) for values in ([0, 0, 0], [1e6, 1e6, 1e6], [1e12, 1,
    1], [0])),
    *(("line_currents_a", {"line_currents_a": values}) for values in ([0, 0, 0], [1e6, 1e6, 1e6], [0])),
    ("start_voltage", {"start_voltage_v": 1e9}),
    *(("winding_resistances_ohm", {"winding_resistances_ohm": values}) for values in ([0, 0, 0], [1e12, 1, 1],
    [1e6, 1e6, 1e6])),
    ("oil_to_charge", {"oil_drained": {"value": 1e6, "unit": "L"}}),
    ("refrigerant_to_charge", {"recovered_charge": {"value": 1e9, "unit": "g"}}),
    ("insulation_at_40c", {"insulation": {"resistance_megohm": 1e9}}),
]  # fmt: skip
CONTRADICTIONS = [
    ("suction_temperature", {"suction_pressure": (300, "kPaa"), "suction_temperature": (t,
    CELSIUS)}) for t in (-5, -20, -60, -90)
] + [
    ("suction_pressure", {"suction_pressure": (low, "kPaa"), "discharge_pressure": (high, "kPaa")})
    for low, high in ((500, 400), (1000, 100), (300, 290), (2000, 1))
] + [
    ("discharge_temperature", {"discharge_pressure": (1016.6, "kPaa"), "discharge_temperature": (t,
    CELSIUS)}) for t in (35, 20, -40)
] + [
    ("liquid_temperature", {"liquid_pressure": (1016.6, "kPaa"), "liquid_temperature": (t,
    CELSIUS)}) for t in (45, 80, 200)
] + [
    ("entering_medium_temperature", {"discharge_pressure": (1016.6, "kPaa"),
    "entering_medium_temperature": (t, CELSIUS)}) for t in (45, 99)
] + [
    ("discharge_temperature", {"suction_temperature": (30, CELSIUS), "discharge_temperature": (t,
    CELSIUS)}) for t in (20, -60)
] + [
    ("sump_temperature", {"suction_pressure": (300, "kPaa"), "sump_temperature": (t, CELSIUS)}) for t in (-10,
    -50)
] + [
    ("liquid_pressure", {"liquid_pressure": (200, "kPaa"), "suction_pressure": (300, "kPaa")}),
    ("liquid_pressure", {"liquid_pressure": (2500, "kPaa"), "discharge_pressure": (1000, "kPaa")}),
]  # fmt: skip
REPORTS = [
    *((f"{metal}_mg_kg", {f"{metal}_mg_kg": value})
      for metal in ("iron", "copper", "aluminium", "tin", "lead", "silicon", "zinc")
      for value in (1_200_000, 80_000, ">2000000")),
    *(("water", {"water_mg_kg": value}) for value in (0, 3e6, ">1000001")),
    ("water_percent", {"water_percent": 130}),
    ("foreign_oil_percent", {"foreign_oil_percent": 101}),
    ("refrigerant_in_oil_percent", {"refrigerant_in_oil_percent": 1e5}),
    ("acid_number_mg_koh_g", {"acid_number_mg_koh_g": 1000}),
    ("viscosity_to_grade", {"viscosity_40c_mm2_s": 32_000}),
    *(("particle_count_iso4406", {"particle_count_iso4406": text}) for text in ("15/18/20", "40/20/10",
    "many", "20", "1/2", "20/18/15/9")),
]  # fmt: skip


def as_readings(pairs):
    return {name: {"value": value, "unit": unit} for name, (value, unit) in pairs.items()}


def assert_named_and_not_weighed(case, table, name):
    flaws = impossible_values(case)
    if flaws:
        assert any(name in flaw.pointer for flaw in flaws)
        return
    found = derive(case, table)
    assert not found.outcomes
    assert any(name in note for note in found.notes)


@pytest.mark.parametrize(("name", "readings"), CASES)
def test_impossible_readings(name, readings, case, table):
    assert_named_and_not_weighed(case(readings), table, name)


@pytest.mark.parametrize(("name", "pairs"), CONTRADICTIONS)
def test_contradictory_readings(name, pairs, case, table):
    found = derive(case(as_readings(pairs)), table)
    assert not [
        value
        for value in found.values
        if value.outcome is not None and value.quantity != "discharge_temperature"
    ]
    assert any(name in note for note in found.notes)


@pytest.mark.parametrize(("name", "oil"), REPORTS)
def test_impossible_reports(name, oil, case, table):
    assert_named_and_not_weighed(case(None, oil), table, name)


def test_there_are_two_hundred_of_them():
    assert len(CASES) + len(CONTRADICTIONS) + len(REPORTS) >= 200


def test_a_figure_that_is_no_number_never_becomes_a_case(case):
    with pytest.raises(msgspec.ValidationError):
        case({"suction_temperature": {"value": float("nan"), "unit": "degC"}})


@pytest.mark.parametrize(
    ("readings", "pointer", "words"),
    [
        (
            {"suction_temperature": {"value": -400, "unit": "degC"}},
            "/readings/suction_temperature",
            "-273.15 degC",
        ),
        (
            {"suction_pressure": {"value": -2, "unit": "barg"}},
            "/readings/suction_pressure",
            "perfect vacuum (-1.013 barg",
        ),
        (
            {"barometric_pressure": {"value": 0.2, "unit": "barg"}},
            "/readings/barometric_pressure",
            "absolute",
        ),
    ],
)
def test_a_flaw_says_where_and_why(readings, pointer, words, case):
    (flaw,) = impossible_values(case(readings))
    assert flaw.pointer == pointer
    assert words in flaw.detail


def test_an_air_pressure_that_cannot_be_does_not_condemn_the_gauges(case):
    readings = {
        "barometric_pressure": {"value": 0.2, "unit": "kPaa"},
        "suction_pressure": {"value": -0.5, "unit": "barg"},
    }
    assert [flaw.pointer for flaw in impossible_values(case(readings))] == ["/readings/barometric_pressure"]


def test_a_sound_case_has_no_flaw(case):
    assert (
        impossible_values(
            case(
                {"suction_pressure": {"value": 20, "unit": "inHg_vac"}},
                {"iron_mg_kg": "<2", "particle_count_iso4406": "-/15/12"},
            )
        )
        == []
    )
