"""Lines of an import: cut out of a file, and read as what they say. Pure but for the file's bytes."""

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any, BinaryIO, NamedTuple, Protocol

from coldcase.core.case_reader import ParsedCase
from coldcase.core.crosswalk import is_own_code
from coldcase.core.strict_json import read_json
from coldcase.errors import BadCase, BadLine, ColdcaseError, Flaw, Flawed, Malformed, TooLarge
from coldcase.feedback.verdicts import BadVerdict, GivenVerdict
from coldcase.proof.bulk_lines import line_content

LONGEST_LINE = 64 * 1024
"""Bytes of one line, its end left out."""

MOST_BEFORE = 2**53 - 1
BYTE_ORDER_MARK = b"\xef\xbb\xbf"


class RawLine(NamedTuple):
    """A line by its number in the file, from 1, without its end; None where it is longer than a line may
    be.
    """

    number: int
    text: bytes | None


class NumberedText(Protocol):
    """A line as it is to be read."""

    @property
    def number(self) -> int:
        """From 1."""

    @property
    def text(self) -> bytes | None:
        """None where it is longer than a line may be."""


class Line(NamedTuple):
    """What a line says: the case, the client's own code, the verdict."""

    number: int
    parsed: ParsedCase
    own_code: str | None
    verdict: GivenVerdict | None


class Unread(NamedTuple):
    """A line that cannot be taken, and why."""

    number: int
    error: ColdcaseError


def raw_lines(file: BinaryIO) -> Iterator[RawLine]:
    """The lines of a file that are not blank. Of a line that is too long no more is held than may be."""
    number = 0
    while piece := file.readline(LONGEST_LINE + 2):
        number += 1
        text = piece.removesuffix(b"\n").removesuffix(b"\r")
        if number == 1:
            text = text.removeprefix(BYTE_ORDER_MARK)
        if len(text) > LONGEST_LINE:
            while not piece.endswith(b"\n") and piece:
                piece = file.readline(LONGEST_LINE)
            yield RawLine(number, None)
        elif text.strip():
            yield RawLine(number, text)


class LineReading(NamedTuple):
    """How the lines of one import are read: a case by `parse`, which raises `BadCase`; a verdict, on a
    machine that failed when it says, by `judge`, which raises `BadVerdict`; cases by the crosswalk of that
    name where there is one.
    """

    parse: Callable[[Any], ParsedCase]
    judge: Callable[[Any, datetime | None], GivenVerdict]
    crosswalk: str | None = None
    cells: bool = False
    """Whether cases are rows, whose flaws are named by their columns."""


class _Envelope(NamedTuple):
    case: Any
    place: str
    own_code: Any = None
    verdict: Any = None
    before: int | None = None
    flaws: tuple[Flaw, ...] = ()


ENVELOPE = ("case", "verdict", "own_code", "occurrence")


class SentLine(NamedTuple):
    """A line as it was sent: its parts, and a hash of all but how often it came before."""

    number: int
    parts: _Envelope
    content: bytes

    @property
    def before(self) -> int | None:
        """How often it says that its content came before."""
        return self.parts.before


def read_line(line: NumberedText, reading: LineReading) -> Line | Unread:
    """What a line says, or why it cannot be taken, with every flaw.

    A line is a case, or an object whose `case` is an object: beside it may stand the `verdict`, the client's
    `own_code`, and the `occurrence`: how often this content came before in the import, where the import is
    posted in parts.
    """
    sent = sent_line(line, reading)
    return sent if isinstance(sent, Unread) else understood_line(sent, reading)


def sent_line(line: NumberedText, reading: LineReading) -> SentLine | Unread:
    """A line as it was sent, or why it cannot be taken as far as that shows before it is looked into."""
    try:
        if line.text is None:
            raise TooLarge("A line may have 64 KiB at most.")
        parts = _envelope(read_json(line.text))
        if parts.flaws:
            # Raises all of its flaws, those of its case among them.
            _read(line.number, parts, reading)
    except ColdcaseError as error:
        return Unread(line.number, error)
    content = line_content(
        parts.case, crosswalk=reading.crosswalk, verdict=parts.verdict, own_code=parts.own_code
    )
    return SentLine(line.number, parts, content)


def understood_line(sent: SentLine, reading: LineReading) -> Line | Unread:
    """What a line that was sent says, or why it cannot be taken, with every flaw."""
    try:
        return _read(sent.number, sent.parts, reading)
    except ColdcaseError as error:
        return Unread(sent.number, error)


def _read(number: int, sent: _Envelope, reading: LineReading) -> Line:
    flaws, parsed, verdict = list(sent.flaws), None, None
    place = "" if reading.cells else sent.place
    worst: type[Flawed] | None = BadLine if sent.flaws else None
    try:
        parsed = reading.parse(sent.case)
    except BadCase as error:
        flaws += [Flaw(place + flaw.pointer, flaw.detail, flaw.suggestion) for flaw in error.flaws]
        worst = worst or BadCase
    if isinstance(sent.verdict, dict):
        try:
            verdict = reading.judge(sent.verdict, parsed.case.job.failed_at if parsed else None)
        except BadVerdict as error:
            flaws += [Flaw(f"/verdict{flaw.pointer}", flaw.detail, flaw.suggestion) for flaw in error.flaws]
            worst = BadLine if worst else BadVerdict
    if worst is not None or parsed is None:
        raise (worst or BadLine)(tuple(flaws))
    own_code = None if sent.own_code is None else str(sent.own_code)
    return Line(number, parsed, own_code, verdict)


def _envelope(raw: Any) -> _Envelope:
    """The parts of a line. Raises Malformed for what is no object."""
    if not isinstance(raw, dict):
        raise Malformed("A line is a JSON object: a case, or one with its case under `case`.")
    if not isinstance(raw.get("case"), dict):
        return _Envelope(raw, "")
    return _Envelope(
        raw["case"],
        "/case",
        raw.get("own_code"),
        raw.get("verdict"),
        raw.get("occurrence"),
        tuple(_envelope_flaws(raw)),
    )


def _envelope_flaws(raw: dict[str, Any]) -> Iterator[Flaw]:
    for name in raw:
        if name not in ENVELOPE:
            yield Flaw(f"/{name[:64]}", f"Beside `case` stand {', '.join(ENVELOPE[1:])} alone.")
    code, before = raw.get("own_code"), raw.get("occurrence")
    if code is not None and (isinstance(code, dict) or not is_own_code(code)):
        yield Flaw("/own_code", "A code is a line of text of 200 characters at most, or a whole number.")
    if before is not None and not (type(before) is int and 0 <= before <= MOST_BEFORE):
        yield Flaw("/occurrence", "How often the same content came before in this import: 0 or more.")
    if raw.get("verdict") is not None and not isinstance(raw["verdict"], dict):
        yield Flaw("/verdict", "A verdict is a JSON object.")
