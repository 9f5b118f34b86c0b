"""What stands on the page of two rule tables compared, worked out before the template sees it."""

import json
from typing import Any

from coldcase.core.diff_text import confirmed_text, counted
from coldcase.core.diffing import TableDiff
from coldcase.core.plain_changes import Change
from coldcase.core.rule_table import RuleTable
from coldcase.db.rule_tables import StoredTable
from coldcase.web.pages.table_frame import TablePage
from coldcase.web.remark_schemas import ComparedRemarks

WITHOUT_STATION = "Causes, handling and settings"
KINDS = {
    "base_rate": "base rate",
    "rule": "rule",
    "setting": "setting",
    "text": "wording",
}
STATE_WORDS = {
    "draft": "a draft",
    "approved": "an approved draft",
    "published": "published",
    "withdrawn": "withdrawn",
}


def diff_context(
    stored: tuple[StoredTable, StoredTable],
    tables: tuple[RuleTable, RuleTable],
    diff: TableDiff,
    about: ComparedRemarks,
) -> dict[str, Any]:
    """What the template is filled with."""
    pages = TablePage(stored[0], tables[0]), TablePage(stored[1], tables[1])
    return {
        "old": stored[0],
        "new": stored[1],
        "states": STATE_WORDS,
        "counted": counted(diff),
        "learned": any(change.confirmed for one in diff.stations for change in one.changes),
        "stations": [
            (
                _words(one.station) if one.station else WITHOUT_STATION,
                [_row(change, tables, pages) for change in one.changes],
            )
            for one in diff.stations
        ],
        "settles": [pages[1].remark(one) | {"again": one.id in about.unsettled} for one in about.settles],
        "touches": [pages[1].remark(one) | {"again": False} for one in about.touches],
    }


def as_often(decibans: float | None) -> str:
    """A weight as how much more, or less, often something is seen after a cause than after others."""
    if decibans is None:
        return ""
    ratio = 10 ** (abs(decibans) / 10)
    if ratio < 1.05:
        return "as often"
    number = f"{ratio:.0f}" if ratio >= 9.95 else f"{ratio:.1f}"
    return f"{number} times {'as often' if decibans > 0 else 'less often'}"


def _words(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _row(
    change: Change, tables: tuple[RuleTable, RuleTable], pages: tuple[TablePage, TablePage]
) -> dict[str, str]:
    named = _named(change, tables)
    there = pages[0] if change.change == "removed" else pages[1]
    path, place = there.place_of(change.pointer)
    if not named and path != there.path:
        named = f"{place[:1].upper()}{place[1:]}"
    return {
        "path": "" if path == there.path else path,
        "what": f"{KINDS.get(change.what, change.what)} {change.change}",
        "named": named or change.pointer,
        "pointer": change.pointer if named else "",
        "old": _value(change, change.old),
        "new": _value(change, change.new),
        "before": as_often(change.old_decibans),
        "after": as_often(change.new_decibans),
        "confirmed": confirmed_text(change),
    }


def _named(change: Change, tables: tuple[RuleTable, RuleTable]) -> str:
    """The titles of what it is about, in the new table or else in the old one."""
    parts: list[str] = []
    for table in reversed(tables):
        finding = table.findings.get(change.finding or "")
        titled = finding or table.patterns.get(change.finding or "")
        if titled is not None and not parts:
            parts.append(titled.title)
            outcomes = finding.outcomes if finding else []
            parts += [outcome.title for outcome in outcomes if outcome.code == change.outcome]
    for table in reversed(tables):
        if change.cause in table.causes:
            parts.append(table.causes[change.cause].title)
            break
    else:
        parts += ["background"] if change.what == "frequency" and change.cause is None else []
    return ": ".join(parts)


def _value(change: Change, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{value:g}"
    if change.what == "limit" and isinstance(value, dict):
        return "; ".join(_band(band) for band in value.get("bands", ()))
    for said in (value, *((value.get("title"), value.get("text")) if isinstance(value, dict) else ())):
        if isinstance(said, str):
            return said
    return json.dumps(value, ensure_ascii=False)


def _band(band: dict[str, Any]) -> str:
    outcome = band.get("outcome") or "says nothing"
    return f"{outcome} else" if band.get("below") is None else f"{outcome} below {band['below']:g}"
