"""What was edited against one version of a rule table, carried over to another one that has moved on."""

from collections.abc import Iterator
from copy import deepcopy
from typing import Any, NamedTuple

from coldcase.errors import BadTableRequest, Flaw

_ABSENT = object()
_KNOWN_BY = ("code", "quantity", "finding", "when")
"""Members that say which row of a list it is."""


class _Edit(NamedTuple):
    path: tuple[str | int, ...]
    old: Any
    new: Any


def carried_over(base: Any, edited: Any, draft: Any) -> Any:
    """A copy of the draft with whatever `edited` has otherwise than `base`. Raises `BadTableRequest` with
    every place that the draft has otherwise than the base, too: nobody's edit is undone unseen.
    """
    copy, flaws = deepcopy(draft), []
    for edit in _edits((), base, edited):
        holder = _holder(copy, base, edit.path)
        name = edit.path[-1]
        now = _ABSENT if holder is None else _member(holder, name)
        if holder is None or now not in (edit.old, edit.new):
            flaws.append(
                Flaw(_pointer(edit.path), "The draft was changed here since: it is not as in the base.")
            )
        elif edit.new is _ABSENT:
            holder.pop(name, None)
        else:
            holder[name] = edit.new
    if flaws:
        raise BadTableRequest(tuple(flaws))
    return copy


def _edits(path: tuple[str | int, ...], old: Any, new: Any) -> Iterator[_Edit]:
    if isinstance(old, dict) and isinstance(new, dict):
        for name in dict.fromkeys([*old, *new]):
            yield from _edits((*path, name), old.get(name, _ABSENT), new.get(name, _ABSENT))
    elif _is_rows(old) and _is_rows(new) and len(old) == len(new):
        for index, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from _edits((*path, index), one, other)
    elif old != new:
        yield _Edit(path, old, new)


def _is_rows(value: Any) -> bool:
    return isinstance(value, list) and any(isinstance(row, dict) for row in value)


def _holder(draft: Any, base: Any, path: tuple[str | int, ...]) -> Any:
    """What holds the end of the path in the draft; None where the draft has other rows than the base on the
    way there.
    """
    for name in path[:-1]:
        if isinstance(base, list) and (not isinstance(draft, list) or len(draft) != len(base)):
            return None
        base, draft = base[name], _member(draft, name)
        if type(draft) is not type(base):
            return None
        if isinstance(base, dict) and isinstance(name, int) and _named(base) != _named(draft):
            return None
    return draft


def _named(row: dict[str, Any]) -> list[Any]:
    return [row.get(name) for name in _KNOWN_BY]


def _member(holder: Any, name: str | int) -> Any:
    if isinstance(holder, dict):
        return holder.get(name, _ABSENT)
    return holder[name] if isinstance(holder, list) and isinstance(name, int) else _ABSENT


def _pointer(path: tuple[str | int, ...]) -> str:
    return "".join(f"/{str(part).replace('~', '~0').replace('/', '~1')}" for part in path)
