"""JSON pointers (RFC 6901): what stands at one, and whether two name the same place."""

import re
from typing import Any

from coldcase.core.suggesting import nearest
from coldcase.errors import Flaw

_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")
_BAD_ESCAPE = re.compile(r"~(?![01])")


class NothingThereError(LookupError):
    """There is nothing at a pointer; `flaw` says where it went astray."""

    def __init__(self, detail: str, suggestion: str | None = None) -> None:
        self.flaw = Flaw("", detail, suggestion)
        super().__init__(detail)


def value_at(document: Any, pointer: str) -> Any:
    """What stands there. Raises NothingThereError, also for what is no pointer."""
    if (pointer and not pointer.startswith("/")) or _BAD_ESCAPE.search(pointer):
        raise NothingThereError(f"'{pointer[:100]}' is no JSON pointer (RFC 6901): it begins with `/`.")
    here = ""
    for part in pointer.split("/")[1:]:
        name = part.replace("~1", "/").replace("~0", "~")
        if isinstance(document, dict) and name in document:
            document = document[name]
        elif isinstance(document, list) and _INDEX.fullmatch(name) and int(name) < len(document):
            document = document[int(name)]
        else:
            raise _astray(document, pointer, here, name)
        here += f"/{part}"
    return document


def _astray(holder: Any, pointer: str, here: str, name: str) -> NothingThereError:
    place = f"'{here[:100]}'" if here else "The document"
    if isinstance(holder, list):
        detail = f"{place} is a list of {len(holder)}: it has no place '{name[:64]}'."
        return NothingThereError(detail)
    if not isinstance(holder, dict):
        return NothingThereError(f"{place} is a single value: there is nothing below it.")
    meant = nearest(name, holder)
    rest = pointer[len(here) + 1 :].partition("/")
    suggestion = None if meant is None else f"{here}/{_escaped(meant)}{rest[1]}{rest[2]}"
    return NothingThereError(f"{place} has no '{name[:64]}'.", suggestion)


def overlap(one: str, other: str) -> bool:
    """Whether one of two places is the other, or holds it."""
    return f"{one}/".startswith(f"{other}/") or f"{other}/".startswith(f"{one}/")


def _escaped(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1")
