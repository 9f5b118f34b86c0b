"""A difference between two rule tables as plain text, a line a change."""

import json
from collections.abc import Iterator, Sequence
from typing import Any

from coldcase.core.diffing import TableDiff
from coldcase.core.plain_changes import Change

NO_STATION = "no station"
LONGEST = 160
"""Characters of a value; the whole of it is in the JSON."""


def diff_text(diff: TableDiff, old: str, new: str, remarks: Sequence[tuple[str, list[str]]] = ()) -> str:
    """The whole difference; `old` and `new` name the tables, `remarks` are sections of lines after it."""
    lines = [f"{new} against {old}: {counted(diff)}", *_lines(diff)]
    for heading, told in remarks:
        lines += ["", heading, *(f"  {' '.join(line.split())}" for line in told)] if told else []
    return "\n".join(lines) + "\n"


def counted(diff: TableDiff) -> str:
    """How much differs."""
    return f"{diff.added} added, {diff.removed} removed, {diff.changed} changed"


def _lines(diff: TableDiff) -> Iterator[str]:
    for one in diff.stations:
        yield ""
        yield one.station or NO_STATION
        for change in one.changes:
            told = f"{_subject(change)}{_values(change)}{_in_brackets(change)}"
            told += f" [{confirmed_text(change)}]" if change.confirmed is not None else ""
            yield f"  {change.what} {change.change}: {told}"


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


def _in_brackets(change: Change) -> str:
    return f" ({weight_text(change)})" if change.decibans is not None else ""


def weight_text(change: Change) -> str:
    """What a change means in weight, before and after where both are known; empty where it has none."""
    if change.decibans is None:
        return ""
    if change.old_decibans is None or change.new_decibans is None:
        return f"{change.decibans:+.1f} dB"
    return f"weighs {change.old_decibans:+.1f} -> {change.new_decibans:+.1f} dB, {change.decibans:+.1f}"


def confirmed_text(change: Change) -> str:
    """How many judged cases moved a number; empty where none did."""
    of = change.confirmed
    if of is None:
        return ""
    if of.seen is None:
        return f"tried on {of.looked} judged cases left out"
    unclear = f", unclear in {of.unclear}" if of.unclear else ""
    return f"judged {of.judged}, seen {of.seen} of {of.looked}{unclear}"


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
