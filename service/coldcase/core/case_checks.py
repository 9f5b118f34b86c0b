"""What is looked at once a case has its shape: blanks around labels, times that cannot be, ranges where none
is taken.
"""

from collections.abc import Iterator
from datetime import date
from typing import Any, TypeVar

import msgspec

from coldcase.core.case import Case
from coldcase.core.quantities import Measurement, Range, given, range_unit
from coldcase.errors import Flaw

FIRST_YEAR, LAST_YEAR = 1900, 2199
_LABELS = {
    "job": ("ref", "circuit", "site"),
    "unit": ("ref", "make", "model", "serial", "refrigerant"),
}

_Struct = TypeVar("_Struct", bound=msgspec.Struct)


def trimmed(case: Case) -> Case:
    """The case with no blanks around its labels."""
    job, unit = _stripped(case.job, _LABELS["job"]), _stripped(case.unit, _LABELS["unit"])
    if job is case.job and unit is case.unit:
        return case
    return msgspec.structs.replace(case, job=job, unit=unit)


def _stripped(part: _Struct, names: tuple[str, ...]) -> _Struct:
    changed: dict[str, Any] = {}
    for name in names:
        label = getattr(part, name)
        if label is not None and (bare := label.strip()) != label:
            changed[name] = bare
    return msgspec.structs.replace(part, **changed) if changed else part


def time_flaws(case: Case) -> Iterator[Flaw]:
    """Sentinels for "no time" (year 1, year 9999) and slips, which no database and no reader can do anything
    with; and a failure after the job closed.
    """
    job = case.job
    times: dict[str, date | None] = {
        "/job/closed_at": job.closed_at,
        "/job/failed_at": job.failed_at,
        "/oil_results/sampled_at": case.oil_results.sampled_at,
        "/unit/installed_at": case.unit.installed_at,
    }
    believable = True
    for place, time in times.items():
        if time is not None and not FIRST_YEAR <= time.year <= LAST_YEAR:
            believable = False
            yield Flaw(
                place,
                f"The year {time.year} is not believable ({FIRST_YEAR} to {LAST_YEAR}); leave out "
                "what is not known.",
            )
    if believable and job.failed_at and job.closed_at and job.failed_at > job.closed_at:
        yield Flaw(
            "/job/failed_at",
            f"It failed at {job.failed_at:%Y-%m-%d %H:%M %Z}, after the job was closed at "
            f"{job.closed_at:%Y-%m-%d %H:%M %Z}.",
        )


def range_flaws(case: Case) -> Iterator[Flaw]:
    """Ranges where one value is needed, and ranges in a unit that is not the member's."""
    for place, value in _single(case):
        if value is not None and value.is_range:
            yield Flaw(place, "A range is not taken here; send one value.")
    if case.metered:
        yield from _units(case.readings, "/readings")


def _single(case: Case) -> Iterator[tuple[str, Measurement | None]]:
    """What takes one value alone, with its place."""
    yield "/unit/oil_charge", case.unit.oil_charge
    yield "/unit/refrigerant_charge", case.unit.refrigerant_charge
    if case.metered:
        yield "/readings/barometric_pressure", case.readings.barometric_pressure
        yield "/readings/ambient_pressure", case.readings.ambient_pressure
        yield "/oil_results/viscosity_temperature", case.oil_results.viscosity_temperature


def _units(part: msgspec.Struct, place: str) -> Iterator[Flaw]:
    for name, value in given(part):
        if isinstance(value, Range):
            if value.unit != (unit := range_unit(name)):
                detail = f"A range of '{name}' is in {unit}, not in {value.unit}."
                yield Flaw(f"{place}/{name}/unit", detail, unit)
        elif isinstance(value, msgspec.Struct) and not isinstance(value, Measurement):
            yield from _units(value, f"{place}/{name}")
