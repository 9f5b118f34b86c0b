"""What stands on a report for whoever works at the machine: what was observed, the opening, readings and what
was worked out from them, what counts for less, pictures. Codes become words, units those that people write.
"""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from typing import Any

from coldcase.core.answer import Answer, DerivedValue
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.titles import finding_title, outcome_titles
from coldcase.web.pages.case_words import LABELS, UNIT_WORDS, VALUE_WORDS

KNOWN = {"seen": "", "measured": "measured", "told": "told, not seen", "assumed": "assumed"}
FIGURE_UNITS = {"ratio": "", "percent": "%", "megohm": "MΩ", "degC": "°C", "mg_kg": "mg/kg"}
PARTS_SAID = {"unit": "The machine", "job": "The job", "opening": "Opening and handling"}
READ = {"readings": "Readings as they were noted", "oil_results": "The oil laboratory's figures"}


def bench_context(
    answer: Answer, case: dict[str, Any], compiled: CompiledTable, base: str | None
) -> dict[str, Any]:
    """The second half of the report; every list may be empty."""
    return {
        "observed": [_observed(code, said, compiled) for code, said in case.get("observations", {}).items()],
        "parts": [(title, list(_said(case.get(part, {}), part))) for part, title in PARTS_SAID.items()],
        "read": [(title, list(_said(case.get(part, {}), part))) for part, title in READ.items()],
        "derived": [_derived(row, compiled, base) for row in answer.derived],
        "discounted": [
            {
                "finding": finding_title(row.finding, compiled),
                "outcome": outcome_titles(row.finding, row.outcome, compiled, absent=row.absent),
                "kept": round(row.kept * 100),
                "reason": row.reason,
            }
            for row in answer.discounted
        ],
        "left_out": [
            {
                "place": place_words(row.pointer) if row.pointer else "And more",
                "sent": row.sent,
                "detail": row.detail,
                "suggestion": row.suggestion,
            }
            for row in answer.left_out
        ],
        "pictures": [_picture(row, compiled) for row in case.get("evidence", [])],
    }


def place_words(pointer: str) -> str:
    """A place of the case (RFC 6901 pointer) as its form calls it."""
    parts = [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]
    return LABELS.get(".".join(parts)) or _words(
        next((one for one in reversed(parts) if not one.isdigit()), "")
    )


def in_words(note: str) -> str:
    """A note without the pointer that it may begin with."""
    pointer, colon, rest = note.partition(": ")
    told = f"{place_words(pointer)}: {rest}" if colon and pointer.startswith("/") else note
    return f"{told[:1].upper()}{told[1:]}"


def _observed(code: str, said: Any, compiled: CompiledTable) -> dict[str, str]:
    """An observation as it was sent; what was disputed stands beside it."""
    detail = said if isinstance(said, dict) else {"outcome": said}

    def words(outcome: str | list[str], *, absent: bool = False) -> str:
        return outcome_titles(code, outcome, compiled, absent=absent)

    several = code in compiled.table.findings and compiled.table.findings[code].kind == "several"
    named = detail.get("outcome") or []
    seen = [*([named] if isinstance(named, str) else named), *detail.get("seen", [])]
    outcomes = [words(each) for each in seen] if several else [words(seen)] if seen else []
    outcomes += [words(each, absent=True) for each in detail.get("not_seen", [])]
    disputed = detail.get("disputed_by") or {}
    return {
        "code": code if code in compiled.table.findings else "",
        "finding": finding_title(code, compiled),
        "outcomes": "; ".join(outcomes),
        "known": KNOWN[detail.get("known") or "seen"],
        "since": detail.get("since") or "",
        "disputed": words(disputed["outcome"]) if disputed else "",
        "by": disputed.get("by") or "somebody else",
    }


def _said(members: dict[str, Any], place: str) -> Iterator[tuple[str, str]]:
    """Each thing that was said of a part of the case: its label and its value in words."""
    for name, value in members.items():
        path = f"{place}.{name}"
        if isinstance(value, dict) and not {"value", "from"} & value.keys():
            yield from _said(value, path)
        else:
            yield LABELS.get(path) or _words(name), _value(path, value)


def _value(path: str, value: Any) -> str:
    if isinstance(value, bool):
        return "Yes" if value else "No"
    if path.endswith("_at") and isinstance(value, str):
        return _moment(value)
    if isinstance(value, dict):
        ends = [value["value"]] if "value" in value else [value["from"], value["to"]]
        unit = value.get("unit", "")
        return f"{' to '.join(str(end) for end in ends)} {UNIT_WORDS.get(unit, unit)}".strip()
    if isinstance(value, list):
        return ", ".join(str(each) for each in value)
    return VALUE_WORDS.get(f"{path}={value}") or (
        VALUE_WORDS.get(value, _words(value)) if _is_code(path, value) else str(value)
    )


def _moment(text: str) -> str:
    """A day or a moment as people write it; as it was sent where it is of another form."""
    try:
        if len(text) == len("2026-03-01"):
            return f"{date.fromisoformat(text):%d %B %Y}".lstrip("0")
        return f"{datetime.fromisoformat(text).astimezone(UTC):%d %B %Y, %H:%M UTC}".lstrip("0")
    except (ValueError, OverflowError):
        return text


def _is_code(path: str, value: Any) -> bool:
    """Whether a value is one of ours, and not what somebody typed."""
    typed = path.startswith("job.") or path in (
        "unit.ref",
        "unit.make",
        "unit.model",
        "unit.serial",
        "unit.refrigerant",
        "unit.lubricant",
        "unit.installed_at",
    )
    return isinstance(value, str) and (value in VALUE_WORDS or not typed) and not path.startswith(tuple(READ))


def _words(code: str) -> str:
    words = code.replace("_", " ")
    return words[:1].upper() + words[1:]


def _derived(row: DerivedValue, compiled: CompiledTable, base: str | None) -> dict[str, Any]:
    label = next((said for part in READ if (said := LABELS.get(f"{part}.{row.quantity}"))), None)
    label = label or _words(row.quantity)
    unit = FIGURE_UNITS.get(row.unit) or UNIT_WORDS.get(row.unit) or row.unit
    unit = "" if row.unit == "ratio" else unit
    figures = "" if row.value is None else _figure(row.value)
    if row.to is not None:
        figures += f" to {_figure(row.to)}"
    judged = outcome_titles(row.finding, row.outcome, compiled) if row.finding and row.outcome else ""
    return {
        "label": label.split(",")[0],
        "figure": f"{figures} {unit}".strip(),
        "judged": judged,
        "finding": finding_title(row.finding, compiled) if row.finding else "",
        "superseded": row.superseded,
        "note": row.note or "",
        "limit": row.limit or "",
        "limit_path": _limit_path(row, compiled, base),
        "basis": row.basis or "",
    }


def _limit_path(row: DerivedValue, compiled: CompiledTable, base: str | None) -> str | None:
    """Where the limit stands that judged a figure: several are for one quantity and finding, and each has a
    basis.
    """
    if base is None or row.limit is None:
        return None
    judged = row.quantity, row.finding, row.basis
    for place, limit in enumerate(compiled.table.limits):
        if (limit.quantity, limit.finding, limit.basis) == judged:
            return f"{base}/limits#limit-{place}"
    return f"{base}/limits"


def _figure(value: float | str) -> str:
    """As many places as somebody would write down; a bound as it was sent."""
    if isinstance(value, str):
        return value
    size = abs(value)
    return f"{value:.0f}" if size >= 100 else f"{value:.1f}" if size >= 1 or value == 0 else f"{value:.2g}"


def _picture(row: dict[str, Any], compiled: CompiledTable) -> dict[str, Any]:
    uri = row["uri"]
    return {
        "uri": uri,
        # Whatever else an address may begin with is shown and not followed.
        "followed": uri.lower().startswith(("https://", "http://")),
        "sha256": row.get("sha256"),
        "caption": row.get("caption"),
        "finding": finding_title(row["finding"], compiled) if row.get("finding") else None,
    }
