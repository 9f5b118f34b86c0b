"""Raw readings that no such machine gives: named and kept out of the weighing, though not impossible in
themselves.
"""

from collections.abc import Iterator

from coldcase.core.case import Readings
from coldcase.core.quantities import Pressure, Sent, Temperature
from coldcase.readings.units import ambient_of, kelvins, pascals, temperature_in
from coldcase.readings.worksheet import Worksheet

# Wide of all that refrigeration plant reaches [judgement]: K, Pa absolute, V, A, ohm, megohm, microfarad.
_TEMPERATURE = (173.15, 573.15)
_HIGHEST_PRESSURE = 20e6
_HIGHEST = {
    "line_voltages_v": 15_000.0,
    "start_voltage_v": 15_000.0,
    "line_currents_a": 5_000.0,
    "winding_resistances_ohm": 1e9,
}
_DERIVED = {
    "saturated_suction_temperature",
    "condensing_temperature",
    "isentropic_discharge_temperature",
    "barometric_pressure",
    "ambient_pressure",
}


def doubt_implausible(readings: Readings, sent: Sent, worksheet: Worksheet) -> None:
    """Marks every raw reading, of what was sent, outside what refrigeration plant reaches as doubtful."""
    for name, value, limits in _outside(sent, ambient_of(readings).pascals):
        worksheet.doubt([name], f"{name} {value} is not credible ({limits})")


def _outside(sent: Sent, ambient: float) -> Iterator[tuple[str, str, str]]:
    for name, value in sent:
        if name in _DERIVED:
            continue
        if isinstance(value, Temperature):
            if not _TEMPERATURE[0] <= kelvins(value) <= _TEMPERATURE[1]:
                low, high = (temperature_in(end, value.unit) for end in _TEMPERATURE)
                yield name, f"{value.figure:g} {value.unit}", f"{low:.0f} to {high:.0f} {value.unit}"
        elif isinstance(value, Pressure):
            if pascals(value, ambient) > _HIGHEST_PRESSURE:
                yield name, f"{value.figure:g} {value.unit}", f"up to {_HIGHEST_PRESSURE / 1e6:g} MPa"
        elif name in _HIGHEST and max(value if isinstance(value, list) else [value]) > _HIGHEST[name]:
            yield name, f"{value}", f"up to {_HIGHEST[name]:g}"
