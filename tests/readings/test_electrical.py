import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.readings.electrical import at_40c, derating, extra_rise, unbalance

# Line voltages and their unbalance in per cent. NEMA MG 1 as quoted in secondary texts: 1.96; a government
# motor-systems tip sheet (from memory): 1.1. The others were computed from the definition; a rounded mean
# gives 2.27, 2.02 and 1.69 instead.
UNBALANCE = [
    ([460, 467, 450], 1.961), ([225, 220, 216], 2.118), ([404, 393, 392], 1.934), ([429, 415, 419], 1.900),
    ([422, 409, 415], 1.605), ([462, 463, 455], 1.087), ([230, 230, 230], 0.0),
]  # fmt: skip


@pytest.mark.parametrize(("volts", "percent"), UNBALANCE)
def test_unbalance_by_nema(volts, percent):
    assert unbalance(volts) == pytest.approx(percent, abs=5e-4)


def test_a_rounded_mean_would_cross_the_limit(derived, value_of):
    found = derived({"line_voltages_v": [404, 393, 392]})
    assert value_of(found, "voltage_unbalance").outcome == "within_2_percent"
    assert value_of(derived({"line_voltages_v": [405, 393, 392]}), "voltage_unbalance").outcome == "raised"


def test_heating_and_derating():
    # Common practice: twice the square of the unbalance; NEMA MG 1 figure 14-1, from memory.
    assert extra_rise(3.5) == pytest.approx(24.5)
    assert derating(0.5) == 1
    assert derating(2) == pytest.approx(0.95)
    assert derating(3) == pytest.approx(0.90)
    assert derating(4.5) == pytest.approx(0.79)
    assert derating(5.1) is None


@pytest.mark.parametrize("volts", [[480, 480, 0], [400, 200, 200], [400, 0, 0]])
def test_a_lost_line_is_no_unbalance(volts, derived, value_of):
    found = derived({"line_voltages_v": volts})
    assert found.outcomes == {"current_balance": ("one_line_dead",)}
    assert "lost line" in value_of(found, "voltage_unbalance").note
    assert value_of(found, "voltage_to_rating") is None, (
        "the mean of two live lines and a dead one says nothing of the supply"
    )


def test_a_line_without_current_is_dead(derived):
    assert derived({"line_currents_a": [20, 21, 0.3]}).outcomes == {"current_balance": ("one_line_dead",)}


def test_three_lines_on_a_single_phase_motor_are_named(derived):
    found = derived({"line_voltages_v": [230, 231, 229]}, unit={"motor": "single_phase"})
    assert not found.outcomes
    assert any("single-phase" in note for note in found.notes)


def test_voltage_without_a_rating_yields_what_it_can(derived):
    found = derived(
        {"line_voltages_v": [401, 396, 399], "start_voltage_v": 300}, unit={"rated_voltage_v": None}
    )
    assert found.outcomes == {"voltage_unbalance": ("within_2_percent",)}
    assert any("rating is not stated" in note for note in found.notes)


def test_the_start_voltage_tells_only_when_it_falls(derived):
    assert derived({"start_voltage_v": 300}).outcomes == {"supply_voltage": ("sags_at_start",)}
    assert not derived({"start_voltage_v": 380}).outcomes
    assert derived({"start_voltage_v": 300, "line_voltages_v": [400, 400, 400]}).outcomes[
        "supply_voltage"
    ] == ("sags_at_start",)


def insulation(megohm, celsius=None, **more):
    temperature = {} if celsius is None else {"winding_temperature": {"value": celsius, "unit": "degC"}}
    return {"insulation": {"resistance_megohm": megohm, **temperature, **more}}


# Thermosetting factors of IEEE 43-2013 (from memory): 10 degC 0.656, 20 degC 0.762, 30 degC 0.877, 50 degC
# 1.52, 70 degC 3.26, 85 degC 5.47.
@pytest.mark.parametrize(
    ("megohm", "celsius", "corrected"),
    [
        (1, 10, 0.656),
        (5, 20, 3.81),
        (1, 30, 0.877),
        (100, 40, 100),
        (1, 50, 1.52),
        (0.4, 70, 1.304),
        (1, 85, 5.47),
    ],
)
def test_insulation_is_corrected_to_40_degrees(megohm, celsius, corrected):
    assert at_40c(megohm, celsius) == pytest.approx(corrected, rel=2e-3)


def test_a_hot_winding_is_not_made_good_nor_a_cold_one_bad(derived):
    assert derived(insulation(0.4, 70)).outcomes == {"insulation_resistance": ("doubtful",)}
    assert derived(insulation(0.45, 84)).outcomes == {"insulation_resistance": ("doubtful",)}
    assert derived(insulation(5, 20)).outcomes == {"insulation_resistance": ("good",)}
    assert derived(insulation(15, 5)).outcomes == {"insulation_resistance": ("good",)}


def test_turns_shorted_alike_show_against_the_plate_at_its_temperature(derived, value_of):
    # Copper: 2.0 ohm at 20 degC has 2.629 ohm at 100 degC, (234.5 + 100) / (234.5 + 20) as much.
    hot = {"winding_temperature": {"value": 100, "unit": "degC"}}
    sound = derived({"winding_resistances_ohm": [2.629, 2.629, 2.629], "plate_resistance_ohm": 2.0, **hot})
    assert value_of(sound, "winding_to_plate").value == 1.0
    assert sound.outcomes == {"winding_resistance": ("as_plate",)}
    shorted = derived({"winding_resistances_ohm": [2.0, 2.0, 2.0], "plate_resistance_ohm": 2.0, **hot})
    assert shorted.outcomes == {"winding_resistance": ("all_low",)}
    cold = derived({"winding_resistances_ohm": [2.0, 2.0, 2.0], "plate_resistance_ohm": 2.0})
    assert any("winding_temperature is not stated" in note for note in cold.notes)


@pytest.mark.parametrize(
    ("kind", "measured", "outcomes"),
    [
        ("run", 52, {"capacitors": ("wrong_value",)}),
        ("run", 48.5, {}),
        ("run", 46, {"capacitors": ("in_tolerance",)}),
        ("start", 52, {"capacitors": ("in_tolerance",)}),
    ],
)
def test_a_run_capacitor_has_the_narrower_tolerance(derived, kind, measured, outcomes):
    sent = {"capacitor": {"kind": kind, "rated_uf": 45, "measured_uf": measured}}
    assert derived(sent, unit={"motor": "single_phase"}).outcomes == outcomes


def test_a_capacitor_without_its_rating_is_noted_and_not_refused(derived):
    found = derived({"capacitor": {"measured_uf": 40}}, unit={"motor": "single_phase"})
    assert not found.outcomes
    assert any("rated_uf of the capacitor is not stated" in note for note in found.notes)


def test_insulation_outcomes(derived, value_of):
    assert derived(insulation(100, 40)).outcomes == {"insulation_resistance": ("good",)}
    assert derived(insulation(0.1, 40)).outcomes == {"insulation_resistance": ("grounded",)}
    assert derived(insulation(">1000", 25)).outcomes == {"insulation_resistance": ("good",)}
    assert derived(insulation(0, 40)).outcomes == {"insulation_resistance": ("grounded",)}


def test_insulation_without_a_temperature_says_what_was_assumed(derived, value_of):
    found = derived(insulation(12))
    assert found.outcomes == {"insulation_resistance": ("good",)}
    assert "not corrected" in value_of(found, "insulation_at_40c").note


def test_a_test_in_vacuum_is_worthless(derived, value_of):
    found = derived(insulation(0.1, 40), opening={"high_voltage_test_in_vacuum": True})
    assert not found.outcomes
    assert "vacuum" in value_of(found, "insulation_at_40c").note


def test_a_winding_too_far_from_40_degrees_is_not_judged(derived, value_of):
    found = derived(insulation(3, 95))
    assert not found.outcomes
    assert "worthless" in value_of(found, "insulation_at_40c").note
    assert "warm winding" in value_of(derived(insulation(3, 70)), "insulation_at_40c").note


def test_the_rule_that_a_low_value_misses_is_named(derived, value_of):
    # 480 V: the old rule kV + 1 gives 1.48 megohm [IEEE 43, secondary text], random-wound windings need 5.
    found = derived(insulation(3, 40), unit={"rated_voltage_v": 480})
    assert "kV + 1 = 1.48 megohm" in value_of(found, "insulation_at_40c").note


def test_the_polarization_index_informs_and_never_decides(derived, value_of):
    found = derived(
        {"insulation": {"one_minute_megohm": 1000, "ten_minute_megohm": 1100, "resistance_megohm": 1000}}
    )
    index = value_of(found, "polarization_index")
    assert (index.value, index.outcome) == (1.1, None)
    assert "never decides" in index.note


def test_winding_unbalance(derived, value_of):
    # EASA AR100 example by its definition: 0.98, 1.00, 1.05 ohm have 3.96 per cent.
    found = derived({"winding_resistances_ohm": [0.98, 1.00, 1.05]})
    assert value_of(found, "winding_unbalance").value == 3.96
    assert "four-wire" in value_of(found, "winding_unbalance").note
    assert derived({"winding_resistances_ohm": [2.0, 2.0, 1.2]}).outcomes == {
        "winding_resistance": ("unequal",)
    }


def test_the_single_phase_identity(derived, value_of):
    sound = derived({"winding_resistances_ohm": [5.0, 2.0, 7.0]}, unit={"motor": "single_phase"})
    assert value_of(sound, "winding_identity_error").value == 0
    assert value_of(sound, "winding_unbalance") is None
    odd = derived({"winding_resistances_ohm": [2.0, 5.0, 9.0]}, unit={"motor": "single_phase"})
    assert value_of(odd, "winding_identity_error").value == pytest.approx(22.22)
    assert "terminals" in value_of(odd, "winding_identity_error").note


def test_windings_of_an_unknown_motor_are_not_judged(derived):
    found = derived({"winding_resistances_ohm": [1.0, 1.0, 2.0]}, unit={"motor": "unknown"})
    assert not found.outcomes
    assert any("motor is not known" in note for note in found.notes)


def test_an_open_winding_is_left_to_the_eye(derived):
    found = derived({"winding_resistances_ohm": [1.0, 1e6, 1e6]})
    assert not found.outcomes
    assert any("open" in note for note in found.notes)


def test_what_cannot_be_on_this_motor_is_not_yielded(derived, value_of):
    capacitor = {"capacitor": {"rated_uf": 40, "measured_uf": 20}}
    assert derived(capacitor, unit={"motor": "single_phase"}).outcomes == {
        "capacitors": ("weak_open_or_burst",)
    }
    found = derived(capacitor)
    assert not found.outcomes
    assert "cannot be on this machine" in value_of(found, "capacitor_to_rating").note
    assert derived({"shaft_voltage_v": 12}, unit={"motor": "inverter"}).outcomes == {
        "shaft_voltage": ("high",)
    }


@given(st.lists(st.floats(1, 1000), min_size=3, max_size=3), st.floats(0.1, 10))
def test_unbalance_knows_no_order_and_no_scale(volts, factor):
    assert unbalance([factor * volt for volt in reversed(volts)]) == pytest.approx(
        unbalance(volts), rel=1e-9, abs=1e-9
    )
    assert 0 <= unbalance(volts) <= 200
