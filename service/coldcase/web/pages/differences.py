"""What stands on the page of two rule tables compared, worked out before the template sees it."""

import json
from typing import Any

from coldcase.core.diff_text import confirmed_text, counted
from coldcase.core.diffing import TableDiff
from coldcase.core.plain_changes import Change
from coldcase.core.rule_table import RuleTable
from coldcase.db.rule_tables import StoredTable
from coldcase.web.remark_schemas import ComparedRemarks, Remark

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
    return {
        "old": stored[0],
        "new": stored[1],
        "states": STATE_WORDS,
        "counted": counted(diff),
        "learned": any(change.confirmed for one in diff.stations for change in one.changes),
        "stations": [
            (_words(one.station) if one.station else WITHOUT_STATION, [_row(c, tables) for c in one.changes])
            for one in diff.stations
        ],
        "settles": [_remark(one, again=one.id in about.unsettled) for one in about.settles],
        "touches": [_remark(one) for one in about.touches],
    }


def _words(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _row(change: Change, tables: tuple[RuleTable, RuleTable]) -> dict[str, str]:
    named = _named(change, tables)
    return {
        "what": f"{KINDS.get(change.what, change.what)} {change.change}",
        "named": named or change.pointer,
        "pointer": change.pointer if named else "",
        "old": _value(change, change.old),
        "new": _value(change, change.new),
        "before": "" if change.old_decibans is None else f"{change.old_decibans:+.1f}",
        "after": "" if change.new_decibans is None else f"{change.new_decibans:+.1f}",
        "confirmed": confirmed_text(change),
        "moved": "" if change.decibans is None else f"{change.decibans:+.1f}",
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
    if isinstance(value, str):
        return value
    if change.what == "limit" and isinstance(value, dict):
        return "; ".join(_band(band) for band in value.get("bands", ()))
    if isinstance(value, dict) and isinstance(value.get("title"), str):
        return str(value["title"])
    if isinstance(value, dict) and isinstance(value.get("text"), str):
        return str(value["text"])
    return json.dumps(value, ensure_ascii=False)


def _band(band: dict[str, Any]) -> str:
    outcome = band.get("outcome") or "says nothing"
    return f"{outcome} else" if band.get("below") is None else f"{outcome} below {band['below']:g}"


def _remark(one: Remark, *, again: bool = False) -> dict[str, Any]:
    proposed = None if one.proposal is None else json.dumps(one.proposal, ensure_ascii=False)
    return {"remark": one, "proposed": proposed, "again": again}
