"""Changes between plain values of two rule tables, and how one is told."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from typing import Any, Literal

import msgspec
import rfc8785

from coldcase.core.fixed_point import DECIBAN, log10

ChangedPart = Literal[
    "cause", "finding", "outcome", "pattern", "frequency", "base_rate", "limit", "setting", "rule", "text"
]
ChangeKind = Literal["added", "removed", "changed"]

TEXTS = frozenset(
    (
        *("title", "summary", "question", "basis", "row_basis", "definition"),
        *("text", "step", "check", "says", "reason", "meaning"),
    )
)
"""Members that people read and the engine does not."""

MAY_DECIDE = 10.0
"""Decibans that a change without a weight of its own is ranked by: a limit, a gate, a setting."""


class Confirmed(msgspec.Struct, frozen=True, kw_only=True):
    """How many judged cases moved a number that was learned: of `judged` `looked` looked, `seen` saw it
    plainly (null of a temperature), and `unclear` as one of several that could not be told apart.
    """

    judged: int
    looked: int
    seen: int | None
    unclear: int


class Change(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One difference: where (RFC 6901 pointer into the new table, or into the old one if removed), what was
    there and what is.

    A frequency is of 100 failures; `old_decibans` and `new_decibans` are what seeing it weighs for the cause.
    `decibans` is the difference; of a background what all unchanged rows gain by it, of a base rate what its
    cause gains, of something added or removed the most that it weighs. `confirmed` says which cases moved a
    number that was proposed from verdicts and still is as it was proposed.
    """

    what: ChangedPart
    change: ChangeKind
    pointer: str
    finding: str | None = None
    outcome: str | None = None
    cause: str | None = None
    old: Any = None
    new: Any = None
    old_decibans: float | None = None
    new_decibans: float | None = None
    decibans: float | None = None
    confirmed: Confirmed | None = None

    def consequence(self) -> float:
        """What it is ranked by: decibans."""
        if self.decibans is not None:
            return abs(self.decibans)
        return 0.0 if self.what == "text" else MAY_DECIDE


def in_decibans(ratio: Decimal) -> float:
    """A ratio as decibans, to the hundredth."""
    return round(log10(ratio) / DECIBAN, 2)


def numbered(keys: Iterable[bytes]) -> Iterator[tuple[tuple[bytes, int], int]]:
    """Each key with how often it came before, and its place."""
    seen: Counter[bytes] = Counter()
    for place, key in enumerate(keys):
        yield (key, seen[key]), place
        seen[key] += 1


def whole_change(what: ChangedPart, place: str, old: Any, new: Any, **named: Any) -> Change:
    """Something that is in one table only, or that is told as a whole."""
    change: ChangeKind = "added" if old is None else "removed" if new is None else "changed"
    return Change(
        what=what,
        change=change,
        pointer=place,
        old=msgspec.to_builtins(old),
        new=msgspec.to_builtins(new),
        **named,
    )


def member_changes(place: str, old: Any, new: Any) -> Iterator[Change]:
    """What differs between two plain values, as deep as it can be told."""
    if old == new and type(old) is type(new):
        return
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for name in sorted(old.keys() | new.keys()):
            yield from member_changes(f"{place}/{_escaped(name)}", old.get(name), new.get(name))
    elif _rows(old) and _rows(new):
        yield from _list_changes(place, old, new)
    elif not (old == new and isinstance(old, int | float) and isinstance(new, int | float)):
        yield _plain(place, old, new)


def _plain(place: str, old: Any, new: Any) -> Change:
    named = place.split("/")
    change: ChangeKind = "added" if old is None else "removed" if new is None else "changed"
    if named[1] == "base_rates" and len(named) == 3:
        moved = in_decibans(Decimal(repr(new)) / Decimal(repr(old))) if old and new else None
        return Change(
            what="base_rate", change=change, pointer=place, cause=named[2], old=old, new=new, decibans=moved
        )
    what: ChangedPart = (
        "text" if TEXTS & {*named[2:]} else "setting" if len(named) == 2 or named[1] == "coding" else "rule"
    )
    return Change(what=what, change=change, pointer=place, old=old, new=new)


def _rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(row, Mapping) for row in value)


def _list_changes(place: str, old: list[Any], new: list[Any]) -> Iterator[Change]:
    """Rows without a name: where there are as many each with its like, else those that came and went."""
    if len(old) == len(new) and sorted(map(one_spelling, old)) != sorted(map(one_spelling, new)):
        for index, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from member_changes(f"{place}/{index}", one, other)
        return
    was = dict(numbered(map(one_spelling, old)))
    now = dict(numbered(map(one_spelling, new)))
    for key, index in was.items():
        if key not in now:
            yield Change(what="rule", change="removed", pointer=f"{place}/{index}", old=old[index])
    for key, index in now.items():
        if key not in was:
            yield Change(what="rule", change="added", pointer=f"{place}/{index}", new=new[index])
    if [key for key in was if key in now] != [key for key in now if key in was]:
        yield Change(what="rule", change="changed", pointer=place, old="in this order", new="in another")


def one_spelling(row: Any) -> bytes:
    """A row as a digest spells it, whatever the order of its members and the kind of its numbers."""
    return rfc8785.dumps(msgspec.to_builtins(row))


def _escaped(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1")
