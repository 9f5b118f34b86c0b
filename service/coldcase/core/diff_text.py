"""A difference between two rule tables as plain text, a line a change."""

import json
from collections.abc import Iterator
from typing import Any

from coldcase.core.diffing import TableDiff
from coldcase.core.plain_changes import Change

NO_STATION = "no station"
LONGEST = 160
"""Characters of a value; the whole of it is in the JSON."""


def diff_text(diff: TableDiff, old: str, new: str) -> str:
    """The whole difference; `old` and `new` name the tables."""
    counted = f"{diff.added} added, {diff.removed} removed, {diff.changed} changed"
    return "\n".join([f"{new} against {old}: {counted}", *_lines(diff)]) + "\n"


def _lines(diff: TableDiff) -> Iterator[str]:
    for one in diff.stations:
        yield ""
        yield one.station or NO_STATION
        for change in one.changes:
            yield f"  {change.what} {change.change}: {_subject(change)}{_values(change)}{_weight(change)}"


def _subject(change: Change) -> str:
    if change.what in ("text", "rule", "setting", "limit"):
        return change.pointer
    named = " ".join(name for name in (change.finding, change.outcome) if name)
    if change.what == "frequency":
        return f"{named}, {change.cause or 'background'}"
    return named or change.cause or change.pointer


def _values(change: Change) -> str:
    if change.what in ("cause", "finding", "pattern", "outcome") and change.change != "changed":
        there = change.old if change.new is None else change.new
        return f": {_shown(there.get('title'))}" if isinstance(there, dict) else ""
    of = " of 100" if change.what == "frequency" else ""
    if change.change == "added":
        return f": {_shown(change.new)}{of}"
    if change.change == "removed":
        return f": was {_shown(change.old)}{of}"
    return f": {_shown(change.old)} -> {_shown(change.new)}{of}"


def _weight(change: Change) -> str:
    if change.decibans is None:
        return ""
    if change.old_decibans is None or change.new_decibans is None:
        return f" ({change.decibans:+.1f} dB)"
    return f" (weighs {change.old_decibans:+.1f} -> {change.new_decibans:+.1f} dB, {change.decibans:+.1f})"


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
