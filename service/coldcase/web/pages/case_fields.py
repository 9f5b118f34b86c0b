"""The fields of the case form, as the case's own types have them: one for each member, with the words that a
person reads and the units as the trade writes them.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from typing import Any, Literal, get_args, get_origin, get_type_hints

import msgspec

from coldcase.core.case import Job, OilResults, Opening, Readings, Unit
from coldcase.core.quantities import Measurement, Range, range_unit
from coldcase.web.pages.case_words import HINTS, LABELS, UNIT_WORDS, VALUE_WORDS

FieldKind = Literal["text", "long", "choice", "flag", "figure", "quantity", "time", "day"]

PARTS: dict[str, type[msgspec.Struct]] = {
    "unit": Unit,
    "job": Job,
    "opening": Opening,
    "readings": Readings,
    "oil_results": OilResults,
}


@dataclass(frozen=True, slots=True)
class FormField:
    """One input, or an input with its unit.

    `name` is that of the input and, its full stops read as slashes, the pointer to what it becomes.
    `values` are the choices, `units` the units of a quantity, each with its words. A `figure` may be a
    detection limit; `ranged` says in which unit it may be a range, `list_` whether it may, or must, be a
    list.
    """

    name: str
    label: str
    kind: FieldKind
    hint: str = ""
    values: tuple[tuple[str, str], ...] = ()
    units: tuple[tuple[str, str], ...] = ()
    ranged: str | None = None
    list_: Literal["no", "may", "must"] = "no"

    @property
    def path(self) -> tuple[str, ...]:
        """The members on the way to the value in a case."""
        return tuple(self.name.split("."))

    @property
    def unit_name(self) -> str:
        """The name of the input that says the unit."""
        return f"{self.name}.unit"


@cache
def form_fields() -> dict[str, FormField]:
    """All fields by name, in the order of the case's types."""
    return {made.name: made for part, shape in PARTS.items() for made in _of(shape, part)}


def _of(shape: type[msgspec.Struct], place: str) -> Iterator[FormField]:
    hints = get_type_hints(shape, include_extras=True)
    for member in msgspec.structs.fields(shape):
        arms = list(_arms(hints[member.name]))
        name = f"{place}.{member.encode_name}"
        nested = next((arm for arm in arms if _is_set(arm)), None)
        if nested is not None:
            yield from _of(nested, name)
        else:
            yield _field(name, arms)


def _arms(hint: Any) -> Iterator[Any]:
    """The types that a member may have, without what is annotated to them."""
    if get_origin(hint) in (Literal, list):
        yield hint
    elif get_args(hint):
        inner = get_args(hint)[:1] if hasattr(hint, "__metadata__") else get_args(hint)
        for arm in inner:
            yield from _arms(arm)
    elif hint is not type(None):
        yield hint


def _is_set(arm: Any) -> bool:
    """Whether a member is a set of measurements, not one."""
    return (
        isinstance(arm, type) and issubclass(arm, msgspec.Struct) and not issubclass(arm, Measurement | Range)
    )


def _field(name: str, arms: list[Any]) -> FormField:
    label, hint = LABELS.get(name) or _said(name), HINTS.get(name, "")
    quantity = next((arm for arm in arms if isinstance(arm, type) and issubclass(arm, Measurement)), None)
    if quantity is not None:
        units = get_args(get_type_hints(quantity)["unit"])
        return FormField(
            name, label, "quantity", hint, units=tuple((unit, UNIT_WORDS.get(unit, unit)) for unit in units)
        )
    if bool in arms:
        return FormField(name, label, "flag", hint)
    if get_origin(arms[0]) is Literal:
        return FormField(name, label, "choice", hint, values=tuple(_valued(name, arms[0])))
    if datetime in arms or date in arms:
        return FormField(name, label, "time" if datetime in arms else "day", hint)
    if float in arms or int in arms or any(get_origin(arm) is list for arm in arms):
        return _figure_field(name, label, hint, arms)
    return FormField(name, label, "long" if name == "job.note" else "text", hint)


def _figure_field(name: str, label: str, hint: str, arms: list[Any]) -> FormField:
    lists = any(get_origin(arm) is list for arm in arms)
    return FormField(
        name,
        label,
        "figure",
        hint,
        ranged=range_unit(name.rpartition(".")[2]) if Range in arms else None,
        list_=("may" if float in arms else "must") if lists else "no",
    )


def _valued(name: str, literal: Any) -> Iterator[tuple[str, str]]:
    for value in get_args(literal):
        yield value, VALUE_WORDS.get(f"{name}={value}") or VALUE_WORDS.get(value) or _sentence(value)


def _said(name: str) -> str:
    return _sentence(name.rpartition(".")[2])


def _sentence(slug: str) -> str:
    words = slug.replace("_", " ")
    return words[:1].upper() + words[1:]
