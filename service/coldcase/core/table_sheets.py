"""A rule table as three sheets that a person edits in a spreadsheet, and back against their table.

`frequencies.csv`: a line for each finding (or pattern) and outcome, a column for each cause; shares of 100
with two decimals, an empty cell where a cause has no row of its own. `limits.csv`: a line for each band.
`texts.csv`: a line for each text, by its JSON pointer (RFC 6901). A sheet changes what stands in it; what is
added or taken away (a finding, an outcome, a limit) is changed in the document. Nothing edited gives back the
document's digest, through a spreadsheet too, which may write `5.5` for `5.50`.
"""

import csv
import io
import json
from collections.abc import Iterator, Mapping
from copy import deepcopy
from typing import Any, NamedTuple

from coldcase.errors import BadRuleTable, Flaw

FREQUENCIES, LIMITS, TEXTS = "frequencies.csv", "limits.csv", "texts.csv"

_NAMED = ("finding", "outcome", "finding_title", "outcome_title", "machines", "basis")
_LIMIT = ("limit", "quantity", "finding", "when", "band", "below", "outcome", "basis")
_TEXT_MEMBERS = (
    "title",
    "summary",
    "question",
    "definition",
    "text",
    "check",
    "step",
    "reason",
    "says",
    "basis",
)
_ELSEWHERE = ("limits", "quantities", "refrigerants", "retired")
"""Parts whose texts stand in another sheet, or that name what programs read."""

TableDocument = dict[str, Any]
Row = dict[str, str]


def sheets(document: TableDocument) -> dict[str, str]:
    """The three sheets of a table's document, by file name."""
    causes = sorted(document["causes"])
    return {
        FREQUENCIES: _csv((*_NAMED, "background", *causes), _frequency_rows(document, causes)),
        LIMITS: _csv(_LIMIT, _limit_rows(document)),
        TEXTS: _csv(("pointer", "text"), ({"pointer": p, "text": t} for p, t in _texts(document, ""))),
    }


def applied(document: TableDocument, changed: Mapping[str, str]) -> TableDocument:
    """A copy of the document with what the sheets say. Raises `BadRuleTable` with every cell that cannot be
    read, by file, line and column; what the numbers mean is for `checking` to say.
    """
    copy, flaws = deepcopy(document), []
    for name, text in changed.items():
        apply = {FREQUENCIES: _apply_frequencies, LIMITS: _apply_limits, TEXTS: _apply_texts}.get(name)
        if apply is None:
            flaws.append(Flaw(name, f"A sheet is one of {FREQUENCIES}, {LIMITS} and {TEXTS}."))
        else:
            flaws += [Flaw(f"{name}{flaw.pointer}", flaw.detail) for flaw in apply(copy, _lines(text))]
    if flaws:
        raise BadRuleTable(tuple(flaws))
    return copy


def _csv(header: tuple[str, ...], rows: Iterator[Row]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, header, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _lines(text: str) -> list[tuple[int, Row]]:
    """The rows with their line numbers; what stands beyond the last column is dropped, an empty line too."""
    reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    rows = [(reader.line_num, {k: (v or "").strip() for k, v in row.items() if k}) for row in reader]
    return [(line, row) for line, row in rows if any(row.values())]


class _Rows(NamedTuple):
    """The rows of one finding or pattern for some machines, as they lie in the document."""

    code: str
    machines: str
    holder: dict[str, Any]
    outcomes: list[dict[str, Any]]
    title: str


def _all_rows(document: TableDocument) -> Iterator[_Rows]:
    for code, finding in document["findings"].items():
        for holder in (finding, *finding.get("on_machines", ())):
            machines = "" if holder is finding else _compact(holder["when"])
            yield _Rows(code, machines, holder, finding["outcomes"], finding["title"])
    for code, pattern in document["patterns"].items():
        yield _Rows(code, "", pattern, [], pattern["title"])


def _compact(value: Any) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _frequency_rows(document: TableDocument, causes: list[str]) -> Iterator[Row]:
    for rows in _all_rows(document):
        for place, outcome in enumerate(rows.outcomes or [{"code": "present", "title": "Present"}]):
            shares = {"background": rows.holder.get("background")} | {
                cause: rows.holder["per_hundred"].get(cause) for cause in causes
            }
            yield {
                "finding": rows.code,
                "outcome": outcome["code"],
                "finding_title": rows.title,
                "outcome_title": outcome["title"],
                "machines": rows.machines,
                "basis": rows.holder["basis"],
                **{name: _share(own, place) for name, own in shares.items()},
            }


def _share(own: Any, place: int) -> str:
    """One cell: of a pattern's row there is one number."""
    if own is None:
        return ""
    return f"{own[place] if isinstance(own, list) else own:.2f}"


def _apply_frequencies(document: TableDocument, lines: list[tuple[int, Row]]) -> Iterator[Flaw]:
    known = {(rows.code, rows.machines): rows for rows in _all_rows(document)}
    told: dict[tuple[str, str], dict[str, tuple[int, Row]]] = {}
    for line, row in lines:
        name = row.get("finding", ""), row.get("machines", "")
        outcome = row.get("outcome", "")
        if name not in known:
            yield Flaw(
                f"/{line}/finding", f"There is no finding '{name[0][:64]}' with rows for these machines."
            )
        elif outcome in told.setdefault(name, {}):
            yield Flaw(f"/{line}/outcome", f"'{outcome[:64]}' stands here twice.")
        else:
            told[name][outcome] = line, row
    for name, by_outcome in told.items():
        yield from _apply_rows(known[name], by_outcome, document)


def _apply_rows(rows: _Rows, told: dict[str, tuple[int, Row]], document: TableDocument) -> Iterator[Flaw]:
    """The rows of one finding, whose every outcome must be there."""
    codes = [outcome["code"] for outcome in rows.outcomes] or ["present"]
    first = next(iter(told.values()))
    wrong = [
        Flaw(f"/{line}/outcome", f"'{rows.code}' has no outcome '{outcome[:64]}'.")
        for outcome, (line, _) in told.items()
        if outcome not in codes
    ]
    missing = [code for code in codes if code not in told]
    wrong += [Flaw(f"/{first[0]}/outcome", f"'{rows.code}' lacks a line for '{code}'.") for code in missing]
    if len({row.get("basis") for _, row in told.values()}) > 1:
        wrong.append(Flaw(f"/{first[0]}/basis", f"The lines of '{rows.code}' give different bases."))
    if wrong:
        yield from wrong
        return
    if "basis" in first[1]:
        rows.holder["basis"] = first[1]["basis"]
    names = [name for name in first[1] if name not in _NAMED]
    for name in names:
        if name != "background" and name not in document["causes"]:
            yield Flaw(f"/1/{name}", f"There is no cause '{name[:64]}'.")
            continue
        yield from _apply_column(rows, name, [(told[code][0], told[code][1].get(name, "")) for code in codes])


def _apply_column(rows: _Rows, name: str, cells: list[tuple[int, str]]) -> Iterator[Flaw]:
    """The shares of one cause, or of the background; all empty takes the cause's own row away."""
    holder = rows.holder if name == "background" else rows.holder["per_hundred"]
    if not any(text for _, text in cells):
        holder.pop(name, None)
        return
    shares: list[float] = []
    for line, text in cells:
        try:
            shares.append(float(text.replace(",", ".")))
        except ValueError:
            yield Flaw(f"/{line}/{name}", f"'{text[:64]}' is no share of 100.")
            return
    holder[name] = shares if rows.outcomes else shares[0]


def _limit_rows(document: TableDocument) -> Iterator[Row]:
    for number, limit in enumerate(document["limits"], 1):
        for place, band in enumerate(limit["bands"], 1):
            yield {
                "limit": str(number),
                "quantity": limit["quantity"],
                "finding": limit["finding"],
                "when": _compact(limit["when"]) if limit.get("when") else "",
                "band": str(place),
                "below": "" if band.get("below") is None else repr(float(band["below"])),
                "outcome": band.get("outcome") or "",
                "basis": limit["basis"],
            }


def _apply_limits(document: TableDocument, lines: list[tuple[int, Row]]) -> Iterator[Flaw]:
    for line, row in lines:
        try:
            limit = document["limits"][_number(row["limit"])]
            band = limit["bands"][_number(row["band"])]
        except (KeyError, IndexError, ValueError):
            yield Flaw(f"/{line}/limit", "There is no limit and band of these numbers.")
            continue
        if (limit["quantity"], limit["finding"]) != (row.get("quantity"), row.get("finding")):
            yield Flaw(f"/{line}/quantity", "The limit of this number is of another quantity or finding.")
            continue
        limit["basis"] = row.get("basis", limit["basis"])
        try:
            below = float(row["below"].replace(",", ".")) if row.get("below") else None
        except ValueError:
            yield Flaw(f"/{line}/below", f"'{row['below'][:64]}' is no number.")
            continue
        band |= {"below": below, "outcome": row.get("outcome") or None}
        for name in [name for name, value in band.items() if value is None]:
            del band[name]


def _number(text: str) -> int:
    """A place from 1 as one from 0; a spreadsheet may write `3.0`."""
    place = int(float(text)) - 1
    if place < 0:
        raise ValueError(text)
    return place


def _texts(value: Any, pointer: str) -> Iterator[tuple[str, str]]:
    """Every text of the document with its pointer; the basis of a row stands with its frequencies."""
    if isinstance(value, dict):
        for name, part in value.items():
            if not pointer and name in _ELSEWHERE:
                continue
            here = f"{pointer}/{name.replace('~', '~0').replace('/', '~1')}"
            if name in _TEXT_MEMBERS and isinstance(part, str):
                if not (name == "basis" and "per_hundred" in value):
                    yield here, part
            elif name == "row_basis":
                yield from ((f"{here}/{cause}", text) for cause, text in part.items())
            else:
                yield from _texts(part, here)
    elif isinstance(value, list):
        for index, part in enumerate(value):
            yield from _texts(part, f"{pointer}/{index}")


def _apply_texts(document: TableDocument, lines: list[tuple[int, Row]]) -> Iterator[Flaw]:
    known = dict(_texts(document, ""))
    for line, row in lines:
        pointer = row.get("pointer", "")
        if pointer not in known:
            yield Flaw(f"/{line}/pointer", f"There is no text at '{pointer[:100]}'.")
            continue
        *path, name = [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]
        holder: Any = document
        for part in path:
            holder = holder[int(part)] if isinstance(holder, list) else holder[part]
        holder[name] = row.get("text", "")
