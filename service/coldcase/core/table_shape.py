"""What is wrong with the shape of a rule table's document, and as much of a table as can be read of it."""

from collections.abc import Callable, Iterator
from functools import wraps
from types import NoneType
from typing import Any, ParamSpec, get_args, get_origin, get_type_hints

import msgspec

from coldcase.core.rule_table import RuleTable
from coldcase.core.suggesting import nearest
from coldcase.core.unknown_words import escaped
from coldcase.errors import Flaw

Arguments = ParamSpec("Arguments")


class UnreadError(Exception):
    """Something was asked of a part of a document whose shape is wrong."""


def _refuse(*_: object) -> Any:
    raise UnreadError


UNREAD: Any = type(
    "Unread",
    (),
    dict.fromkeys(
        (
            *("__getattr__", "__bool__", "__hash__", "__iter__", "__len__", "__contains__", "__getitem__"),
            *("__eq__", "__ne__", "__lt__", "__le__", "__gt__", "__ge__", "__str__", "__format__"),
            *("__add__", "__radd__", "__sub__", "__rsub__", "__mul__", "__rmul__", "__float__", "__index__"),
        ),
        _refuse,
    ),
)()
"""Stands where nothing could be read: whatever is asked of it raises UnreadError, so that nothing is
concluded from it.
"""


def as_far_as_read(check: Callable[Arguments, Iterator[Flaw]]) -> Callable[Arguments, Iterator[Flaw]]:
    """A check that ends, with what it has found, where it comes upon what could not be read."""

    @wraps(check)
    def checked(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Iterator[Flaw]:
        try:
            yield from check(*args, **kwargs)
        except UnreadError:
            return

    return checked


def read_shape(document: Any) -> tuple[list[Flaw], RuleTable]:
    """Every flaw of shape of a JSON document, and the table with UNREAD in the place of what has one."""
    found: list[Flaw] = []
    return found, _read("", document, RuleTable, found)


def _read(place: str, value: Any, hint: Any, found: list[Flaw]) -> Any:
    try:
        return msgspec.convert(value, hint)
    except msgspec.ValidationError as error:
        detail = str(error)
    for arm in get_args(hint) if NoneType in get_args(hint) else (hint,):
        if isinstance(arm, type) and issubclass(arm, msgspec.Struct) and isinstance(value, dict):
            return _read_row(place, value, arm, found)
        if get_origin(arm) is list and isinstance(value, list):
            return [_read(f"{place}/{i}", one, get_args(arm)[0], found) for i, one in enumerate(value)]
        if get_origin(arm) is dict and isinstance(value, dict):
            return _read_map(place, value, get_args(arm), found)
    found.append(Flaw(place, detail.replace("`", "'") + "."))
    return UNREAD


def _read_map(place: str, value: dict[str, Any], hints: tuple[Any, ...], found: list[Flaw]) -> Any:
    members = {}
    for name, one in value.items():
        here = f"{place}/{escaped(name)}"
        # A wrong name is known by it nevertheless: who names it elsewhere names what is there.
        _read(here, name, hints[0], found)
        members[name] = _read(here, one, hints[1], found)
    return members


def _read_row(place: str, value: dict[str, Any], shape: type[msgspec.Struct], found: list[Flaw]) -> Any:
    hints = get_type_hints(shape, include_extras=True)
    fields = {field.encode_name: field for field in msgspec.structs.fields(shape)}
    members: dict[str, Any] = {}
    for name, sent in value.items():
        here = f"{place}/{escaped(name)}"
        if name in fields:
            members[fields[name].name] = _read(here, sent, hints[fields[name].name], found)
            continue
        meant = nearest(name, [known for known in fields if known not in value])
        found.append(Flaw(here, f"There is no member '{name[:64]}' here.", meant))
        if meant is not None:
            members[fields[meant].name] = UNREAD
    for name, field in fields.items():
        if field.required and name not in value:
            found.append(Flaw(f"{place}/{name}", "This member is required."))
            members[field.name] = UNREAD
    return shape(**members)
