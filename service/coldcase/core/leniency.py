"""Reading leniently: what is wrong with a case is left out and named, so that a job can be closed.

What is named is bounded in number and in size, for it goes on record with the answer.
"""

from collections.abc import Iterable
from typing import Any

import msgspec

from coldcase.core.answer import LeftOut
from coldcase.core.case_reader import NOT_COVERED_TEXT, ImpossibilityCheck, ParsedCase, parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.errors import MOST_FLAWS, BadCase, Flaw

MOST_QUOTED = 200
"""Characters of a pointer or of what was sent there."""

MOST_TOLD = 16_384
"""Characters of all pointers, quotes and details together."""

DEPTH = 2
"""Names of the pointer of what is left out: a member of a part of the case, an observation, an exhibit."""

THE_UNIT = ("", "/unit", "/unit/compressor_type", "/unit/motor")


def parse_case_leniently(
    raw: Any, compiled: CompiledTable, impossibility_check: ImpossibilityCheck | None = None
) -> ParsedCase:
    """The case without what is wrong with it, each left-out member named.

    Raises `BadCase` for what is no object, where no unit can be read, and for a machine that is not covered.
    """
    left_out: list[LeftOut] = []
    sent = raw
    while True:
        try:
            parsed = parse_case(raw, compiled, impossibility_check)
        except BadCase as error:
            raw = _without(raw, error, left_out)
        else:
            named = most_told(left_out)
            return ParsedCase(
                parsed.case, (*map(told_of, named), *parsed.notes), parsed.raw, sent, tuple(named)
            )


def _without(raw: Any, error: BadCase, left_out: list[LeftOut]) -> dict[str, Any]:
    """A copy without the flawed members; re-raises where the flaw is the unit's own."""
    places = {flaw.pointer: flaw for flaw in error.flaws}
    if any(place in THE_UNIT or flaw.detail == NOT_COVERED_TEXT for place, flaw in places.items()):
        raise error
    copy = {name: part.copy() if isinstance(part, dict | list) else part for name, part in raw.items()}
    for flaw in _together(_whole(flaw) for flaw in places.values()):
        _remove(copy, _names(flaw.pointer))
        left_out.append(as_left_out(raw, flaw) if len(left_out) < MOST_FLAWS else LeftOut("", "", ""))
    if isinstance(copy.get("evidence"), list):
        copy["evidence"] = [exhibit for exhibit in copy["evidence"] if exhibit is not None]
    if copy == raw:
        raise error
    return copy


def _together(flaws: Iterable[Flaw]) -> list[Flaw]:
    """One flaw for each member; of several the details follow each other."""
    by_place: dict[str, Flaw] = {}
    for flaw in flaws:
        known = by_place.get(flaw.pointer)
        by_place[flaw.pointer] = (
            flaw if known is None else Flaw(flaw.pointer, f"{known.detail} {flaw.detail}", known.suggestion)
        )
    return list(by_place.values())


def as_left_out(raw: Any, flaw: Flaw) -> LeftOut:
    """What was sent there, as JSON: the record shows what was left out."""
    value = raw
    for name in _names(flaw.pointer):
        if isinstance(value, list) and name.isdecimal() and int(name) < len(value):
            value = value[int(name)]
        elif isinstance(value, dict) and name in value:
            value = value[name]
        else:
            break
    sent = msgspec.json.encode(value).decode()
    return LeftOut(
        pointer=_cut(flaw.pointer), sent=_cut(sent), detail=flaw.detail, suggestion=flaw.suggestion
    )


def _whole(flaw: Flaw) -> Flaw:
    """The flaw as that of what is left out: a measurement goes as a whole, for its value means nothing
    without its unit. What was meant by a word within is no suggestion for the whole.
    """
    names = flaw.pointer.split("/")
    if len(names) <= 1 + DEPTH:
        return flaw
    within = "/".join(names[1 + DEPTH :])
    meant = (
        f"{flaw.detail.removesuffix('.')}; '{flaw.suggestion}' was probably meant."
        if flaw.suggestion
        else flaw.detail
    )
    return Flaw("/".join(names[: 1 + DEPTH]), f"{within}: {meant}")


def most_told(left_out: list[LeftOut]) -> list[LeftOut]:
    """As many as may be named, and then one that counts the rest."""
    named, size = 0, 0
    while named < min(len(left_out), MOST_FLAWS):
        size += len(left_out[named].pointer) + len(left_out[named].sent) + len(left_out[named].detail)
        if size > MOST_TOLD:
            break
        named += 1
    rest = len(left_out) - named
    return left_out[:named] + ([LeftOut("", "", f"{rest} more members were left out.")] if rest else [])


def told_of(one: LeftOut) -> str:
    """What was left out, as a sentence of the notes."""
    return f"Left out {one.pointer} ({one.sent}): {one.detail}" if one.pointer else one.detail


def _cut(text: str) -> str:
    return text if len(text) <= MOST_QUOTED else f"{text[:MOST_QUOTED]}…"


def _names(pointer: str) -> list[str]:
    return [name.replace("~1", "/").replace("~0", "~") for name in pointer.split("/")[1:]]


def _remove(copy: dict[str, Any], names: list[str]) -> None:
    """Takes out a member, or a member of a part; of the evidence, the one exhibit, whose place stays until
    all are gone.
    """
    part = copy.get(names[0])
    if len(names) > 1 and isinstance(part, dict):
        part.pop(names[1], None)
    elif len(names) > 1 and names[0] == "evidence" and isinstance(part, list):
        part[int(names[1])] = None
    else:
        copy.pop(names[0], None)
