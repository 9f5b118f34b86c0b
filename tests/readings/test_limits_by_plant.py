"""Limits go by application, type and condenser: what is ordinary on one plant is a sign on another."""

import pytest


def kelvins(value):
    return {"value": value, "unit": "K"}


def celsius(value):
    return {"value": value, "unit": "degC"}


def absolute(kilopascals):
    return {"value": kilopascals, "unit": "kPaa"}


@pytest.mark.parametrize(
    ("unit", "superheat", "outcome"),
    [
        ({"application": "air_conditioning"}, 25, "high"),
        ({"application": "medium_temperature"}, 25, "normal"),
        ({"application": "medium_temperature"}, 35, "high"),
        ({"application": "low_temperature"}, 40, "normal"),
        ({"application": "low_temperature"}, 50, None),
        ({"application": "low_temperature"}, 65, "high"),
        ({"motor": "single_phase"}, 55, "normal"),
        ({"motor": "single_phase"}, 70, None),
        ({"application": "low_temperature"}, 2, "low"),
    ],
)
def test_superheat_by_application(derived, unit, superheat, outcome):
    found = derived({"suction_superheat": kelvins(superheat)}, unit=unit)
    assert found.outcomes == ({"suction_superheat": (outcome,)} if outcome else {})


@pytest.mark.parametrize(
    ("unit", "ratio", "outcome"),
    [
        ({}, 11, "high"),
        ({"application": "low_temperature"}, 15, "inside"),
        ({"application": "low_temperature"}, 17, "high"),
        ({"motor": "single_phase"}, 13, "inside"),
        ({"compressor_type": "screw"}, 17, "inside"),
        ({"refrigerant": "R-717", "compressor_type": "reciprocating"}, 9.5, "high"),
        ({"refrigerant": "R-717", "compressor_type": "screw"}, 17, "inside"),
    ],
)
def test_ratio_by_type_and_application(derived, unit, ratio, outcome):
    assert derived({"compression_ratio": ratio}, unit=unit).outcomes == {"compression_ratio": (outcome,)}


@pytest.mark.parametrize(
    ("condenser", "over", "outcome"),
    [
        ("water_cooled", 18, "high"),
        ("evaporative", 18, "high"),
        ("air_cooled", 18, "normal"),
        (None, 18, None),
        (None, 12, "normal"),
        (None, 23, "high"),
    ],
)
def test_condensing_by_kind_of_condenser(derived, condenser, over, outcome):
    found = derived({"condensing_over_entering": kelvins(over)}, unit={"condenser": condenser})
    assert found.outcomes == ({"condensing_pressure": (outcome,)} if outcome else {})


def test_pressure_that_is_held_up_in_the_cold_is_not_judged(derived, value_of):
    # R-134a condenses at 30 degC at 770 kPa, at 45 degC at 1160 kPa [CoolProp].
    winter = derived({"discharge_pressure": absolute(770), "entering_medium_temperature": celsius(-2)})
    assert "condensing_pressure" not in winter.outcomes
    assert "held up" in value_of(winter, "condensing_over_entering").note
    fouled = derived({"discharge_pressure": absolute(1160), "entering_medium_temperature": celsius(-2)})
    assert fouled.outcomes["condensing_pressure"] == ("high",)
    mild = derived({"discharge_pressure": absolute(770), "entering_medium_temperature": celsius(16)})
    assert mild.outcomes["condensing_pressure"] == ("normal",)


def test_condensing_is_the_mean_of_dew_and_bubble(derived, value_of):
    blend = derived(
        {"discharge_pressure": absolute(1500), "entering_medium_temperature": celsius(25)},
        unit={"refrigerant": "R-407C"},
    )
    # At 1500 kPa R-407C boils at 33.8 degC and condenses from 39.0 degC [CoolProp].
    assert value_of(blend, "condensing_over_entering").value == pytest.approx(36.4 - 25, abs=0.1)


@pytest.mark.parametrize("compressor_type", ["rotary", "screw"])
def test_oil_at_discharge_pressure_is_not_judged_by_the_suction(derived, value_of, compressor_type):
    readings = {"sump_temperature": celsius(12), "saturated_suction_temperature": celsius(5)}
    found = derived(readings, unit={"compressor_type": compressor_type})
    assert not found.outcomes
    assert "at discharge pressure" in value_of(found, "sump_superheat").note
    assert derived(readings).outcomes == {"sump_warmth": ("cold",)}


def test_other_limits_that_go_by_the_type(derived):
    for compressor_type, starts, dilution in (
        ("scroll", "within_limits", "high"),
        ("screw", "high", "normal"),
    ):
        unit = {"compressor_type": compressor_type}
        assert derived({"starts_per_hour": 9}, unit=unit).outcomes == {"start_frequency": (starts,)}
        found = derived(oil={"refrigerant_in_oil_percent": 20}, unit=unit)
        assert found.outcomes == {"lab_dilution": (dilution,)}


@pytest.mark.parametrize(("subcooling", "outcome"), [(1, "low"), (6, "normal"), (15, "high"), (25, None)])
def test_a_subcooler_says_nothing_of_the_charge(derived, subcooling, outcome):
    found = derived({"subcooling": kelvins(subcooling)})
    assert found.outcomes == ({"subcooling": (outcome,)} if outcome else {})


@pytest.mark.parametrize("temperature", [-234.5, -260, 400])
def test_a_winding_temperature_that_cannot_be_is_named_and_nothing_rests_on_it(
    derived, value_of, temperature
):
    sent = {
        "winding_resistances_ohm": [2.0, 2.0, 2.0],
        "plate_resistance_ohm": 2.0,
        "winding_temperature": celsius(temperature),
    }
    found = derived(sent)
    assert value_of(found, "winding_to_plate") is None
    assert found.outcomes == {"winding_resistance": ("as_plate",)}
    assert any("winding_temperature" in note and "not credible" in note for note in found.notes)


def test_a_plate_resistance_of_zero_is_named(derived):
    sent = {"winding_resistances_ohm": [2.0, 2.0, 2.0], "plate_resistance_ohm": 0}
    assert any("plate_resistance_ohm is zero" in note for note in derived(sent).notes)
