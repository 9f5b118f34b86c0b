"""Readings that were sent as ranges: the case at their ends, and what was worked out at each put together.

With n ranges not every combination of ends is worked out but the 2^k rows (2^k > n) of an orthogonal array
of strength two: any two ranges meet at all four pairs of their ends, and no quantity that is judged rests
on more than two readings. Each rises or falls with each reading, so its extremes stand at ends.
"""

import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import msgspec
from msgspec.structs import replace

from coldcase.core.case import Case
from coldcase.core.quantities import Measurement, Range, Sent, given
from coldcase.readings.worksheet import DerivedQuantity, Worksheet, joined_notes

_LINES = ("line_voltages_v", "line_currents_a", "pole_voltage_drop_mv", "contact_resistance_mohm")


def at_ends(case: Case, sent: Sent) -> list[tuple[Case, Sent]]:
    """The case itself, or where it has ranges the cases that stand for it, each with one value in place of
    every range; in the first all are lower ends. `sent` is what was sent of the readings, and goes with each.
    """
    lines = 3 if case.unit.motor not in ("single_phase", "unknown") else 1
    switches = list(_switches(sent, "", lines))
    if not switches:
        return [(case, sent)]
    pinned = []
    for row in range(1 << len(switches).bit_length()):
        raised = [name for place, name in enumerate(switches, 1) if (row & place).bit_count() & 1]
        readings = _pinned(case.readings, "", Counter(raised), lines)
        pinned.append((msgspec.structs.replace(case, readings=readings), given(readings)))
    return pinned


def _switches(sent: Sent, path: str, lines: int) -> Iterator[str]:
    """Every range by its path; one of three line values twice, for two switches count how many of the three
    stand at the upper end.
    """
    for name, value in sent:
        if isinstance(value, Measurement):
            if value.is_range:
                yield path + name
        elif isinstance(value, Range):
            yield path + name
            if name in _LINES and lines == 3:
                yield path + name
        elif isinstance(value, msgspec.Struct):
            yield from _switches(given(value), f"{path}{name}/", lines)


def _pinned(part: Any, path: str, raised: Counter[str], lines: int) -> Any:
    """The readings with each range at the end that its switches say."""
    changed: dict[str, Any] = {}
    for name in part.__struct_fields__:
        value, up = getattr(part, name), raised[path + name]
        if isinstance(value, Range) and name in _LINES:
            # None, one or all of the three: two high lines are less apart from the mean than one.
            high = (0, 1, 3)[up] if lines == 3 else up
            changed[name] = [value.to] * high + [value.from_] * (lines - high)
        elif isinstance(value, Range):
            changed[name] = value.to if up else value.from_
        elif isinstance(value, Measurement):
            if value.is_range:
                end = value.to if up else value.from_
                changed[name] = msgspec.structs.replace(value, value=end, from_=None, to=None)
        elif isinstance(value, msgspec.Struct):
            changed[name] = _pinned(value, f"{path}{name}/", raised, lines)
    return msgspec.structs.replace(part, **changed) if changed else part


def put_together(worksheets: list[Worksheet]) -> Worksheet:
    """One worksheet of those at the ends: each quantity from its least to its greatest value."""
    first = worksheets[0]
    if len(worksheets) == 1:
        return first
    whole = Worksheet(notes=_once(worksheets), doubtful=set().union(*(each.doubtful for each in worksheets)))
    for name in dict.fromkeys(name for each in worksheets for name in each.values):
        found = [each.values[name] for each in worksheets if name in each.values]
        whole.values[name] = _spread(found, everywhere=len(found) == len(worksheets))
    return whole


def _spread(found: list[DerivedQuantity], *, everywhere: bool) -> DerivedQuantity:
    low = min(found, key=lambda each: each.value)
    high = max(found, key=lambda each: each.value)
    if not everywhere:
        missing = "not judged: not all of the range yields it"
        low = replace(low, note=joined_notes(low.note, missing), weighed=False)
    if low.value == high.value:
        return low
    if low.bound is not None:
        return high if low.bound == "<" else low
    notes = dict.fromkeys(part for note in (low.note, high.note) if note for part in note.split("; "))
    weighed = low.weighed and all(each.weighed for each in found)
    return replace(low, upper=high.value, note=joined_notes(*notes), weighed=weighed)


def _once(worksheets: list[Worksheet]) -> list[str]:
    """Notes that differ in their figures alone are one."""
    notes: dict[str, str] = {}
    for note in (note for each in worksheets for note in each.notes):
        notes.setdefault(re.sub(r"[0-9.]+", "0", note), note)
    return list(notes.values())
