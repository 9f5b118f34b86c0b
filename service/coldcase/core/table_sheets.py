"""A rule table as three sheets that a person edits in a spreadsheet; `sheet_reading` takes them back.

`frequencies`: a line for each finding (or pattern) and outcome, a column for each cause; shares of 100 with
two decimals, an empty cell where a cause has no row of its own. `limits`: a line for each band. `texts`: a
line for each text, by its JSON pointer (RFC 6901). A sheet changes what stands in it; what is added or taken
away (a finding, an outcome, a limit) is changed in the document. A text that a spreadsheet would run as a
formula has an apostrophe in front, which is taken off again.
"""

import csv
import io
import json
import re
from collections.abc import Iterator
from typing import Any, NamedTuple

FREQUENCIES, LIMITS, TEXTS = SHEETS = "frequencies", "limits", "texts"

NAMED = ("finding", "outcome", "finding_title", "outcome_title", "machines", "basis")
LIMIT = ("limit", "quantity", "finding", "when", "band", "below", "outcome", "basis")
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

PRESENT = [{"code": "present", "title": "Present"}]
"""What a pattern has in the place of outcomes."""

TableDocument = dict[str, Any]
Row = dict[str, str]


def sheets(document: TableDocument) -> dict[str, str]:
    """The three sheets of a table's document, by name, as CSV (RFC 4180)."""
    causes = sorted(document["causes"])
    return {
        FREQUENCIES: _csv((*NAMED, "background", *causes), _frequency_rows(document, causes)),
        LIMITS: _csv(LIMIT, _limit_rows(document)),
        TEXTS: _csv(("pointer", "text"), ({"pointer": p, "text": t} for p, t in texts_of(document, ""))),
    }


def _csv(header: tuple[str, ...], rows: Iterator[Row]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(map(guarded, header))
    writer.writerows([guarded(row[name]) for name in header] for row in rows)
    return text.getvalue()


_RUN = re.compile(r"[=+@\t\r-]|'[=+@\t\r'-]")
PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?([eE][+-]?[0-9]{1,3})?")


def guarded(text: str) -> str:
    """The text as a cell that no spreadsheet takes for a formula."""
    return f"'{text}" if _RUN.match(text) and not PLAIN_NUMBER.fullmatch(text) else text


def unguarded(cell: str) -> str:
    """The text of a cell, whether or not a spreadsheet took the apostrophe off."""
    return cell[1:] if cell[:1] == "'" and _RUN.match(cell[1:]) else cell


class RowsOfFinding(NamedTuple):
    """The rows of one finding or pattern for some machines, as they lie in the document."""

    code: str
    machines: str
    holder: dict[str, Any]
    outcomes: list[dict[str, Any]]
    title: str


def all_rows(document: TableDocument) -> Iterator[RowsOfFinding]:
    """Those of every finding, general and for some machines, and of every pattern."""
    for code, finding in document["findings"].items():
        for holder in (finding, *finding.get("on_machines", ())):
            machines = "" if holder is finding else compact(holder["when"])
            yield RowsOfFinding(code, machines, holder, finding["outcomes"], finding["title"])
    for code, pattern in document["patterns"].items():
        yield RowsOfFinding(code, "", pattern, [], pattern["title"])


def compact(value: Any) -> str:
    """A gate as one cell."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _frequency_rows(document: TableDocument, causes: list[str]) -> Iterator[Row]:
    for rows in all_rows(document):
        for place, outcome in enumerate(rows.outcomes or PRESENT):
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
                **{name: share_text(own, place) for name, own in shares.items()},
            }


def share_text(own: Any, place: int) -> str:
    """One cell: of a pattern's row there is one number, of a flawed row there may be too few."""
    shares = own if isinstance(own, list) else [] if own is None else [own]
    return f"{shares[place]:.2f}" if place < len(shares) else ""


def below_text(band: dict[str, Any]) -> str:
    """One cell."""
    return "" if band.get("below") is None else repr(float(band["below"]))


def _limit_rows(document: TableDocument) -> Iterator[Row]:
    for number, limit in enumerate(document["limits"], 1):
        for place, band in enumerate(limit["bands"], 1):
            yield {
                "limit": str(number),
                "quantity": limit["quantity"],
                "finding": limit["finding"],
                "when": compact(limit["when"]) if limit.get("when") else "",
                "band": str(place),
                "below": below_text(band),
                "outcome": band.get("outcome") or "",
                "basis": limit["basis"],
            }


def texts_of(value: Any, pointer: str) -> Iterator[tuple[str, str]]:
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
                yield from texts_of(part, here)
    elif isinstance(value, list):
        for index, part in enumerate(value):
            yield from texts_of(part, f"{pointer}/{index}")
