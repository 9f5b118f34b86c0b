"""Readings sent as ranges: judged only where all of the range is judged alike."""

from itertools import combinations

import msgspec
import pytest

from coldcase.core.case import Case, Readings
from coldcase.core.quantities import Pressure, Range, given, range_unit
from coldcase.readings.impossible_values import impossible_values
from coldcase.readings.ranges import at_ends

VOLTS = {"from": 398, "to": 401, "unit": "V"}


@pytest.mark.parametrize(
    ("readings", "quantity", "ends", "outcome"),
    [
        ({"line_voltages_v": VOLTS}, "voltage_to_rating", (0.995, 1.002), "within_10_percent"),
        ({"line_voltages_v": VOLTS | {"from": 350}}, "voltage_to_rating", (0.875, 1.002), None),
        ({"start_voltage_v": {"from": 300, "to": 320, "unit": "V"}}, "start_voltage_to_rating",
         (0.75, 0.8), "sags_at_start"),
        ({"suction_superheat": {"from": 5, "to": 9, "unit": "K"}}, "suction_superheat", (5, 9), "normal"),
        ({"suction_superheat": {"from": 1, "to": 9, "unit": "K"}}, "suction_superheat", (1, 9), None),
        ({"insulation": {"resistance_megohm": {"from": 3, "to": 8, "unit": "megohm"}}}, "insulation_at_40c",
         (3, 8), "good"),
        ({"run_hours": {"from": 10, "to": 90, "unit": "h"}}, "run_hours", (10, 90), "first_100_hours"),
        ({"compression_ratio": {"from": 3, "to": 5, "unit": "ratio"}}, "compression_ratio", (3, 5), "inside"),
    ],
)  # fmt: skip
def test_a_range_is_judged_where_all_of_it_is_judged_alike(
    readings, quantity, ends, outcome, derived, value_of
):
    value = value_of(derived(readings), quantity)
    assert (value.value, value.to, value.outcome) == (*ends, outcome)
    assert outcome or "reaches across a limit" in value.note


def test_lines_within_a_range_are_no_farther_apart_than_one_at_its_end(derived, value_of):
    """(401, 398, 398): mean 399, 2 V off it, 0.5 per cent."""
    value = value_of(derived({"line_voltages_v": VOLTS}), "voltage_unbalance")
    assert (value.value, value.to, value.outcome) == (0.0, 0.5, "within_2_percent")
    single = derived({"line_voltages_v": VOLTS}, unit={"motor": "single_phase"})
    assert value_of(single, "voltage_unbalance") is None


def test_a_quantity_of_two_ranges_reaches_from_corner_to_corner(derived, value_of):
    def superheat(bar, celsius):
        readings = {
            "suction_pressure": {"value": bar, "unit": "barg"},
            "suction_temperature": {"value": celsius, "unit": "degC"},
        }
        return value_of(derived(readings), "suction_superheat").value

    value = value_of(
        derived(
            {
                "suction_pressure": {"from": 1.0, "to": 1.4, "unit": "barg"},
                "suction_temperature": {"from": 0, "to": 4, "unit": "degC"},
            }
        ),
        "suction_superheat",
    )
    assert (value.value, value.to) == (superheat(1.4, 0), superheat(1.0, 4))


def test_any_two_ranges_meet_at_all_pairs_of_their_ends():
    names = ["suction_pressure", "discharge_pressure", "liquid_pressure", "standing_pressure"]
    temperatures = ["suction_temperature", "liquid_temperature", "sump_temperature"]
    readings = {name: {"from": 1, "to": 2, "unit": "barg"} for name in names} | {
        name: {"from": 1, "to": 2, "unit": "degC"} for name in temperatures
    }
    unit = {"compressor_type": "scroll", "motor": "three_phase"}
    case = msgspec.convert({"unit": unit, "readings": readings}, Case)
    cases = [at_end for at_end, _ in at_ends(case, given(case.readings))]
    assert len(cases) == 8
    for one, other in combinations([*names, *temperatures], 2):
        pairs = {(getattr(each.readings, one).figure, getattr(each.readings, other).figure) for each in cases}
        assert len(pairs) == 4


def test_what_only_part_of_a_range_yields_is_not_judged(derived, value_of):
    """R-134a has no saturation temperature above 40.6 bar."""
    found = derived(
        {
            "discharge_pressure": {"from": 38, "to": 45, "unit": "bara"},
            "discharge_temperature": {"value": 130, "unit": "degC"},
        }
    )
    value = value_of(found, "discharge_superheat")
    assert value.outcome is None
    assert "discharge_temperature" not in found.outcomes or value.note is not None


def test_a_range_that_no_pressure_can_be_is_impossible_by_its_deeper_end(case):
    for ends, unit in (((-2, 3), "barg"), ((5, 40), "inHg_vac")):
        readings = {"suction_pressure": {"from": ends[0], "to": ends[1], "unit": unit}}
        assert [flaw.pointer for flaw in impossible_values(case(readings))] == ["/readings/suction_pressure"]


def test_every_plain_number_has_a_unit_for_its_range():
    units = {
        name: range_unit(name) for name, hint in Readings.__annotations__.items() if "Range" in str(hint)
    }
    assert units["line_currents_a"] == "A"
    assert units["contact_resistance_mohm"] == "mohm"
    assert units["plate_resistance_ohm"] == "ohm"
    assert units["pole_voltage_drop_mv"] == "mV"
    assert units["voltage_unbalance"] == "percent"
    assert units["starts_per_hour"] == "1/h"
    assert units["oil_to_charge"] == units["polarization_index"] == "ratio"


@pytest.mark.parametrize(
    "wrong", [{"value": 1, "from": 1, "to": 2}, {"from": 1}, {"to": 1}, {}, {"from": 2, "to": 1}]
)
def test_neither_a_value_nor_a_range_is_refused(wrong):
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert(wrong | {"unit": "barg"}, Pressure)


def test_a_range_of_one_value_is_that_value(derived, value_of):
    value = value_of(derived({"suction_superheat": {"from": 6, "to": 6, "unit": "K"}}), "suction_superheat")
    assert (value.value, value.to, value.outcome) == (6.0, None, "normal")
    assert msgspec.convert({"from": 1, "to": 1, "unit": "V"}, Range).to == 1
