"""A file of history as its owner has it: lines of JSON, or rows of CSV in columns of its own."""

import csv
import io
from collections.abc import Iterator
from typing import Any, BinaryIO, NamedTuple

import msgspec

from coldcase.core.strict_json import read_json
from coldcase.errors import BadCase, ColdcaseError, Flaw, Malformed
from coldcase.importing.counting import Seen
from coldcase.importing.lines import LONGEST_LINE, raw_lines
from coldcase.importing.own_layout import VERDICT, is_beside
from coldcase.proof.bulk_lines import line_content

FLAGS = {"true": True, "false": False}
DELIMITERS = ",;\t|"


class HistoryLine(NamedTuple):
    """A line of the file by its number: how it stands there and how it is posted; or why it cannot be posted.

    `wrapped`: its case, which stands alone in the file, is posted under `case`.
    """

    number: int
    shown: bytes
    sent: bytes = b""
    wrapped: bool = False
    error: ColdcaseError | None = None


class Columns(NamedTuple):
    """How a CSV file is read: by the crosswalk of that name, with the client's own code in a column; or in
    the layout of our own.
    """

    crosswalk: str | None = None
    own_code: str | None = None
    delimiter: str | None = None


def json_lines(file: BinaryIO, seen: Seen) -> Iterator[HistoryLine]:
    """The lines of a file of JSON. A line whose content came before says how often, so that the import is the
    same in whatever parts it is posted.
    """
    for line in raw_lines(file):
        text = line.text if line.text is not None else b"x" * (LONGEST_LINE + 1)
        yield _counted(HistoryLine(line.number, text + b"\n", text + b"\n"), seen)


def _counted(line: HistoryLine, seen: Seen) -> HistoryLine:
    """A line that cannot be read goes as it is, for the service to say why."""
    try:
        raw = read_json(line.sent)
    except Malformed:
        return line
    if not isinstance(raw, dict) or "occurrence" in raw:
        return line
    bare = not isinstance(raw.get("case"), dict)
    sent = _with_occurrence({"case": raw} if bare else raw, line.sent, seen, None)
    return line._replace(sent=sent, wrapped=bare and sent is not line.sent)


def _with_occurrence(parts: dict[str, Any], text: bytes, seen: Seen, crosswalk: str | None) -> bytes:
    content = line_content(
        parts["case"], crosswalk=crosswalk, verdict=parts.get("verdict"), own_code=parts.get("own_code")
    )
    before = seen.count(content)
    return text if before == 0 else msgspec.json.encode(parts | {"occurrence": before}) + b"\n"


class CsvFile:
    """Rows of a CSV file under its header. Raises `BadCase` for a header that names nothing, or two columns
    alike.
    """

    def __init__(self, file: BinaryIO, columns: Columns) -> None:
        self._columns = columns
        first = file.readline(LONGEST_LINE).removeprefix(b"\xef\xbb\xbf").decode("utf-8", "surrogateescape")
        self.delimiter = columns.delimiter or max(DELIMITERS, key=first.count)
        # Bytes that are no UTF-8 are kept as half surrogates, so that the row that has them can be named.
        self._text = io.TextIOWrapper(file, "utf-8", "surrogateescape", newline="")
        self._read = csv.reader(self._text, delimiter=self.delimiter)
        self.header = next(csv.reader([first], delimiter=self.delimiter), [])
        flaws = [Flaw("", "The first line names no columns.")] if not any(self.header) else []
        flaws += [
            Flaw(f"/{name[:64]}", "Two columns have this name.")
            for name in dict.fromkeys(self.header)
            if name and self.header.count(name) > 1
        ]
        if columns.own_code is not None and columns.own_code not in self.header:
            flaws.append(Flaw("/own_code", f"There is no column '{columns.own_code[:64]}'."))
        if flaws:
            raise BadCase(tuple(flaws))

    def head(self) -> bytes:
        """The header as it stands in a file of refused rows."""
        return self._written(self.header)

    def lines(self, seen: Seen | None) -> Iterator[HistoryLine]:
        """The rows that are not blank, the first on line 2; with `seen` they say how often they came."""
        while True:
            number = 2 + self._read.line_num
            try:
                cells = next(self._read)
            except StopIteration:
                return
            except csv.Error as error:
                yield HistoryLine(number, b"", error=BadCase((Flaw("", f"This is no CSV: {error}."),)))
                continue
            if any(cell.strip() for cell in cells):
                yield self._line(number, cells, seen)

    def _line(self, number: int, cells: list[str], seen: Seen | None) -> HistoryLine:
        shown = self._written(cells)
        flaw = self._flaw(cells)
        if flaw is not None:
            return HistoryLine(number, shown, error=BadCase((flaw,)))
        row = {name: cell for name, cell in zip(self.header, cells, strict=True) if name}
        parts = self._parts(row)
        sent = msgspec.json.encode(parts) + b"\n"
        if seen is not None:
            sent = _with_occurrence(parts, sent, seen, self._columns.crosswalk)
        return HistoryLine(number, shown, sent, wrapped=True)

    def _parts(self, row: dict[str, str]) -> dict[str, Any]:
        """The case, and what stands beside it."""
        if self._columns.crosswalk is not None:
            code = row.get(self._columns.own_code or "", "").strip()
            return {"case": row, **({"own_code": code} if code else {})}
        beside = {name: cell.strip() for name, cell in row.items() if is_beside(name) and cell.strip()}
        verdict: dict[str, Any] = {
            name.removeprefix(VERDICT): cell for name, cell in beside.items() if name.startswith(VERDICT)
        }
        if verdict.get("not_determinable") in FLAGS:
            verdict["not_determinable"] = FLAGS[verdict["not_determinable"]]
        case = {name: cell for name, cell in row.items() if not is_beside(name)}
        code = beside.get("own_code", "")
        return (
            {"case": case} | ({"own_code": code} if code else {}) | ({"verdict": verdict} if verdict else {})
        )

    def _flaw(self, cells: list[str]) -> Flaw | None:
        if len(cells) != len(self.header):
            said = f"This row has {len(cells)} cells and the header {len(self.header)}: they are shifted."
            return Flaw("", said)
        for name, cell in zip(self.header, cells, strict=True):
            if not cell.isascii() and any("\udc80" <= sign <= "\udcff" for sign in cell):
                return Flaw(f"/{name[:64]}", "This cell is not UTF-8.")
        return None

    def _written(self, cells: list[str]) -> bytes:
        made = io.StringIO(newline="")
        csv.writer(made, delimiter=self.delimiter, lineterminator="\n").writerow(cells)
        return made.getvalue().encode("utf-8", "surrogateescape")
