"""What stands on the pages of remarks: all of a version, and the form that makes one."""

from math import isfinite
from typing import Any

from coldcase.web.pages.table_frame import TablePage, share

REMARK_STATES = ("open", "answered", "settled")


def remarks_context(page: TablePage) -> dict[str, Any]:
    """The remarks by state, the newest first."""
    shown = [page.remark(one) for one in page.remarks]
    return {
        "page": page,
        "states": [(state, [one for one in shown if one["said"].state == state]) for state in REMARK_STATES],
    }


def form_context(page: TablePage, pointer: str, there: Any) -> dict[str, Any]:
    """What the form says of the place: its name, and what stands there."""
    path, titled = page.place_of(pointer)
    return {
        "page": page,
        "place": titled,
        "back": path,
        "stands": _stands(page, pointer, there),
        "numbers": _are_numbers(there),
        "before": page.remarks_at(pointer),
    }


def _are_numbers(there: Any) -> bool:
    listed = there if isinstance(there, list) else [there]
    return bool(listed) and all(isinstance(one, int | float) and not isinstance(one, bool) for one in listed)


def _stands(page: TablePage, pointer: str, there: Any) -> list[tuple[str, str]]:
    """What stands at a place, as names and values; of a row of frequencies the share of each outcome."""
    parts = pointer.split("/")[1:]
    if isinstance(there, list) and _are_numbers(there):
        finding = page.table.findings.get(parts[1]) if len(parts) > 1 else None
        titles = [outcome.title for outcome in finding.outcomes] if finding else []
        if len(titles) == len(there):
            return [(title, f"{share(value)} of 100") for title, value in zip(titles, there, strict=True)]
    if isinstance(there, str):
        return [("", there)]
    if _are_numbers(there):
        return [("", ", ".join(f"{one:g}" for one in (there if isinstance(there, list) else [there])))]
    if isinstance(there, dict):
        named = ("title", "text", "summary", "question", "basis")
        return [(name.capitalize(), there[name]) for name in named if isinstance(there.get(name), str)]
    return []


def proposed(typed: str, there: Any) -> Any:
    """What should stand at a place, of the same kind as what stands there: numbers for numbers, else text.
    Raises ValueError, whose text says what is wanted.
    """
    if not _are_numbers(there):
        return typed
    many = isinstance(there, list)
    try:
        numbers = [float(part) for part in typed.replace(";", " ").replace(",", " ").split()]
    except ValueError:
        raise ValueError(
            "Numbers alone, with a point for decimals, and blanks or commas between them."
        ) from None
    if len(numbers) != (len(there) if many else 1):
        wanted = f"{len(there)} numbers, one for each outcome" if many else "one number"
        raise ValueError(f"Here stand {wanted}; {len(numbers)} were typed.")
    if not all(isfinite(number) for number in numbers):
        raise ValueError("Numbers that end.")
    whole = [int(number) if number == int(number) else number for number in numbers]
    return whole if many else whole[0]
