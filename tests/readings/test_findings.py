import subprocess
import sys

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.rule_table import Band, Limit, When
from coldcase.readings.findings import derive
from coldcase.readings.refrigerants import DESIGNATIONS, fluid
from coldcase.readings.units import ICE_POINT
from coldcase.readings.worksheet import QUANTITY_UNITS


def pressure(value, unit="kPaa"):
    return {"value": value, "unit": unit}


def degrees(value, unit="degC"):
    return {"value": value, "unit": unit}


def test_no_reading_yields_no_finding(derived):
    found = derived()
    assert (found.values, found.outcomes, found.notes, found.properties) == ([], {}, [], None)


def test_a_case_without_readings_does_not_import_the_property_library():
    code = (
        "import sys, msgspec; from coldcase.core.case import Case; from coldcase.readings.findings "
        "import derive;"
        "from coldcase.readings.impossible_values import impossible_values; from coldcase.shipped "
        "import starter_table;"
        "raw = {'unit': {'compressor_type': 'scroll', 'motor': 'three_phase'}, 'oil_results': "
        "{'water_mg_kg': 300}};"
        "case = msgspec.convert(raw, Case); impossible_values(case);"
        "assert derive(case, starter_table()).outcomes; assert 'CoolProp' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, env={"PYTHONPATH": ":".join(sys.path)})


def test_superheat_and_subcooling_as_a_technician_works_them_out(derived, value_of):
    # By CoolProp 8.0.0 through PropsSI, at sea level: R-410A, 118 psig, line 55 degF: 15.2 degF; 350 psig,
    # liquid 95 degF: 11.7 degF.
    readings = {
        "suction_pressure": pressure(118, "psig"), "suction_temperature": degrees(55, "degF"),
        "liquid_pressure": pressure(350, "psig"), "liquid_temperature": degrees(95, "degF"),
    }  # fmt: skip
    found = derived(readings, unit={"refrigerant": "R-410A"})
    assert value_of(found, "suction_superheat").value == pytest.approx(15.2 / 1.8, abs=0.1)
    assert value_of(found, "subcooling").value == pytest.approx(11.7 / 1.8, abs=0.1)
    assert found.outcomes == {"suction_superheat": ("normal",), "subcooling": ("normal",)}
    assert found.properties.startswith("CoolProp")


def test_the_contract_example(derived, value_of):
    found = derived(
        {"suction_pressure": pressure(41, "psig"), "suction_temperature": degrees(2.0)},
        unit={"refrigerant": "R-448A"},
    )
    superheat = value_of(found, "suction_superheat")
    assert (superheat.value, superheat.unit, superheat.outcome) == (10.1, "K", "normal")
    assert superheat.limit == "low below 3 K, normal below 20.01 K, else high"
    assert superheat.basis


# Gauge readings at sea level and at 1609 m: psig discharge and suction, ratio of absolute pressures.
@pytest.mark.parametrize(
    ("gauges", "altitude", "ratio"),
    [((350, 118), 0, 2.75), ((350, 118), 1609, 2.78), ((250, 10), 0, 10.7), ((250, 10), 1609, 11.9)],
)
def test_the_ratio_is_of_absolute_pressures(gauges, altitude, ratio, derived, value_of):
    high, low = gauges
    readings = {
        "discharge_pressure": pressure(high, "psig"),
        "suction_pressure": pressure(low, "psig"),
        "altitude_m": altitude,
    }
    found = derived(readings, unit={"refrigerant": None})
    assert value_of(found, "compression_ratio").value == pytest.approx(ratio, rel=0.005)


def test_an_altitude_that_does_not_go_with_the_barometer_is_named(derived):
    readings = {
        "suction_pressure": pressure(100, "kPag"),
        "altitude_m": 1500,
        "barometric_pressure": pressure(101.3),
    }
    assert any("reduced to sea level" in note for note in derived(readings).notes)


def test_an_unknown_refrigerant_is_named_and_only_what_needs_it_is_missing(derived, value_of):
    readings = {
        "suction_pressure": pressure(200), "suction_temperature": degrees(0),
        "discharge_pressure": pressure(1000),
        "discharge_temperature": degrees(140),
    }  # fmt: skip
    found = derived(readings, unit={"refrigerant": "R-9999"})
    assert any("R-9999" in note for note in found.notes)
    assert value_of(found, "suction_superheat") is None
    assert found.outcomes == {"compression_ratio": ("inside",), "discharge_temperature": ("very_high",)}
    assert found.properties is None


def test_vapour_below_saturation_contradicts_itself(derived, value_of):
    # R-134a at 293 kPa is saturated at 0 degC.
    found = derived({"suction_pressure": pressure(293), "suction_temperature": degrees(-6)})
    assert not found.outcomes
    assert any("contradict" in note for note in found.notes)
    assert value_of(found, "suction_superheat").outcome is None
    wet = derived({"suction_pressure": pressure(293), "suction_temperature": degrees(-0.6)})
    assert wet.outcomes == {"suction_superheat": ("low",)}
    assert value_of(wet, "suction_superheat").value == 0


def test_between_dew_and_bubble_a_blend_is_wet_and_no_contradiction(derived):
    # R-407C at 500 kPa: dew 2.4, bubble -3.9 degC.
    unit = {"refrigerant": "R-407C"}
    assert derived(
        {"suction_pressure": pressure(500), "suction_temperature": degrees(-2)}, unit=unit
    ).outcomes["suction_superheat"] == ("low",)
    assert not derived(
        {"suction_pressure": pressure(500), "suction_temperature": degrees(-7)}, unit=unit
    ).outcomes


def test_readings_that_contradict_each_other_take_down_what_rests_on_them(derived):
    readings = {
        "suction_pressure": pressure(600),
        "discharge_pressure": pressure(300),
        "discharge_temperature": degrees(60),
    }
    found = derived(readings)
    assert found.outcomes == {"discharge_temperature": ("normal",)}, "the thermometer is not in question"
    assert any("below suction pressure" in note for note in found.notes)


def test_discharge_colder_than_suction_is_named(derived):
    found = derived({"suction_temperature": degrees(20), "discharge_temperature": degrees(5)})
    assert not found.outcomes
    assert any("does not cool" in note for note in found.notes)


def test_carbon_dioxide_above_its_critical_point(derived, value_of):
    readings = {
        "suction_pressure": pressure(3000), "suction_temperature": degrees(5),
        "discharge_pressure": pressure(9000),
        "discharge_temperature": degrees(115), "liquid_pressure": pressure(8900),
        "liquid_temperature": degrees(30),
    }  # fmt: skip
    found = derived(readings, unit={"refrigerant": "R-744"})
    assert found.outcomes == {
        "suction_superheat": ("normal",),
        "discharge_temperature": ("normal",),
        "compression_ratio": ("inside",),
    }
    assert value_of(found, "subcooling") is None
    assert value_of(found, "discharge_superheat") is None
    assert value_of(found, "isentropic_efficiency").value == pytest.approx(0.7, abs=0.25)
    assert any("above its critical pressure" in note for note in found.notes)


def test_another_refrigerant_above_its_critical_point_is_not_believed(derived):
    found = derived({"discharge_pressure": pressure(5000), "suction_pressure": pressure(300)})
    assert not found.outcomes
    assert any("critical pressure of R-134a" in note for note in found.notes)


def test_gas_in_excess_shows_at_standstill(derived, value_of):
    # R-134a at 25 degC stands at 665 kPa.
    assert derived({"standing_pressure": pressure(668), "standing_temperature": degrees(25)}).outcomes == {
        "standing_pressure": ("matches",)
    }
    assert derived({"standing_pressure": pressure(760), "standing_temperature": degrees(25)}).outcomes == {
        "standing_pressure": ("above",)
    }
    gas_only = derived({"standing_pressure": pressure(400), "standing_temperature": degrees(25)})
    assert not gas_only.outcomes
    assert "no liquid is left" in value_of(gas_only, "standing_pressure_excess").note


def test_a_standing_blend_between_bubble_and_dew_is_as_it_should_be(derived, value_of):
    blend = fluid("R-407C")
    middle = (blend.dew.temperature(900e3) + blend.bubble.temperature(900e3)) / 2 - ICE_POINT
    found = derived(
        {"standing_pressure": pressure(900), "standing_temperature": degrees(middle)},
        unit={"refrigerant": "R-407C"},
    )
    assert value_of(found, "standing_pressure_excess").value == 0
    assert found.outcomes == {"standing_pressure": ("matches",)}


def test_a_sump_is_judged_only_where_it_stands_at_suction(derived):
    readings = {"suction_pressure": pressure(293), "sump_temperature": degrees(4)}
    assert derived(readings).outcomes == {"sump_warmth": ("cold",)}
    assert not derived(readings, unit={"compressor_type": "rotary"}).outcomes


def test_condensing_over_entering(derived, value_of):
    # R-134a condenses at 40 degC at 1016.6 kPa.
    found = derived({"discharge_pressure": pressure(1016.6), "entering_medium_temperature": degrees(28)})
    assert value_of(found, "condensing_over_entering").value == pytest.approx(12, abs=0.1)
    assert found.outcomes == {"condensing_pressure": ("normal",)}
    colder = derived({"discharge_pressure": pressure(1016.6), "entering_medium_temperature": degrees(48)})
    assert not colder.outcomes


def test_an_incredible_efficiency_makes_the_readings_suspect_and_is_no_evidence(derived, value_of):
    readings = {
        "suction_pressure": pressure(292.8), "suction_temperature": degrees(10),
        "discharge_pressure": pressure(1016.6),
        "discharge_temperature": degrees(105),
    }  # fmt: skip
    found = derived(readings)
    efficiency = value_of(found, "isentropic_efficiency")
    assert efficiency.value < 0.35
    assert efficiency.finding is None
    assert any("mixed refrigerant" in note for note in found.notes)
    cold = derived(readings | {"discharge_temperature": degrees(45)})
    assert value_of(cold, "isentropic_efficiency").value > 1
    assert any("liquid carried over or injected" in note for note in cold.notes)


def test_a_quantity_that_was_sent_counts_and_a_disagreement_is_named(derived, value_of):
    readings = {
        "suction_pressure": pressure(293),
        "suction_temperature": degrees(10),
        "suction_superheat": {"value": 2, "unit": "K"},
    }
    found = derived(readings)
    assert found.outcomes == {"suction_superheat": ("low",)}
    assert any("2 K was sent, the readings give 10 K" in note for note in found.notes)
    agreeing = derived(readings | {"suction_superheat": {"value": 18, "unit": "degF_diff"}})
    assert value_of(agreeing, "suction_superheat").value == 10
    assert not any("was sent" in note for note in agreeing.notes)


def test_quantities_alone_are_enough(derived):
    readings = {
        "suction_superheat": {"value": 4, "unit": "K"}, "compression_ratio": 11.2, "voltage_unbalance": 4.8,
        "oil_to_charge": 0.45,
        "insulation_at_40c": "<0.3", "starts_per_hour": 25, "run_hours": 12,
    }  # fmt: skip
    assert derived(readings).outcomes == {
        "suction_superheat": ("normal",), "compression_ratio": ("high",), "voltage_unbalance": ("severe",),
        "oil_quantity": ("low",),
        "insulation_resistance": ("grounded",), "start_frequency": ("very_high",),
        "service_age": ("first_100_hours",),
    }  # fmt: skip


def test_a_saturated_temperature_that_was_sent_serves_as_base(derived, value_of):
    readings = {
        "saturated_suction_temperature": degrees(-10),
        "suction_temperature": degrees(1),
        "sump_temperature": degrees(-8),
    }
    found = derived(readings, unit={"refrigerant": None})
    assert value_of(found, "suction_superheat").value == 11
    assert found.outcomes == {"suction_superheat": ("normal",), "sump_warmth": ("cold",)}


def test_the_observation_stands_and_a_disagreement_is_named(derived, value_of):
    readings = {"suction_superheat": {"value": 1, "unit": "K"}, "subcooling": {"value": 5, "unit": "K"}}
    found = derived(readings, observations={"suction_superheat": "normal", "subcooling": ["normal", "high"]})
    assert not found.outcomes
    assert value_of(found, "suction_superheat").superseded
    assert value_of(found, "suction_superheat").outcome == "low"
    named = [note for note in found.notes if "the observation stands" in note]
    assert len(named) == 1
    assert "suction_superheat" in named[0]


def test_oil_against_the_charge(derived, value_of):
    drained = {"oil_drained": {"value": 900, "unit": "mL"}}
    assert derived(drained).outcomes == {"oil_quantity": ("low",)}
    assert not derived(drained, opening={"oil": "spilled"}).outcomes
    weighed = derived({"oil_drained": {"value": 1.96, "unit": "kg"}})
    assert weighed.outcomes == {"oil_quantity": ("right",)}
    assert "assumed for POE" in value_of(weighed, "oil_to_charge").note
    assert derived({"recovered_charge": {"value": 11, "unit": "lb"}}).outcomes == {
        "recovered_charge": ("low",)
    }


def test_of_two_quantities_for_one_finding_the_worse_stays(derived):
    # R-134a at 1016.6 kPa condenses at 40 degC: 44 degC is little superheat, though no high temperature.
    found = derived({"discharge_pressure": pressure(1016.6), "discharge_temperature": degrees(44)})
    assert found.outcomes == {"discharge_temperature": ("low",)}


def test_the_starter_table_judges_every_quantity_in_the_unit_it_is_worked_out_in(table):
    assert {limit.quantity for limit in table.limits} <= table.quantities.keys() & QUANTITY_UNITS.keys()
    assert {name: row.unit for name, row in table.quantities.items()} == {
        name: QUANTITY_UNITS[name][0] for name in table.quantities
    }


def test_every_refrigerant_with_properties_has_its_class_and_safety_group(table):
    assert set(DESIGNATIONS) <= table.refrigerants.keys()


def test_a_limit_in_another_unit_is_not_used(case, table):
    rows = table.quantities | {
        "suction_superheat": msgspec.structs.replace(table.quantities["suction_superheat"], unit="degF")
    }
    found = derive(
        case({"suction_superheat": {"value": 1, "unit": "K"}}),
        msgspec.structs.replace(table, quantities=rows),
    )
    assert not found.outcomes
    assert any("limit in degF" in note for note in found.notes)


# Bands: low below 10, normal below 20, then nothing.
@pytest.mark.parametrize(
    ("sent", "outcomes"),
    [
        (9.99, ("grounded",)), (10, ("doubtful",)), (19.99, ("doubtful",)), (20, None), (500, None),
        ("<10", ("grounded",)), ("<10.1", None), ("<5", ("grounded",)), (">9", None), (">20", None), (">10",
        None),
    ],
)  # fmt: skip
def test_bands_and_their_edges(sent, outcomes, case, table):
    bands = [Band(below=10, outcome="grounded"), Band(below=20, outcome="doubtful")]
    limits = [Limit(quantity="insulation_at_40c", finding="insulation_resistance", bands=bands, basis="test")]
    found = derive(case({"insulation_at_40c": sent}), msgspec.structs.replace(table, limits=limits))
    assert found.outcomes.get("insulation_resistance") == outcomes


def test_the_first_limit_that_fits_decides(case, table):
    def limit(outcome, **unit):
        return Limit(
            quantity="subcooling",
            finding="subcooling",
            bands=[Band(outcome=outcome)],
            basis="test",
            when=When(unit=unit),
        )

    limits = [
        limit("high", application=["chiller"]),
        limit("low", refrigerant_class=["HFC"]),
        limit("normal"),
    ]
    own = msgspec.structs.replace(table, limits=limits)
    readings = {"subcooling": {"value": 5, "unit": "K"}}
    assert derive(case(readings, unit={"application": "chiller"}), own).outcomes == {"subcooling": ("high",)}
    assert derive(case(readings, unit={"refrigerant": "R-134a"}), own).outcomes == {"subcooling": ("low",)}
    assert derive(case(readings, unit={"refrigerant": None}), own).outcomes == {"subcooling": ("normal",)}


@given(st.sampled_from(["R-134a", "R-410A", "R-448A", "R-290"]), st.floats(150, 900), st.floats(1, 50))
def test_superheat_falls_as_suction_pressure_rises(derived, value_of, refrigerant, low, rise):
    def superheat(kpa):
        found = derived(
            {"suction_pressure": pressure(kpa), "suction_temperature": degrees(60)},
            unit={"refrigerant": refrigerant},
        )
        return value_of(found, "suction_superheat").value

    assert superheat(low + rise) <= superheat(low)


MONOTONE = [
    ("suction_superheat", "suction_superheat", ["low", "normal", "high"], 0, 80),
    ("subcooling", "subcooling", ["low", "normal", "high"], 0, 19.9),
    ("compression_ratio", "compression_ratio", ["low", "inside", "high"], 1, 40),
    ("oil_to_charge", "oil_quantity", ["nearly_none", "low", "right", "too_much"], 0, 5),
    ("insulation_at_40c", "insulation_resistance", ["grounded", "doubtful", "good"], 0, 1000),
]


@given(st.sampled_from(MONOTONE), st.floats(0, 1), st.floats(0, 1))
def test_the_outcome_goes_one_way_with_the_reading(derived, row, one, other):
    quantity, finding, order, least, most = row

    def place(share):
        value = least + (most - least) * share
        readings = {
            quantity: {"value": value, "unit": "K"}
            if quantity in ("suction_superheat", "subcooling")
            else value
        }
        return order.index(derived(readings).outcomes[finding][0])

    assert (place(one) <= place(other)) or one > other
