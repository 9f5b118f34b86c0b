"""JSON value to case, parsed and validated: every flaw at once, each with its place and the likeliest meant
word.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, NamedTuple, get_args, get_origin, get_type_hints

import msgspec

from coldcase.core.answer import LeftOut
from coldcase.core.case import (
    Case,
    Exhibit,
    Job,
    ObservationDetail,
    OilResults,
    Opening,
    Outcomes,
    Readings,
    Unit,
)
from coldcase.core.case_checks import range_flaws, time_flaws, trimmed
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import machine_of
from coldcase.core.labels import LABEL, LABEL_SAYS
from coldcase.core.machine_model import MachineKind
from coldcase.core.quantities import Measurement, Range
from coldcase.core.refrigerant_names import designation_of, is_respelled
from coldcase.core.renaming import renamed
from coldcase.core.rule_table import ALL_EFFORTS, Effort
from coldcase.core.suggesting import nearest
from coldcase.core.unknown_words import escaped, exhibit_words, no_finding, unknown_words, word_flaws
from coldcase.errors import MOST_FLAWS, BadCase, Flaw

ImpossibilityCheck = Callable[[Case], list[Flaw]]
"""Looks for what is impossible in itself in a case whose shape is right."""

CASE_PARTS: dict[str, type[msgspec.Struct]] = {
    "unit": Unit,
    "job": Job,
    "opening": Opening,
    "readings": Readings,
    "oil_results": OilResults,
}
NOT_COVERED_TEXT = (
    "Open-drive, centrifugal and vehicle compressors are not covered: the rule table knows nothing of them."
)
NOT_COVERED = ("open_drive", "open", "centrifugal", "turbo", "vehicle", "automotive")
MOST_ITEMS = 20
"""Of a list that is longer than any may be, its items are not looked at."""

SAYS_THE_KIND = ("compressor_type", "hermeticity", "application")
"""Members of the unit that say what kind of machine it is; elsewhere `open` means something else."""


class OwnWords(NamedTuple):
    """What a case was read from: the crosswalk, its version, and the row as it was sent."""

    crosswalk: str
    version: int
    sent: dict[str, Any]


@dataclass(frozen=True, slots=True)
class ParsedCase:
    """A case that can be weighed, what has to be said about how it was taken, and the JSON value that it
    stands for.

    `raw` is what was sent without what a lenient reading left out; `sent` is the whole; `left_out` names the
    difference. `efforts` are what the next checks may cost. `own_words` are what a client sent in place of
    all this, in words of its own.
    """

    case: Case
    notes: tuple[str, ...]
    raw: dict[str, Any]
    sent: dict[str, Any]
    left_out: tuple[LeftOut, ...] = ()
    efforts: tuple[Effort, ...] = ALL_EFFORTS
    own_words: OwnWords | None = None


def parse_case(
    raw: Any, compiled: CompiledTable, impossibility_check: ImpossibilityCheck | None = None
) -> ParsedCase:
    """The case of a JSON value. Raises `BadCase` with every flaw."""
    try:
        case = msgspec.convert(raw, Case)
    except msgspec.ValidationError:
        raise BadCase(tuple(_flaws(raw, compiled))) from None
    case = trimmed(case)
    words = list(unknown_words(case, compiled))
    case, notes = renamed(case, compiled)
    case = with_known_refrigerant(case, compiled, notes)
    flaws = [
        *time_flaws(case),
        *range_flaws(case),
        *words,
        *(impossibility_check(case) if impossibility_check and case.metered else ()),
    ]
    if flaws:
        raise BadCase(tuple(flaws))
    return ParsedCase(case, tuple(notes), raw, raw)


UNKNOWN_REFRIGERANT = (
    "treat it as flammable and poisonous. What depends on it is judged by the limits for a refrigerant that "
    "was not stated."
)


def with_known_refrigerant(case: Case, compiled: CompiledTable, notes: list[str]) -> Case:
    """The case with its refrigerant spelled as the table spells it, so that its cautions and limits are
    found.
    """
    sent = case.unit.refrigerant
    if sent is None or sent in compiled.table.refrigerants:
        return case
    designation = designation_of(sent, compiled.designations)
    if designation is None:
        notes.append(f"/unit/refrigerant: the rule table does not know '{sent}'; {UNKNOWN_REFRIGERANT}")
        return case
    if is_respelled(sent, designation):
        notes.append(f"/unit/refrigerant: '{sent}' is read as {designation}.")
    return msgspec.structs.replace(case, unit=msgspec.structs.replace(case.unit, refrigerant=designation))


def _flaws(raw: Any, compiled: CompiledTable) -> Iterator[Flaw]:
    """Every flaw of a value that is not a case by shape."""
    if not isinstance(raw, dict):
        yield Flaw("", "A case is a JSON object.")
        return
    yield from member_flaws(raw, Case)
    observations = raw.get("observations")
    if isinstance(observations, dict):
        yield from _observation_flaws(observations, raw.get("unit"), compiled)
    evidence = raw.get("evidence")
    if isinstance(evidence, list):
        named = [exhibit.get("finding") if isinstance(exhibit, dict) else None for exhibit in evidence[:50]]
        yield from exhibit_words([code if _is_code(code) else None for code in named], compiled)


def member_flaws(raw: Mapping[str, Any], shape: type[msgspec.Struct], place: str = "") -> Iterator[Flaw]:
    """Flaws of an object's members, one for each; the parts of a case are looked into, members by members."""
    known, required = _members(shape)
    unknown = 0
    for name in required:
        if name not in raw:
            yield Flaw(f"{place}/{name}", "This member is required.")
    for name, value in raw.items():
        here = f"{place}/{escaped(name)}"
        if name not in known:
            unknown += 1
            # To look for what was meant costs the most, and nobody is told of more.
            meant = nearest(name, known) if unknown <= MOST_FLAWS else None
            yield Flaw(here, f"There is no member '{name[:64]}' here.", meant)
        elif shape is Case and name in CASE_PARTS and isinstance(value, dict):
            yield from member_flaws(value, CASE_PARTS[name], here)
        elif shape is Case and name == "evidence" and isinstance(value, list) and len(value) <= 50:
            yield from _exhibits(value, here)
        elif isinstance(value, dict) and (quantity := _quantity(shape, name)) is not None:
            yield from _quantity_flaws(value, quantity, here)
        elif not (shape is Case and name == "observations" and isinstance(value, dict) and len(value) <= 200):
            yield from _value_flaws(value, shape, name, here)


@cache
def _members(shape: type[msgspec.Struct]) -> tuple[list[str], list[str]]:
    """The names of a struct's members as they are sent, and of those that are required."""
    fields = msgspec.structs.fields(shape)
    named = [field.encode_name for field in fields]
    return named, [field.encode_name for field in fields if field.required]


def _quantity_flaws(value: Mapping[str, Any], shape: type[msgspec.Struct], place: str) -> Iterator[Flaw]:
    """The flaws of a measurement's members, or else those of its members together."""
    found = list(member_flaws(value, shape, place))
    measurement = issubclass(shape, Measurement)
    if measurement and not {"value", "from", "to"}.intersection(value):
        found.append(Flaw(f"{place}/value", "This member is required."))
    if not found and (measurement or shape is Range):
        try:
            msgspec.convert(value, shape)
        except msgspec.ValidationError as error:
            found.append(Flaw(place, str(error)))
    yield from found


def _is_code(value: Any) -> bool:
    return isinstance(value, str) and not any(_value_flaw(value, *_holder(Exhibit, "finding"), ""))


def _exhibits(values: list[Any], place: str) -> Iterator[Flaw]:
    for index, value in enumerate(values):
        if isinstance(value, dict):
            yield from member_flaws(value, Exhibit, f"{place}/{index}")
        else:
            yield Flaw(f"{place}/{index}", "An exhibit is a JSON object.")


def _hint(shape: type[msgspec.Struct], name: str) -> Any:
    """The type of the member that is sent under a name."""
    hints = get_type_hints(shape, include_extras=True)
    return hints[name] if name in hints else hints[f"{name}_"]


@cache
def _holder(shape: type[msgspec.Struct], name: str) -> tuple[type[msgspec.Struct], Any]:
    """A struct of that one member, made once: converting to a bare hint builds msgspec's description of it
    each time.
    """
    hint = _hint(shape, name)
    return msgspec.defstruct(f"{shape.__name__}_{name}", [("value", hint)]), hint


@cache
def _item_holder(shape: type[msgspec.Struct], name: str) -> tuple[type[msgspec.Struct], Any] | None:
    """The same for one item of a member that is a list; None for any other."""
    hint = _item_of(_holder(shape, name)[1])
    return (
        None
        if hint is None
        else (msgspec.defstruct(f"{shape.__name__}_{name}_item", [("value", hint)]), hint)
    )


def _item_of(hint: Any) -> Any:
    if get_origin(hint) is list:
        return get_args(hint)[0]
    return next((item for arm in get_args(hint) if (item := _item_of(arm)) is not None), None)


def _quantity(shape: type[msgspec.Struct], name: str) -> type[msgspec.Struct] | None:
    """The struct of a member that is a measurement with a unit, or a set of them."""
    return _struct_of(_holder(shape, name)[1])


def _struct_of(hint: Any) -> type[msgspec.Struct] | None:
    return next(
        (arm for arm in (hint, *get_args(hint)) if isinstance(arm, type) and issubclass(arm, msgspec.Struct)),
        None,
    )


def _value_flaws(value: Any, shape: type[msgspec.Struct], name: str, place: str) -> Iterator[Flaw]:
    """The flaw of a member's value; of a list its length's, and each item's if it is not too long."""
    if shape is Unit and name in SAYS_THE_KIND and isinstance(value, str) and value in NOT_COVERED:
        yield Flaw(place, NOT_COVERED_TEXT)
        return
    found = list(_value_flaw(value, *_holder(shape, name), place))
    item_holder = _item_holder(shape, name)
    if found and item_holder is not None and isinstance(value, list) and len(value) <= MOST_ITEMS:
        found = [flaw for flaw in found if flaw.pointer == place]
        found += [
            flaw
            for index, each in enumerate(value)
            for flaw in _value_flaw(each, *item_holder, f"{place}/{index}")
        ]
    yield from found


def _value_flaw(value: Any, holder: type[msgspec.Struct], hint: Any, place: str) -> Iterator[Flaw]:
    try:
        msgspec.convert({"value": value}, holder)
    except msgspec.ValidationError as error:
        detail, _, path = str(error).partition(" - at `$")
        within = _pointer(path.rstrip("`").removeprefix(".value"))
        wrong, meant = _at(value, hint, within)
        yield Flaw(place + within, *_explained(detail, wrong, meant))


def _at(value: Any, hint: Any, within: str) -> tuple[Any, Any]:
    """What stands at a pointer within a value, and the type that it should have."""
    for name in within.split("/")[1:]:
        shape = _struct_of(hint)
        if shape is None or not isinstance(value, dict) or name not in value:
            return None, None
        value, hint = value[name], _hint(shape, name)
    return value, hint


_NUMBER_AS_TEXT = re.compile(r"([<>]? ?)(-?[0-9]{1,12})(?:([.,])([0-9]{1,12}))?")


def _explained(detail: str, wrong: Any, hint: Any) -> tuple[str, str | None]:
    """What is wrong with a value, and what was likely meant."""
    words = _literals(hint)
    if isinstance(wrong, str) and words:
        meant = _either(wrong, words) or nearest(wrong, words)
        return f"'{wrong[:64]}' is none of {', '.join(words)}.", meant
    if isinstance(wrong, dict) and "from" in wrong:
        return "A range is not taken here; send one value.", None
    number = _NUMBER_AS_TEXT.fullmatch(wrong) if isinstance(wrong, str) and _takes_number(hint) else None
    if number is not None:
        return _number_as_text(*number.groups(default=""))
    if "matching regex" in detail:
        if _is_label(hint):
            return LABEL_SAYS, None
        return (
            "The text is empty, holds control characters or is not of the form that this member takes.",
            None,
        )
    return detail.replace("`", "'") + ".", None


def _either(wrong: str, words: list[str]) -> str | None:
    """Both spellings of a pressure unit that leaves open whether it is gauge or absolute."""
    both = [word for word in words if word in (f"{wrong}g", f"{wrong}a")]
    return " or ".join(sorted(both, reverse=True)) if len(both) == 2 else None


def _is_label(hint: Any) -> bool:
    return any(getattr(arm, "pattern", None) == LABEL or _is_label(arm) for arm in get_args(hint))


def _takes_number(hint: Any) -> bool:
    return hint in (int, float) or any(_takes_number(arm) for arm in get_args(hint))


def _number_as_text(bound: str, whole: str, mark: str, rest: str) -> tuple[str, str | None]:
    meant = bound + whole + ("." if mark else "") + rest
    comma = "The decimals stand after a point, not after a comma" if mark == "," else ""
    quotes = "" if bound.strip() else "A number stands without quotation marks"
    if comma:
        quotes = quotes[:1].lower() + quotes[1:]
    return f"{' and '.join(filter(None, (comma, quotes)))}: {meant}.", None


def _pointer(path: str) -> str:
    return path.replace("[", "/").replace("]", "").replace(".", "/")


def _observation_flaws(observations: dict[str, Any], unit: Any, compiled: CompiledTable) -> Iterator[Flaw]:
    model = compiled.model_for(_machine_kind(unit, compiled))
    for code, outcome in list(observations.items())[:200]:
        place = f"/observations/{escaped(code)}"
        sent = _observation(code, outcome)
        known = code in compiled.table.findings or ("finding", None, code) in compiled.retired
        if sent is None and known and isinstance(outcome, dict):
            found = list(member_flaws(outcome, ObservationDetail, place))
            yield from found
            sound = _observation(code, _without_flawed(outcome, found, place))
            if isinstance(sound, ObservationDetail) and (sound.outcome or sound.seen or sound.not_seen):
                yield from word_flaws(code, sound, model, compiled)
        elif sent is None and known:
            yield Flaw(place, "An outcome is a code, or a list of codes that could not be told apart.")
        elif sent is None:
            yield no_finding(code, place, compiled)
        else:
            yield from word_flaws(code, sent, model, compiled)


def _without_flawed(detail: dict[str, Any], found: list[Flaw], place: str) -> dict[str, Any]:
    """The members of an observation in which nothing was found."""
    flawed = {flaw.pointer.removeprefix(f"{place}/").split("/")[0] for flaw in found}
    return {name: value for name, value in detail.items() if escaped(name) not in flawed}


def _observation(code: str, value: Any) -> Outcomes | None:
    """An observation by its shape; None if it has none."""
    try:
        holder: Any = msgspec.convert({"value": {code: value}}, _holder(Case, "observations")[0])
    except msgspec.ValidationError:
        return None
    sent: Outcomes = holder.value[code]
    return sent


def _machine_kind(unit: Any, compiled: CompiledTable) -> MachineKind:
    """The machine of a unit of which other members may be wrong; what cannot be read is not known."""
    told = {
        name: unit[name]
        for name in ("motor", "compressor_type", "winding_connection")
        if isinstance(unit, dict) and name in unit
    }
    try:
        return machine_of(msgspec.convert(told, Unit), compiled.table)
    except msgspec.ValidationError:
        return None, None, None


def _literals(hint: Any) -> list[str]:
    if get_origin(hint) is Literal:
        return [str(value) for value in get_args(hint)]
    return [value for part in get_args(hint) for value in _literals(part)]
