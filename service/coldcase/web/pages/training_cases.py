"""What stands on the pages of training before an answer: the cases, and one of them to be judged. Nothing
here may say what a case was.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import UNDETERMINED, UNLISTED, Cause
from coldcase.db.decisions import ListedDecision
from coldcase.db.training import TrainingAnswer
from coldcase.feedback.calibrating import interval
from coldcase.feedback.training import TrainingCase
from coldcase.web.pages import drawing, rule_words
from coldcase.web.pages.case_words import UNIT_WORDS, VALUE_WORDS
from coldcase.web.pages.drawing import Whisker
from coldcase.web.pages.rule_words import TableWords
from coldcase.web.pages.table_backtests import interval_words, of_how_many
from coldcase.web.pages.trade_names import trade_name

NOTHING_MORE = "nothing_more"
UNIT_SHOWN = (
    "compressor_type",
    "hermeticity",
    "motor",
    "winding_connection",
    "application",
    "refrigerant",
    "lubricant",
    "condenser",
    "compressors_on_circuit",
    "rated_voltage_v",
    "rated_current_a",
    "oil_charge",
    "refrigerant_charge",
    "installed_at",
)
"""What is told of a machine: nothing that names it, its maker, its place or its people."""
SUFFIXES = {
    "_mg_koh_g": "mg KOH/g",
    "_mg_kg": "mg/kg",
    "_mm2_s": "mm²/s",
    "_percent": "%",
    "_megohm": "MΩ",
    "_ohm": "Ω",
    "_uf": "µF",
    "_kg_l": "kg/L",
    "_v": "V",
    "_a": "A",
    "_m": "m",
}


def overview_context(
    shipped: Mapping[str, TrainingCase],
    own: Sequence[ListedDecision],
    said: Mapping[str, TrainingAnswer],
    compiled: CompiledTable,
) -> dict[str, Any]:
    """All cases, those answered with what was said, and how far the trainee has come."""
    cases = [
        {
            "name": name,
            "title": f"Case {number}",
            "machine": _machine(one.case),
            "told": one.told,
            **_said(said.get(name), compiled),
        }
        for number, (name, one) in enumerate(shipped.items(), start=1)
    ]
    decided = [
        {
            "name": str(one.id),
            "title": f"A case of yours, closed {one.at:%Y-%m-%d}",
            "machine": one.circuit or "",
            "told": "",
            **_said(said.get(str(one.id)), compiled),
        }
        for one in own
    ]
    listed = [*cases, *decided]
    known = {row["name"] for row in listed}
    answered = [one for name, one in said.items() if name in known]
    return {
        "open": [row for row in cases if row["said"] is None],
        "open_own": [row for row in decided if row["said"] is None],
        "answered": [row for row in listed if row["said"] is not None],
        "count": len(listed),
        "progress": _progress(answered, compiled),
    }


def _said(said: TrainingAnswer | None, compiled: CompiledTable) -> dict[str, Any]:
    return {
        "said": said,
        "causes": [] if said is None else [trade_name(code, compiled) for code in said.causes],
    }


def _machine(case: Mapping[str, Any]) -> str:
    unit = case.get("unit", {})
    named = [unit.get(name) for name in ("hermeticity", "compressor_type", "refrigerant")]
    return ", ".join(str(value).replace("_", "-") for value in named if value)


def _progress(answered: Sequence[TrainingAnswer], compiled: CompiledTable) -> dict[str, Any] | None:
    """How often the first cause was right, altogether and by the family that was named; None before the first
    answer.
    """
    if not answered:
        return None
    families: dict[str, list[bool]] = {}
    for one in answered:
        cause = compiled.table.causes.get(one.causes[0])
        named = rule_words.family(cause.family) if cause else "None named"
        families.setdefault(named, []).append(one.was_right)
    rows = [("All", interval(sum(one.was_right for one in answered), len(answered)))]
    rows += [(name, interval(sum(right), len(right))) for name, right in sorted(families.items())]
    return {
        "picture": drawing.whiskers(
            "progress",
            "How often the cause that you named first was right",
            [Whisker(name, of_how_many(of), of.share, of.low, of.high) for name, of in rows],
        ),
        "rows": [(name, interval_words(of)) for name, of in rows],
    }


def case_context(found: TrainingCase, compiled: CompiledTable) -> dict[str, Any]:
    """A case as it is shown to be judged, and what can be chosen."""
    return {
        "found": found,
        **described(found.case, TableWords(compiled.table)),
        "causes": _causes(compiled),
        "others": [
            (UNLISTED, "Another cause than these"),
            (UNDETERMINED, "It cannot be told from this"),
        ],
        "checks": _checks(found.case, compiled),
        "nothing_more": NOTHING_MORE,
    }


def described(case: Mapping[str, Any], words: TableWords) -> dict[str, list[tuple[str, str]]]:
    """What a case says, as names and values. Notes, captions and all that names a machine or a place stay
    away: they may tell what it was, or of whom.
    """
    unit = case.get("unit", {})
    return {
        "unit": [
            (rule_words.UNIT_FIELDS.get(name, _name(name)).capitalize(), _value(name, unit[name]))
            for name in UNIT_SHOWN
            if name in unit
        ],
        "opening": [
            (rule_words.OPENING_FIELDS.get(name, rule_words.plain(name)).capitalize(), _value(name, value))
            for name, value in case.get("opening", {}).items()
        ],
        "observed": [
            (words.finding(code), _observed(code, said, words))
            for code, said in case.get("observations", {}).items()
        ],
        "readings": [
            (_quantity(name, words), _value(name, value)) for name, value in case.get("readings", {}).items()
        ],
        "oil": [
            (_quantity(name, words), _value(name, value))
            for name, value in case.get("oil_results", {}).items()
            if name != "sampled_at"
        ],
    }


def _observed(code: str, said: Any, words: TableWords) -> str:
    """An observation; of several signs also those that were looked for and not there."""
    detail = said if isinstance(said, dict) else {"outcome": said}
    named = detail.get("outcome") or []
    seen = [*([named] if isinstance(named, str) else named), *detail.get("seen", [])]
    finding = words.table.findings.get(code)
    joined = ", " if finding is not None and finding.kind == "several" else " or "
    parts = [joined.join(rule_words.lower(words.outcome(code, one)) for one in seen)] if seen else []
    parts += [
        f"not there: {rule_words.lower(words.outcome(code, one))}" for one in detail.get("not_seen", [])
    ]
    return "; ".join(parts)


def _quantity(name: str, words: TableWords) -> str:
    return words.quantity(name) if name in words.table.quantities else _name(name).capitalize()


def _name(name: str) -> str:
    """A member without the unit at its end."""
    suffix = next((one for one in SUFFIXES if name.endswith(one)), "")
    return rule_words.plain(name.removesuffix(suffix))


def _value(name: str, value: Any) -> str:
    """A value as people write it: quantities with their unit, lists joined."""
    if isinstance(value, dict):
        unit = value.get("unit")
        if "from" in value:
            number = f"{value['from']:g} to {value['to']:g}"
        elif "value" in value:
            number = _number(value["value"])
        else:
            return "; ".join(f"{_name(part)} {_value(part, inner)}" for part, inner in value.items())
        return " ".join(part for part in (number, UNIT_WORDS.get(unit, unit) if unit else "") if part)
    if isinstance(value, list):
        return " / ".join(_value("", one) for one in value) + _unit_of(name)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(value) + _unit_of(name)
    said = VALUE_WORDS.get(f"opening.{name}={value}") or VALUE_WORDS.get(str(value))
    return (said or rule_words.plain(str(value))) + (_unit_of(name) if str(value)[:1] in "<>" else "")


def _number(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _unit_of(name: str) -> str:
    suffix = next((one for one in SUFFIXES if name.endswith(one)), None)
    return "" if suffix is None else f" {SUFFIXES[suffix]}"


def _causes(compiled: CompiledTable) -> list[tuple[str, list[tuple[str, str]]]]:
    families: dict[str, list[tuple[str, str]]] = {}
    for code, cause in rule_words.in_families(compiled.table.causes):
        families.setdefault(rule_words.family(cause.family), []).append(
            (code, _choice(code, cause, compiled))
        )
    return list(families.items())


def _choice(code: str, cause: Cause, compiled: CompiledTable) -> str:
    """A cause as it can be chosen: the trade's word, and what that means."""
    named = trade_name(code, compiled)
    return named if named == cause.title else f"{named}: {rule_words.lower(cause.title)}"


def _checks(case: Mapping[str, Any], compiled: CompiledTable) -> list[tuple[str, list[tuple[str, str]]]]:
    """What can be looked at next, by station: what the table still asks and the case does not say."""
    known = case.get("observations", {})
    stations: dict[str, list[tuple[str, str]]] = {one: [] for one in compiled.table.stations}
    for code, row in sorted(compiled.table.findings.items(), key=lambda one: one[1].title):
        if row.succeeded_by is None and code not in known:
            stations.setdefault(row.station, []).append((code, row.title))
    return [(rule_words.station(name), rows) for name, rows in stations.items() if rows]
