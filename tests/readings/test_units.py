import fluids
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.case import Readings
from coldcase.core.quantities import Amount, Mass, Pressure, Temperature, TemperatureDifference
from coldcase.readings import units

# Outside reference: the unit library `pint` (0.25).
PINT = pint.UnitRegistry()
PINT_PRESSURES = {
    "kPag": ("kilopascal", 1), "kPaa": ("kilopascal", 0), "MPag": ("megapascal", 1), "MPaa": ("megapascal",
    0),
    "barg": ("bar", 1), "bara": ("bar", 0), "psig": ("psi", 1), "psia": ("psi", 0), "inHg_vac": ("inch_Hg",
    -1),
}  # fmt: skip
PINT_AMOUNTS = {
    "L": "liter", "mL": "milliliter", "floz_us": "US_fluid_ounce", "kg": "kilogram", "g": "gram",
    "lb": "pound", "oz": "ounce",
}  # fmt: skip
PINT_TEMPERATURES = {"degC": "degC", "degF": "degF", "K": "kelvin"}
AMBIENT = 84_556.0


@pytest.mark.parametrize("unit", PINT_PRESSURES)
@pytest.mark.parametrize("value", [0, 1, 14.7, 118, 1e-3])
def test_pressures_convert_as_pint_does(unit, value):
    name, above_ambient = PINT_PRESSURES[unit]
    there = PINT.Quantity(value, name).to("pascal").magnitude
    expected = AMBIENT - there if above_ambient < 0 else there + above_ambient * AMBIENT
    assert units.pascals(Pressure(value=value, unit=unit), AMBIENT) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("unit", PINT_TEMPERATURES)
@pytest.mark.parametrize("value", [-40, 0, 55, 225])
def test_temperatures_convert_as_pint_does(unit, value):
    expected = PINT.Quantity(value, PINT_TEMPERATURES[unit]).to("kelvin").magnitude
    assert units.kelvins(Temperature(value=value, unit=unit)) == pytest.approx(expected, rel=1e-12)


def test_a_temperature_difference_has_no_offset():
    expected = PINT.Quantity(18, "delta_degF").to("kelvin").magnitude
    assert units.kelvins_apart(TemperatureDifference(value=18, unit="degF_diff")) == pytest.approx(expected)
    assert units.kelvins_apart(TemperatureDifference(value=10, unit="K")) == 10


@pytest.mark.parametrize("unit", PINT_AMOUNTS)
def test_amounts_convert_as_pint_does(unit):
    amount = Amount(value=3.7, unit=unit)
    base, convert = ("liter", units.litres) if units.is_volume(amount) else ("kilogram", units.kilograms)
    assert convert(amount) == pytest.approx(
        PINT.Quantity(3.7, PINT_AMOUNTS[unit]).to(base).magnitude, rel=1e-12
    )


def test_a_refrigerant_charge_is_a_mass():
    assert units.kilograms(Mass(value=16, unit="oz")) == pytest.approx(
        units.kilograms(Mass(value=1, unit="lb")), rel=1e-12
    )


@pytest.mark.parametrize("altitude", [-300, 0, 500, 1500, 1609, 3000, 5000])
def test_air_pressure_by_altitude_is_the_standard_atmosphere(altitude):
    # Outside reference: US Standard Atmosphere 1976 as in the library `fluids`.
    assert units.standard_atmosphere(altitude) == pytest.approx(fluids.ATMOSPHERE_1976(altitude).P, rel=1e-5)


def test_a_measured_air_pressure_counts_before_the_altitude():
    measured = Pressure(value=83.1, unit="kPaa")
    assert units.ambient_of(Readings(barometric_pressure=measured, altitude_m=1500)).pascals == pytest.approx(
        83_100
    )
    assert units.ambient_of(Readings(altitude_m=1500)).pascals == pytest.approx(84_556, rel=1e-4)
    assert units.ambient_of(Readings()).pascals == 101_325


@given(st.sampled_from(sorted(PINT_PRESSURES)), st.floats(-1e6, 1e6), st.floats(50_000, 110_000))
def test_a_pressure_survives_the_way_to_si_and_back(unit, value, ambient):
    absolute = units.pascals(Pressure(value=value, unit=unit), ambient)
    assert units.pressure_in(absolute, unit, ambient) == pytest.approx(value, rel=1e-9, abs=1e-6)


@given(st.sampled_from(sorted(PINT_TEMPERATURES)), st.floats(-1e6, 1e6))
def test_a_temperature_survives_the_way_to_si_and_back(unit, value):
    assert units.temperature_in(units.kelvins(Temperature(value=value, unit=unit)), unit) == pytest.approx(
        value, rel=1e-9, abs=1e-6
    )
