"""Values that are impossible in themselves: no machine, gauge or laboratory can have read them."""

import re
from collections.abc import Iterator

import msgspec

from coldcase.core.case import Case, OilResults, Readings
from coldcase.core.quantities import Pressure, Sent, Temperature, given
from coldcase.errors import Flaw
from coldcase.readings.iso4406 import parse_code
from coldcase.readings.units import (
    AIR,
    ambient_of,
    is_air_pressure,
    is_gauge,
    kelvins,
    pascals,
    pressure_in,
    temperature_in,
)

_WHOLE = {
    name: whole
    for name in OilResults.__struct_fields__
    for ending, whole in {"mg_kg": 1e6, "percent": 100.0}.items()
    if name.endswith(ending)
}
_AMBIENT = ("barometric_pressure", "ambient_pressure")


def impossible_values(case: Case) -> list[Flaw]:
    """Every value of the case that cannot be, each with its pointer; empty for a case that can be worked
    with.
    """
    if not case.metered:
        return []
    sent = given(case.readings)
    return [
        Flaw(pointer, detail)
        for part in (
            _temperatures(case, sent),
            _pressures(case.readings, sent),
            _air(case.readings),
            _oil(case.oil_results),
        )
        for pointer, detail in part
    ]


def _temperatures(case: Case, sent: Sent) -> Iterator[tuple[str, str]]:
    readings = case.readings
    places: list[tuple[str, str, Temperature | None]] = [
        ("/readings/", name, value) for name, value in sent if isinstance(value, Temperature)
    ]
    if readings.insulation is not None:
        winding = readings.insulation.winding_temperature
        places.append(("/readings/insulation/", "winding_temperature", winding))
    places.append(("/oil_results/", "viscosity_temperature", case.oil_results.viscosity_temperature))
    for part, name, value in places:
        # Of a range the lower end, `figure`, is the first to be impossible.
        if value is not None and kelvins(value) <= 0:
            zero = temperature_in(0, value.unit)
            yield (
                part + name,
                f"{value.figure:g} {value.unit} is not above absolute zero ({zero:g} {value.unit})",
            )


def _pressures(readings: Readings, sent: Sent) -> Iterator[tuple[str, str]]:
    ambient = ambient_of(readings)
    for name, reading in sent:
        if not isinstance(reading, Pressure) or name in _AMBIENT:
            continue
        value = _deepest(reading)
        if pascals(value, ambient.pascals) <= 0:
            vacuum = pressure_in(0, value.unit, ambient.pascals)
            origin = (
                f", air pressure {ambient.pascals / 1e3:.4g} kPa {ambient.origin}" if is_gauge(value) else ""
            )
            yield (
                f"/readings/{name}",
                (
                    f"{value.figure:g} {value.unit} is beyond a perfect vacuum ({vacuum:.4g} "
                    f"{value.unit}{origin})"
                ),
            )


def _deepest(value: Pressure) -> Pressure:
    """The pressure itself; of a range the end that is nearer to a vacuum."""
    if value.is_range:
        end = value.to if value.unit == "inHg_vac" else value.from_
        return msgspec.structs.replace(value, value=end, from_=None, to=None)
    return value


def _air(readings: Readings) -> Iterator[tuple[str, str]]:
    for name in _AMBIENT:
        value: Pressure | None = getattr(readings, name)
        if value is None:
            continue
        if is_gauge(value):
            yield (
                f"/readings/{name}",
                f"an air pressure is absolute; {value.unit} counts from the air pressure itself",
            )
        elif not is_air_pressure(value):
            air = f"{AIR[0] / 1e3:g} to {AIR[1] / 1e3:g} kPa"
            yield f"/readings/{name}", f"{value.figure:g} {value.unit} is no air pressure ({air})"


def _oil(results: OilResults) -> Iterator[tuple[str, str]]:
    for name, value in given(results):
        whole = _WHOLE.get(name)
        if whole is not None and _number(value) > whole:
            yield (
                f"/oil_results/{name}",
                f"{value} is more than the whole sample ({whole:,.0f}): a decimal comma read as thousands?",
            )
    code = results.particle_count_iso4406
    if code is not None and parse_code(code) is None:
        detail = (
            f"{code!r} is no ISO 4406 code: two or three scale numbers 0 to 28 or >28 that do "
            "not rise, such as 20/18/15 or -/15/12"
        )
        yield "/oil_results/particle_count_iso4406", detail


def _number(value: float | str) -> float:
    """The figure in a result; that of an upper bound is no claim, so it counts as zero."""
    if isinstance(value, str):
        return 0.0 if value.startswith("<") else float(re.sub(r"[<> ]", "", value))
    return value
