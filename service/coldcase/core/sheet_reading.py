"""The sheets of `table_sheets`, as a spreadsheet gives them back, applied to the table they were made of.

A cell that says what it said changes nothing, whatever its spelling (`5.5` for `5.50`), so that nothing
edited gives back the document's digest. Commas, semicolons or tabs part the columns; a decimal comma is read
where it is quoted or another sign parts them. What a sheet shows and does not change (titles beside numbers,
the machines of a limit) is refused where it was edited, never ignored.
"""

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from copy import deepcopy
from typing import Any, NamedTuple

from coldcase.core.table_sheets import (
    FREQUENCIES,
    LIMIT,
    LIMITS,
    NAMED,
    PLAIN_NUMBER,
    PRESENT,
    SHEETS,
    TEXTS,
    Row,
    RowsOfFinding,
    TableDocument,
    all_rows,
    below_text,
    compact,
    guarded,
    share_text,
    texts_of,
    unguarded,
)
from coldcase.errors import BadTableRequest, Flaw

NumberedRows = list[tuple[int, Row]]
"""Rows as a spreadsheet numbers them: the header is row 1."""


def applied(document: TableDocument, changed: Mapping[str, str]) -> TableDocument:
    """A copy of the document with what the sheets say. Raises `BadTableRequest` with every cell that cannot
    be read, by sheet, row and column (`/limits/7/below`); what the numbers mean is for `checking` to say.
    """
    copy, flaws = deepcopy(document), []
    for name, text in changed.items():
        if name not in SHEETS:
            flaws.append(Flaw(f"/{name}", f"A sheet is one of {', '.join(SHEETS)}."))
            continue
        flaws += [Flaw(f"/{name}{flaw.pointer}", flaw.detail) for flaw in _read(name, text, copy)]
    if flaws:
        raise BadTableRequest(tuple(flaws))
    return copy


class _Kind(NamedTuple):
    needed: tuple[str, ...]
    known: tuple[str, ...]
    apply: Callable[[TableDocument, NumberedRows], Iterator[Flaw]]


def _read(name: str, text: str, document: TableDocument) -> Iterator[Flaw]:
    kind = {
        FREQUENCIES: _Kind(
            ("finding", "outcome"), (*NAMED, "background", *document["causes"]), _apply_frequencies
        ),
        LIMITS: _Kind(("limit", "band", "quantity", "finding"), LIMIT, _apply_limits),
        TEXTS: _Kind(("pointer", "text"), ("pointer", "text"), _apply_texts),
    }[name]
    rows: list[list[str]] = []
    try:
        rows.extend(_cells(text))
    except csv.Error as error:
        yield Flaw(f"/{len(rows) + 1}", f"This is no CSV: {error}.")
        return
    header = [unguarded(cell.strip()) for cell in rows[0]] if rows else []
    wrong = [*_header_flaws(header, kind)]
    yield from wrong
    if wrong:
        return
    lines: NumberedRows = []
    for number, cells in enumerate(rows[1:], 2):
        if any(cell.strip() for cell in cells[len(header) :]):
            yield Flaw(f"/{number}", "This row has more cells than the header has columns.")
        elif any(cell.strip() for cell in cells):
            padded = [*cells, *[""] * (len(header) - len(cells))]
            lines.append(
                (
                    number,
                    {
                        column: unguarded(_tidy(cell))
                        for column, cell in zip(header, padded, strict=False)
                        if column
                    },
                )
            )
    yield from kind.apply(document, lines)


def _cells(text: str) -> Iterator[list[str]]:
    text = text.removeprefix("\ufeff")
    first = text.partition("\n")[0]
    parting = max(",;\t", key=first.count)
    return csv.reader(io.StringIO(text, newline=""), delimiter=parting, strict=True)


def _tidy(cell: str) -> str:
    return cell.replace("\r\n", "\n").strip()


def _same(cell: str, text: str) -> bool:
    """Whether a cell says what the sheet said for this text."""
    return cell in (_tidy(text), unguarded(_tidy(guarded(text))))


def _header_flaws(header: Sequence[str], kind: _Kind) -> Iterator[Flaw]:
    for name in kind.needed:
        if name not in header:
            yield Flaw("/1", f"The column '{name}' is missing.")
    for name in dict.fromkeys(header):
        if name and name not in kind.known:
            cause = ", and no cause" if "background" in kind.known else ""
            yield Flaw(_place(1, name), f"'{name[:64]}' is no column of this sheet{cause}.")
        elif name and header.count(name) > 1:
            yield Flaw(_place(1, name), f"There are two columns '{name}'.")


def _place(row: int, column: str) -> str:
    return f"/{row}/{column[:64].replace('~', '~0').replace('/', '~1')}"


def _number(text: str) -> float:
    """Raises ValueError for anything but a plain number; a comma may stand for the decimal point."""
    if not PLAIN_NUMBER.fullmatch(text):
        raise ValueError(text)
    return float(text.replace(",", "."))


def _kept_or_new(old: str, told: list[tuple[int, str]], what: str) -> Iterator[str | Flaw]:
    """Of a text that stands in several rows: the new one, if any row was edited."""
    new = dict.fromkeys(text for _, text in told if not _same(text, old))
    if len(new) > 1:
        yield Flaw(_place(told[0][0], "basis"), f"The rows of {what} give different bases.")
    else:
        yield next(iter(new), old)


def _apply_frequencies(document: TableDocument, lines: NumberedRows) -> Iterator[Flaw]:
    known = {(rows.code, rows.machines): rows for rows in all_rows(document)}
    told: dict[tuple[str, str], dict[str, tuple[int, Row]]] = {}
    for line, row in lines:
        name, outcome = (row["finding"], row.get("machines", "")), row["outcome"]
        if name not in known:
            rest = f" with rows for {name[1][:100]}" if name[1] else ""
            yield Flaw(_place(line, "finding"), f"There is no finding '{name[0][:64]}'{rest}.")
        elif outcome in told.setdefault(name, {}):
            yield Flaw(_place(line, "outcome"), f"'{outcome[:64]}' stands here twice.")
        else:
            told[name][outcome] = line, row
    for name, by_outcome in told.items():
        yield from _apply_rows(known[name], by_outcome)


def _apply_rows(rows: RowsOfFinding, told: dict[str, tuple[int, Row]]) -> Iterator[Flaw]:
    """The rows of one finding, whose every outcome must be there."""
    titles = {outcome["code"]: outcome["title"] for outcome in rows.outcomes or PRESENT}
    wrong = []
    for outcome, (line, row) in told.items():
        if outcome not in titles:
            wrong.append(Flaw(_place(line, "outcome"), f"'{rows.code}' has no outcome '{outcome[:64]}'."))
            continue
        for column, title in (("finding_title", rows.title), ("outcome_title", titles[outcome])):
            if not _same(row.get(column, title), title):
                wrong.append(Flaw(_place(line, column), "A title is changed in the sheet of texts."))
    first = next(iter(told.values()))[0]
    wrong += [
        Flaw(_place(first, "outcome"), f"'{rows.code}' lacks a row for '{code}'.")
        for code in titles
        if code not in told
    ]
    yield from wrong
    if wrong:
        return
    old = rows.holder["basis"]
    bases = [(line, row.get("basis", old)) for line, row in told.values()]
    for basis in _kept_or_new(old, bases, f"'{rows.code}'"):
        if isinstance(basis, Flaw):
            yield basis
        else:
            rows.holder["basis"] = basis
    for name in [name for name in next(iter(told.values()))[1] if name not in NAMED]:
        yield from _apply_column(
            rows, name, [(told[code][0], told[code][1].get(name, "")) for code in titles]
        )


def _apply_column(rows: RowsOfFinding, name: str, cells: list[tuple[int, str]]) -> Iterator[Flaw]:
    """The shares of one cause, or of the background; all empty takes the cause's own row away."""
    holder = rows.holder if name == "background" else rows.holder["per_hundred"]
    old = holder.get(name)
    shares: list[float | None] = []
    for place, (line, text) in enumerate(cells):
        try:
            shares.append(_share(old, place, text))
        except ValueError:
            yield Flaw(_place(line, name), f"'{text[:64]}' is no share of 100.")
    if len(shares) < len(cells):
        return
    empty = [line for (line, _), share in zip(cells, shares, strict=True) if share is None]
    if all(_says_what_it_said(old, place, share) for place, share in enumerate(shares)):
        return
    if len(empty) == len(cells):
        holder.pop(name, None)
    elif empty:
        yield from (
            Flaw(_place(line, name), "The other outcomes have a share here: fill this cell, or empty all.")
            for line in empty
        )
    else:
        holder[name] = shares if rows.outcomes else shares[0]


def _share(old: Any, place: int, text: str) -> float | None:
    if not text:
        return None
    number = _number(text)
    shown = share_text(old, place)
    # A table may say more decimals than its sheet shows.
    if shown and number == float(shown):
        return float(old[place] if isinstance(old, list) else old)
    return number


def _says_what_it_said(old: Any, place: int, share: float | None) -> bool:
    shown = share_text(old, place)
    return share is None if not shown else share == (old[place] if isinstance(old, list) else old)


def _apply_limits(document: TableDocument, lines: NumberedRows) -> Iterator[Flaw]:
    bases: dict[int, list[tuple[int, str]]] = {}
    seen: set[tuple[int, int]] = set()
    for line, row in lines:
        try:
            number, band = _ordinal(row["limit"]), _ordinal(row["band"])
            limit = document["limits"][number]
            limit["bands"][band]
        except (IndexError, ValueError):
            yield Flaw(_place(line, "limit"), "There is no limit and band of these numbers.")
            continue
        if (number, band) in seen:
            yield Flaw(_place(line, "band"), "This band of this limit stands here twice.")
            continue
        seen.add((number, band))
        wrong = [*_other_limit(limit, line, row), *_apply_band(limit["bands"][band], line, row)]
        yield from wrong
        if not wrong and "basis" in row:
            bases.setdefault(number, []).append((line, row["basis"]))
    for number, told in bases.items():
        limit = document["limits"][number]
        for basis in _kept_or_new(limit["basis"], told, f"limit {number + 1}"):
            if isinstance(basis, Flaw):
                yield basis
            else:
                limit["basis"] = basis


def _other_limit(limit: dict[str, Any], line: int, row: Row) -> Iterator[Flaw]:
    if (limit["quantity"], limit["finding"]) != (row["quantity"], row["finding"]):
        yield Flaw(_place(line, "quantity"), "The limit of this number is of another quantity or finding.")
    when = compact(limit["when"]) if limit.get("when") else ""
    if row.get("when", when) != when:
        yield Flaw(_place(line, "when"), "Which machines a limit is for is changed in the document.")


def _apply_band(band: dict[str, Any], line: int, row: Row) -> Iterator[Flaw]:
    if "below" in row:
        try:
            below = _number(row["below"]) if row["below"] else None
        except ValueError:
            yield Flaw(_place(line, "below"), f"'{row['below'][:64]}' is no number.")
            return
        _set(band, "below", below, same=below == (float(below_text(band)) if below_text(band) else None))
    if "outcome" in row:
        _set(band, "outcome", row["outcome"] or None, same=_same(row["outcome"], band.get("outcome") or ""))


def _set(band: dict[str, Any], name: str, value: Any, *, same: bool) -> None:
    if same:
        return
    if value is None:
        band.pop(name, None)
    else:
        band[name] = value


def _ordinal(text: str) -> int:
    """A place from 1 as one from 0; a spreadsheet may write `3.0`."""
    number = _number(text)
    if number < 1 or number != int(number):
        raise ValueError(text)
    return int(number) - 1


def _apply_texts(document: TableDocument, lines: NumberedRows) -> Iterator[Flaw]:
    known = dict(texts_of(document, ""))
    seen: set[str] = set()
    for line, row in lines:
        pointer = row["pointer"]
        if pointer not in known:
            yield Flaw(_place(line, "pointer"), f"There is no text at '{pointer[:100]}'.")
        elif pointer in seen:
            yield Flaw(_place(line, "pointer"), "This pointer stands here twice.")
        elif not _same(row["text"], known[pointer]):
            *path, name = [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]
            holder: Any = document
            for part in path:
                holder = holder[int(part)] if isinstance(holder, list) else holder[part]
            holder[name] = row["text"]
        seen.add(pointer)
