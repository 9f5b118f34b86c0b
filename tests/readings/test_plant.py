"""What is read around the compressor, and what half of a reading yields."""

import pytest

BAR = {"unit": "bar"}


@pytest.mark.parametrize(
    ("readings", "unit", "finding", "outcome"),
    [
        ({"net_oil_pressure": {"value": 9, "unit": "psi"}}, {"compressor_type": "reciprocating"},
         "oil_pressure", "low"),
        ({"net_oil_pressure": {"value": 2, "unit": "bar"}}, {"compressor_type": "reciprocating"},
         "oil_pressure", "normal"),
        ({"net_oil_pressure": {"value": 0.2, "unit": "bar"}}, {"compressor_type": "screw"},
         "oil_pressure", None),
        ({"oil_temperature": {"value": 55, "unit": "degC"}}, {}, "oil_temperature", "normal"),
        ({"oil_temperature": {"value": 100, "unit": "degC"}}, {}, "oil_temperature", "high"),
        ({"oil_temperature": {"value": -2, "unit": "degC"},
          "saturated_suction_temperature": {"value": -8, "unit": "degC"}}, {}, "oil_temperature", "low"),
        ({"supply_frequency_hz": 50.3}, {}, "supply_frequency", "as_rated"),
        ({"supply_frequency_hz": 50.3}, {"rated_frequency_hz": 60}, "supply_frequency", "low"),
        ({"supply_frequency_hz": 54.9}, {}, "supply_frequency", None),
        ({"control_voltage_v": 19}, {"rated_control_voltage_v": 24}, "control_voltage", "low"),
        ({"control_voltage_v": 24}, {}, "control_voltage", None),
        ({"drier_temperature_drop": {"value": 2.4, "unit": "K"}}, {}, "drier_drop", "high"),
        ({"drier_pressure_drop": {"value": 1, "unit": "psi"}}, {}, "drier_drop", "usual"),
        ({"vibration_mm_s": 12}, {"compressor_type": "screw"}, "vibration_level", "high"),
        ({"vibration_mm_s": 12}, {"compressor_type": "reciprocating"}, "vibration_level", None),
        ({"pole_voltage_drop_mv": [30, 40, 35]}, {}, "pole_drop", "low_and_alike"),
        ({"pole_voltage_drop_mv": [30, 40, 200]}, {}, "pole_drop", "one_high"),
        ({"pole_voltage_drop_mv": [210, 240, 200]}, {}, "pole_drop", "all_high"),
        ({"pole_voltage_drop_mv": 40}, {}, "pole_drop", None),
        ({"contact_resistance_mohm": [1.5, 1.8, 12]}, {}, "pole_drop", "one_high"),
        ({"contact_resistance_mohm": [1.5, 1.8, 12]}, {"rated_current_a": None}, "pole_drop", None),
        ({"starts_in_night": 150}, {}, "start_frequency", "high"),
        ({"starts_in_night": 20}, {}, "start_frequency", None),
        ({"days_in_service": 200}, {}, "service_age", "first_year"),
        ({"days_in_service": 200, "run_hours": 60}, {}, "service_age", "first_100_hours"),
        ({"days_idle_before": 20}, {}, "idle_before", "weeks"),
    ],
)  # fmt: skip
def test_what_is_judged(readings, unit, finding, outcome, derived):
    assert derived(readings, unit=unit).outcomes.get(finding) == (outcome and (outcome,))


def test_what_has_no_finding_is_worked_out_and_not_judged(derived, value_of):
    drop = value_of(derived({"suction_filter_pressure_drop": {"value": 0.3, "unit": "bar"}}), "suction_filter_pressure_drop")  # fmt: skip # noqa: E501
    assert (drop.value, drop.unit, drop.outcome) == (30.0, "kPa", None)
    assert "not judged" in drop.note


def test_condensing_temperature_in_place_of_the_discharge_pressure(derived, value_of):
    found = derived(
        {
            "condensing_temperature": {"value": 40, "unit": "degC"},
            "saturated_suction_temperature": {"value": -10, "unit": "degC"},
            "entering_medium_temperature": {"value": 30, "unit": "degC"},
            "discharge_temperature": {"value": 80, "unit": "degC"},
        },
        unit={"condenser": "air"},
    )
    assert value_of(found, "condensing_over_entering").value == 10.0
    assert value_of(found, "discharge_superheat").value == 40.0
    # R-134a has 1016.6 kPa at 40 and 200.6 kPa at -10 degC [published saturation tables, from memory].
    assert value_of(found, "compression_ratio").value == pytest.approx(1016.6 / 200.6, abs=0.01)


@pytest.mark.parametrize(
    ("old", "new"), [("air_cooled", "air"), ("water_cooled", "water"), ("evaporative", "evaporative")]
)
def test_a_condenser_is_judged_alike_in_both_spellings(old, new, derived, value_of):
    readings = {"condensing_over_entering": {"value": 15, "unit": "K"}}
    one, other = (
        value_of(derived(readings, unit={"condenser": spelled}), "condensing_over_entering")
        for spelled in (old, new)
    )
    assert one == other


def test_standing_excess_as_a_pressure(derived, value_of):
    """R-134a at 20 degC has 571.7 kPa and at 22.7 degC about 621 kPa [published tables, from memory]."""
    excess = {"standing_pressure_excess": {"value": 0.5, "unit": "bar"}}
    found = derived(excess | {"standing_temperature": {"value": 20, "unit": "degC"}})
    assert value_of(found, "standing_pressure_excess").value == pytest.approx(2.7, abs=0.1)
    assert found.outcomes == {"standing_pressure": ("above",)}
    lone = derived(excess)
    assert lone.outcomes == {}
    assert value_of(lone, "standing_pressure_excess_kpa").value == 50.0


def test_days_in_service_from_the_dates(derived, value_of):
    def found(installed):
        return derived(unit={"installed_at": installed}, job={"failed_at": "2026-01-05T10:00:00Z"})

    assert value_of(found("2026-01-02"), "days_in_service").value == 3.0
    assert found("2026-01-02").outcomes == {"service_age": ("first_100_hours",)}
    assert found("2026-01-06").outcomes == {}
    assert "installed_at lies after failed_at" in found("2026-01-06").notes[0]


def test_half_of_a_reading_yields_what_it_can(derived, value_of):
    lone = derived({"capacitor": {"measured_uf": 20}})
    assert (value_of(lone, "capacitance").value, lone.outcomes) == (20.0, {})
    one = derived({"line_voltages_v": 398})
    assert one.outcomes == {"supply_voltage": ("within_10_percent",)}
    assert one == derived({"line_voltages_v": [398]})
    insulation = value_of(derived({"insulation": {"resistance_megohm": 12}}), "insulation_at_40c")
    assert "not corrected" in insulation.note


@pytest.mark.parametrize(("ohms", "outcome"), [([1.0, 1.2], "unequal"), ([1.0, 1.02], None), ([1.0], None)])
def test_two_of_three_windings_say_what_holds_whatever_the_third_is(ohms, outcome, derived):
    found = derived({"winding_resistances_ohm": ohms})
    assert found.outcomes.get("winding_resistance") == (outcome and (outcome,))
    single = derived(
        {"winding_resistances_ohm": ohms}, unit={"motor": "single_phase", "winding_connection": None}
    )
    assert single.outcomes == {}
    assert f"{len(ohms)} of three do not" in single.notes[0]


def test_a_permanent_magnet_motor_has_three_windings(derived):
    found = derived({"winding_resistances_ohm": [1, 1, 1.3]}, unit={"motor": "permanent_magnet"})
    assert found.outcomes == {"winding_resistance": ("unequal",)}
