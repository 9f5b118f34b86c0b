"""What would become of a file of history: every line read and answered, nothing posted. Pure."""

from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import Any, NamedTuple, Protocol

import msgspec

from coldcase.classifying import add_outcomes
from coldcase.core.answer import Status
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


class PartTried(msgspec.Struct, kw_only=True):
    """What came of some lines in a row; `words` counts what could not be read, by its place and its JSON."""

    lines: int = 0
    usable: int = 0
    statuses: dict[Status, int] = {}
    words: dict[tuple[str, str], int] = {}
    first_lines: list[ReadLine] = []


class Trying(NamedTuple):
    """By what lines are tried: how each is read, the table that answers, and what renders a refusal."""

    reading: LineReading
    compiled: CompiledTable
    tell: Callable[[ColdcaseError], Any]

    def part(self, lines: Sequence[HistoryLine], shown: int = 0) -> PartTried:
        """Some lines read and answered, the first so many shown."""
        read = [(line, _read(line, self.reading)) for line in lines]
        words = Counter[tuple[str, str]]()
        for line, found in read:
            if isinstance(found, Unread):
                _count_words(line, found.error, words)
        good = [found.parsed for _, found in read if isinstance(found, Line)]
        answers = short_answers([add_outcomes(one, self.compiled) for one in good], self.compiled)
        return PartTried(
            lines=len(read),
            usable=len(good),
            statuses=Counter(answer.status for answer in answers),
            words=words,
            first_lines=[_shown(found, self.tell) for _, found in read[:shown]],
        )


class TryingElsewhere(Protocol):
    """Where parts are tried beside this process, once it is worth it and has begun. What comes of a part is
    None where a process died over it.
    """

    at_once: int

    def is_ready(self, lines: int) -> bool: ...  # noqa: D102 - as above; so many lines came so far
    def part(self, lines: Sequence[HistoryLine]) -> Callable[[], PartTried | None]: ...  # noqa: D102 - as above


def try_lines(
    lines: Iterator[HistoryLine], trying: Trying, elsewhere: TryingElsewhere | None = None
) -> Trial:
    """Reads all lines, here or elsewhere."""
    trial, words = Trial(first_lines=[]), Counter[tuple[str, str]]()
    for tried in _parts(lines, trying, elsewhere):
        trial.lines += tried.lines
        trial.usable += tried.usable
        trial.refused += tried.lines - tried.usable
        trial.first_lines += tried.first_lines
        for status, count in tried.statuses.items():
            setattr(trial, status, getattr(trial, status) + count)
        for word, count in tried.words.items():
            if word in words or len(words) < MOST_WORDS_COUNTED:
                words[word] += count
    trial.unmapped = [
        UnmappedWord(place, msgspec.json.decode(value), count)
        for (place, value), count in words.most_common(MOST_WORDS_TOLD)
    ]
    return trial


def _parts(
    lines: Iterator[HistoryLine], trying: Trying, elsewhere: TryingElsewhere | None
) -> Iterator[PartTried]:
    """What came of each part, in their order; what nobody tried elsewhere is tried here."""
    waiting: deque[tuple[list[HistoryLine], Callable[[], PartTried | None]]] = deque()
    so_far = 0
    while part := list(islice(lines, TRIED_TOGETHER)):
        if elsewhere is None or not elsewhere.is_ready(so_far):
            yield trying.part(part, max(LINES_SHOWN - so_far, 0))
        else:
            # Errors stay here: such a line is refused, whoever reads it.
            readable = [line for line in part if line.error is None]
            yield PartTried(lines=len(part) - len(readable))
            waiting.append((readable, elsewhere.part(readable)))
            if len(waiting) > 2 * elsewhere.at_once:
                sent, tried = waiting.popleft()
                yield tried() or trying.part(sent)
        so_far += len(part)
    for sent, tried in waiting:
        yield tried() or trying.part(sent)


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
