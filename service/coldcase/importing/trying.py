"""What would become of a file of history: every line read and answered, nothing posted. Pure."""

from collections import Counter
from collections.abc import Callable, Iterator
from itertools import islice
from typing import Any

import msgspec

from coldcase.classifying import add_readings
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.short_answers import short_answers
from coldcase.errors import ColdcaseError, Flawed
from coldcase.importing.history import HistoryLine
from coldcase.importing.lines import Line, LineReading, RawLine, Unread, read_line

TRIED_TOGETHER = 500
LINES_SHOWN = 20
MOST_WORDS_TOLD = 50
MOST_WORDS_COUNTED = 100_000
"""Different words that are told apart; a file of free text has as many as lines."""


class UnmappedWord(msgspec.Struct, frozen=True):
    """A value that could not be read where it stands, and on how many lines."""

    place: str
    value: Any
    lines: int


class ReadLine(msgspec.Struct, frozen=True):
    """A line as it would be read, or why it would be refused."""

    line: int
    case: Any = None
    problem: Any = None


class Trial(msgspec.Struct, kw_only=True):
    """What would become of a file: how many lines are usable, how they would be answered, what is amiss.

    `columns_never_used` are of the file and mean nothing; `members_not_there` are of the crosswalk and stand
    in no column.
    """

    lines: int = 0
    usable: int = 0
    coded: int = 0
    provisional: int = 0
    undetermined: int = 0
    refused: int = 0
    unmapped: list[UnmappedWord] = []
    columns_never_used: list[str] = []
    members_not_there: list[str] = []
    first_lines: list[ReadLine] = []


def try_lines(
    lines: Iterator[HistoryLine],
    reading: LineReading,
    compiled: CompiledTable,
    tell: Callable[[ColdcaseError], Any],
) -> Trial:
    """Reads all lines; `tell` renders a refusal."""
    trial, words = Trial(first_lines=[]), Counter[tuple[str, str]]()
    while part := list(islice(lines, TRIED_TOGETHER)):
        read = [(line, _read(line, reading)) for line in part]
        trial.lines += len(read)
        for line, found in read:
            if isinstance(found, Unread):
                _count_words(line, found.error, words)
            if len(trial.first_lines) < LINES_SHOWN:
                trial.first_lines.append(_shown(found, tell))
        good = [found.parsed for _, found in read if isinstance(found, Line)]
        trial.usable += len(good)
        trial.refused += len(read) - len(good)
        for answer in short_answers([add_readings(one, compiled) for one in good], compiled):
            setattr(trial, answer.status, getattr(trial, answer.status) + 1)
    trial.unmapped = [
        UnmappedWord(place, msgspec.json.decode(value), count)
        for (place, value), count in words.most_common(MOST_WORDS_TOLD)
    ]
    return trial


def _read(line: HistoryLine, reading: LineReading) -> Line | Unread:
    if line.error is not None:
        return Unread(line.number, line.error)
    return read_line(RawLine(line.number, line.sent.rstrip(b"\r\n")), reading)


def _shown(found: Line | Unread, tell: Callable[[ColdcaseError], Any]) -> ReadLine:
    if isinstance(found, Unread):
        return ReadLine(found.number, problem=tell(found.error))
    return ReadLine(found.number, case=found.parsed.raw)


def _count_words(line: HistoryLine, error: ColdcaseError, words: Counter[tuple[str, str]]) -> None:
    """Counts what stands at each flaw that points at a value."""
    if not isinstance(error, Flawed) or not line.sent:
        return
    sent = msgspec.json.decode(line.sent)
    for flaw in error.flaws:
        place = flaw.pointer.removeprefix("/case") if line.wrapped else flaw.pointer
        value = _at(sent, flaw.pointer)
        if value is not None:
            word = place, msgspec.json.encode(value).decode()
            if word in words or len(words) < MOST_WORDS_COUNTED:
                words[word] += 1


def _at(value: Any, pointer: str) -> str | int | float | bool | None:
    """The single value that a pointer leads to, if it does."""
    for name in pointer.split("/")[1:]:
        plain = name.replace("~1", "/").replace("~0", "~")
        if not isinstance(value, dict) or plain not in value:
            return None
        value = value[plain]
    return value if isinstance(value, str | int | float | bool) else None
