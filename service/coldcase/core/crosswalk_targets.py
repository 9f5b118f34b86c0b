"""The members of a case that a crosswalk may fill, by their JSON pointer, and what each takes."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints
from uuid import UUID

import msgspec

from coldcase.core.case import Job, OilResults, Opening, Readings, Unit
from coldcase.core.quantities import Measurement, Range

Takes = Literal["word", "flag", "number", "count", "quantity", "time", "date", "text"]

OBSERVATIONS = "/observations/"
_PARTS: dict[str, type[msgspec.Struct]] = {
    "job": Job,
    "unit": Unit,
    "opening": Opening,
    "readings": Readings,
    "oil_results": OilResults,
}


@dataclass(frozen=True, slots=True)
class Target:
    """A member of a case: what it takes; `choices` are its words, or the units of its quantity.

    `bounded` numbers may be a detection limit. `holder` is a struct whose `value` is of the member's type.
    """

    takes: Takes
    holder: type[msgspec.Struct]
    choices: tuple[str, ...] = ()
    bounded: bool = False


@cache
def case_targets() -> dict[str, Target]:
    """Every member that can be filled, by pointer; of a list of figures each place too. Findings are the rule
    table's.
    """
    found = {"/supersedes": _target("supersedes", UUID | None)}
    for name, part in _PARTS.items():
        found |= dict(_members(part, f"/{name}"))
    return found


def _members(part: type[msgspec.Struct], place: str) -> Iterator[tuple[str, Target]]:
    hints = get_type_hints(part, include_extras=True)
    for field in msgspec.structs.fields(part):
        here, arms = f"{place}/{field.encode_name}", list(_arms(hints[field.name]))
        nested: list[type[msgspec.Struct]] = [arm for arm in arms if _is_part(arm)]
        if nested:
            yield from _members(nested[0], here)
            continue
        if any(get_origin(arm) is not list for arm in arms):
            yield here, _target(field.encode_name, hints[field.name])
        item = next((get_args(arm)[0] for arm in arms if get_origin(arm) is list), None)
        if item is not None:
            for index in range(3):
                yield f"{here}/{index}", _target(field.encode_name, item)


def _is_part(arm: Any) -> bool:
    return (
        isinstance(arm, type) and issubclass(arm, msgspec.Struct) and not issubclass(arm, Measurement | Range)
    )


def _arms(hint: Any) -> Iterator[Any]:
    """What a type is one of, without the limits on it."""
    if get_origin(hint) is Annotated:
        yield from _arms(get_args(hint)[0])
    elif get_origin(hint) in (Union, UnionType):
        for arm in get_args(hint):
            yield from _arms(arm)
    elif hint is not NoneType:
        yield hint


def _target(name: str, hint: Any) -> Target:
    holder = msgspec.defstruct(f"Crosswalk_{name}", [("value", hint)])
    arms = list(_arms(hint))
    words = tuple(str(word) for arm in arms if get_origin(arm) is Literal for word in get_args(arm))
    if words:
        return Target("word", holder, words)
    quantity = next((arm for arm in arms if isinstance(arm, type) and issubclass(arm, Measurement)), None)
    if quantity is not None:
        return Target("quantity", holder, tuple(get_args(get_type_hints(quantity)["unit"])))
    kinds: dict[Any, Takes] = {
        bool: "flag",
        datetime: "time",
        date: "date",
        float: "number",
        int: "count",
        str: "text",
        UUID: "text",
    }
    takes = next(kinds[kind] for kind in kinds if kind in arms)
    return Target(takes, holder, bounded=takes == "number" and str in arms)


def is_taken(target: Target, value: Any) -> str | None:
    """What is wrong with a value for a member; None if it is taken."""
    try:
        msgspec.convert({"value": value}, target.holder)
    except msgspec.ValidationError as error:
        return str(error).partition(" - at `$")[0].replace("`", "'") + "."
    return None
