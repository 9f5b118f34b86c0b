"""Trade units to SI, and back: pressures in Pa absolute, temperatures in K, volumes in L, masses in kg.

Factors: NIST Special Publication 811 (2008), appendix B.8; the pound, the inch, the US fluid ounce and the
standard atmosphere are exact by definition. The inch of mercury is the conventional one (0 degC, standard
gravity).
"""

from dataclasses import dataclass

from coldcase.core.case import Readings
from coldcase.core.quantities import (
    Amount,
    Mass,
    Pressure,
    PressureDifference,
    SaturationExcess,
    Temperature,
    TemperatureDifference,
)

ATMOSPHERE = 101_325.0
# Lowest air pressure that people work in and highest ever measured, with a margin, in Pa [judgement].
AIR = (30_000.0, 115_000.0)
ICE_POINT = 273.15
RANKINE = 5 / 9
# US Standard Atmosphere 1976: m, K, K/m, and gravity times molar mass over the gas constant in K/m.
_EARTH_RADIUS, _SEA_LEVEL, _LAPSE = 6_356_766.0, 288.15, 0.0065
_GRAVITY_OVER_GAS = 9.80665 * 0.028_964_4 / 8.314_32
_PSI = 4.448_221_615_260_5 / 0.0254**2
_INCH_OF_MERCURY = 25.4 * 133.322_387_415

_PASCALS = {
    "kPag": 1e3, "kPaa": 1e3, "MPag": 1e6, "MPaa": 1e6, "barg": 1e5, "bara": 1e5, "psig": _PSI, "psia": _PSI,
    "inHg_vac": -_INCH_OF_MERCURY,
}  # fmt: skip
_PASCALS_APART = {"kPa": 1e3, "bar": 1e5, "mbar": 1e2, "psi": _PSI}
_LITRES = {"L": 1.0, "mL": 1e-3, "floz_us": 0.029_573_529_562_5}
_KILOGRAMS = {"kg": 1.0, "g": 1e-3, "lb": 0.453_592_37, "oz": 0.453_592_37 / 16}


@dataclass(frozen=True, slots=True)
class Ambient:
    """The air pressure in Pa at the machine, and where the figure comes from."""

    pascals: float
    origin: str


def is_gauge(pressure: Pressure) -> bool:
    """Whether the value counts from the air pressure (`inHg_vac`: downwards)."""
    return not pressure.unit.endswith("a")


def pascals(pressure: Pressure, ambient: float) -> float:
    """Absolute pressure in Pa; `ambient` is the air pressure in Pa. Not above zero for what cannot be."""
    return pressure.figure * _PASCALS[pressure.unit] + (ambient if is_gauge(pressure) else 0.0)


def pressure_in(absolute: float, unit: str, ambient: float) -> float:
    """An absolute pressure in Pa, expressed in a unit of the trade."""
    return (absolute - (0.0 if unit.endswith("a") else ambient)) / _PASCALS[unit]


def kelvins(temperature: Temperature) -> float:
    """Thermodynamic temperature in K."""
    match temperature.unit:
        case "K":
            return temperature.figure
        case "degC":
            return temperature.figure + ICE_POINT
        case "degF":
            return (temperature.figure + 459.67) * RANKINE


def temperature_in(kelvin: float, unit: str) -> float:
    """A temperature in K, expressed in a unit of the trade."""
    if unit == "degF":
        return kelvin / RANKINE - 459.67
    return kelvin - ICE_POINT if unit == "degC" else kelvin


def pascals_apart(difference: PressureDifference | SaturationExcess) -> float:
    """A pressure difference in Pa. Raises KeyError for a temperature difference."""
    return difference.figure * _PASCALS_APART[difference.unit]


def kelvins_apart(difference: TemperatureDifference | SaturationExcess) -> float:
    """A temperature difference in K."""
    return difference.figure * (RANKINE if difference.unit == "degF_diff" else 1.0)


def is_volume(amount: Amount) -> bool:
    """Whether an amount of oil was given by volume."""
    return amount.unit in _LITRES


def litres(amount: Amount) -> float:
    """An amount given by volume, in L."""
    return amount.figure * _LITRES[amount.unit]


def kilograms(amount: Amount | Mass) -> float:
    """An amount given by mass, in kg."""
    return amount.figure * _KILOGRAMS[amount.unit]


def standard_atmosphere(altitude_m: float) -> float:
    """Air pressure in Pa at an altitude up to 11 km, by the US Standard Atmosphere 1976."""
    geopotential = _EARTH_RADIUS * altitude_m / (_EARTH_RADIUS + altitude_m)
    return float(ATMOSPHERE * (1 - _LAPSE * geopotential / _SEA_LEVEL) ** (_GRAVITY_OVER_GAS / _LAPSE))


def is_air_pressure(pressure: Pressure) -> bool:
    """Whether a value can be that of the air around: absolute, and within AIR."""
    return not is_gauge(pressure) and AIR[0] <= pascals(pressure, 0.0) <= AIR[1]


def ambient_of(readings: Readings) -> Ambient:
    """The air pressure that gauge readings count from: as measured, else by altitude, else the standard
    atmosphere.
    """
    for name in ("barometric_pressure", "ambient_pressure"):
        measured: Pressure | None = getattr(readings, name)
        if measured is not None and is_air_pressure(measured):
            return Ambient(pascals(measured, 0.0), f"from {name}")
    if readings.altitude_m is not None:
        return Ambient(
            standard_atmosphere(readings.altitude_m), f"standard atmosphere at {readings.altitude_m:g} m"
        )
    return Ambient(ATMOSPHERE, "assumed: standard atmosphere at sea level")
