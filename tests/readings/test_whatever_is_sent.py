"""Whatever is sent: no exception, finite values, only outcomes that the table has and this machine can
show."""

import math
import random

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase.core.case import Case, OilResults, Readings
from coldcase.core.conditions import machine_of, passes_gate
from coldcase.core.quantities import range_unit
from coldcase.readings.findings import derive
from coldcase.readings.impossible_values import impossible_values
from coldcase.readings.refrigerants import DESIGNATIONS

REFRIGERANTS = ["R-134a", "R-410A", "R-448A", "R-744", "R-717", "R-600a", "R-9999", None]
# Mostly what a technician might note, sometimes anything.
LIKELY = {
    "degC": st.floats(-60, 160), "degF": st.floats(-80, 320), "K": st.floats(-5, 420),
    "degF_diff": st.floats(-5, 100),
    "kPaa": st.floats(20, 4500), "barg": st.floats(-0.9, 45), "psig": st.floats(-14, 600),
    "inHg_vac": st.floats(0, 30),
    "kg": st.floats(0, 40), "L": st.floats(0, 10), "lb": st.floats(0, 80),
    "kPa": st.floats(-50, 500), "psi": st.floats(0, 70), "bar": st.floats(0, 3),
}  # fmt: skip
ANY = st.one_of(st.floats(-1e12, 1e12), st.sampled_from([0.0, -0.0, 1e12, 1e-300, 5e-324]))
KINDS = {
    "Pressure": ["kPaa", "barg", "psig", "inHg_vac"], "Temperature": ["degC", "degF", "K"],
    "TemperatureDifference": ["K", "degF_diff"],
    "Amount": ["kg", "L"], "Mass": ["kg", "lb"], "PressureDifference": ["kPa", "psi"],
    "SaturationExcess": ["K", "bar"],
}  # fmt: skip
MOTORS = ["three_phase", "single_phase", "inverter", "permanent_magnet", "unknown"]
BOUNDS = st.sampled_from(["<0", "<5", "<100", ">0", ">1000", "> 5.5", "<999999999999"])
NUMBERS = st.one_of(st.floats(0, 500), ANY.map(abs))


def quantity(kind, *, ranges=True):
    positive = kind in ("Amount", "Mass")
    return st.sampled_from(KINDS[kind]).flatmap(
        lambda unit: st.one_of(LIKELY[unit], LIKELY[unit], ANY).flatmap(
            lambda value: measurement(abs(value) if positive else value, unit, ranges=ranges)
        )
    )


def measurement(value, unit, *, ranges):
    one = st.just({"value": value, "unit": unit})
    if not ranges:
        return one
    wider = st.floats(0, 20).map(lambda more: {"from": value, "to": min(value + more, 1e12), "unit": unit})
    return st.one_of(one, one, wider)


def plain(name):
    """A plain number, or a range of it."""
    ends = st.tuples(NUMBERS, NUMBERS).map(sorted)
    return NUMBERS | ends.map(lambda two: {"from": two[0], "to": two[1], "unit": range_unit(name)})


SPECIAL = {
    "altitude_m": st.floats(-500, 9000),
    "density_kg_l": st.floats(0.5, 2),
    "sampled_at": st.just("2026-03-02T16:40:00Z"),
    "particle_count_iso4406": st.sampled_from(["20/18/15", "-/15/12", ">28/20/14", "no code"]),
    "barometric_pressure": quantity("Pressure", ranges=False),
    "ambient_pressure": quantity("Pressure", ranges=False),
    "viscosity_temperature": quantity("Temperature", ranges=False),
    "fresh_viscosity_40c_mm2_s": st.floats(0.001, 1e6),
    "capacitor": st.fixed_dictionaries(
        {"rated_uf": st.floats(1e-300, 1e6), "measured_uf": st.floats(0, 1e6)}
    ),
    "winding_resistances_ohm": st.lists(NUMBERS, min_size=3, max_size=3),
    "insulation": st.fixed_dictionaries(
        {},
        optional={"winding_temperature": quantity("Temperature"), "test_voltage_v": NUMBERS}
        | dict.fromkeys(("resistance_megohm", "one_minute_megohm", "ten_minute_megohm"), NUMBERS | BOUNDS),
    ),
}


def member(part, name):
    if name in SPECIAL:
        return SPECIAL[name]
    kind = str(part.__annotations__[name])
    if "Range" in kind:
        listed = [st.lists(NUMBERS, min_size=1, max_size=3)] if "list" in kind else []
        return st.one_of(plain(name), *listed, *([BOUNDS] if "str" in kind else []))
    found = next(
        (each for each in sorted(KINDS, key=len, reverse=True) if each in kind),
        None,
    )
    if found is not None:
        return quantity(found)
    if "list" in kind:
        return st.lists(NUMBERS, min_size=1, max_size=3)
    return NUMBERS | BOUNDS if "str" in kind else NUMBERS


def part(struct):
    return st.fixed_dictionaries(
        {}, optional={name: member(struct, name) for name in struct.__struct_fields__}
    )


CASES = st.fixed_dictionaries(
    {
        "unit": st.fixed_dictionaries(
            {
                "compressor_type": st.sampled_from(["scroll", "rotary", "reciprocating", "unknown"]),
                "motor": st.sampled_from(MOTORS),
            },
            optional={
                "refrigerant": st.sampled_from(REFRIGERANTS), "lubricant": st.sampled_from(["POE", "mineral",
                "unknown"]),
                "viscosity_grade": st.integers(1, 5000), "rated_voltage_v": st.sampled_from([1e-300, 230,
                400]),
                "rated_current_a": st.sampled_from([1e-300, 20]),
                "oil_charge": quantity("Amount", ranges=False),
                "refrigerant_charge": quantity("Mass", ranges=False),
                "rated_control_voltage_v": st.sampled_from([1e-300, 24]),
            },
        ),
        "readings": part(Readings),
        "oil_results": part(OilResults),
    }
)  # fmt: skip


@pytest.fixture(scope="session")
def check(table):
    """A function, so that a failing example prints the case and not the whole table."""
    return lambda case: sound(case, table)


def sound(case, table):
    # Intake refuses what `impossible_values` names; without intake (a caller's mistake) nothing may break
    # either.
    impossible_values(case)
    found = derive(case, table)
    machine = machine_of(case.unit)
    figures = [value.value for value in found.values if not isinstance(value.value, str)]
    assert all(value.to is None or value.to >= value.value for value in found.values)
    assert all(figure is not None and math.isfinite(figure) for figure in figures)
    for code, outcomes in found.outcomes.items():
        finding = table.findings[code]
        rows = {row.code: row for row in finding.outcomes}
        assert passes_gate(finding.gate, *machine)
        assert len(set(outcomes)) == len(outcomes) > 0
        assert all(passes_gate(rows[outcome].gate, *machine) for outcome in outcomes)
    return found


@settings(max_examples=150)
@given(CASES)
def test_a_case_of_anything(check, raw):
    case = msgspec.convert(raw, Case)
    assert check(case) == check(case), "the same case gives the same values"


@pytest.mark.parametrize("designation", DESIGNATIONS)
def test_every_refrigerant_across_its_whole_range(designation, check):
    """Pressures and temperatures at random, by a fixed seed, from deep vacuum to past the critical point."""
    dice = random.Random(designation)
    for _ in range(25):
        readings = {
            f"{name}_pressure": {"value": math.exp(dice.uniform(0, 9.5)), "unit": "kPaa"}
            for name in ("suction", "discharge", "liquid", "standing")
        } | {
            f"{name}_temperature": {"value": dice.uniform(-90, 250), "unit": "degC"}
            for name in ("suction", "discharge", "liquid", "standing", "sump", "entering_medium")
        }  # fmt: skip
        unit = {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": designation}
        check(msgspec.convert({"unit": unit, "readings": readings}, Case))
