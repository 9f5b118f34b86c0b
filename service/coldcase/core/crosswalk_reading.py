"""A case in a client's own words, read by its crosswalk: our case, and every flaw under the client's own
names.
"""

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from functools import cached_property
from typing import Any

import msgspec

from coldcase.core.compiled_table import CompiledTable
from coldcase.core.crosswalk import Inbound, OwnMember, as_compared
from coldcase.core.crosswalk_case import Filling, ReadRow, WrongWord
from coldcase.core.crosswalk_checking import DATE_PARTS
from coldcase.core.crosswalk_targets import OBSERVATIONS, Target, case_targets
from coldcase.core.suggesting import nearest
from coldcase.core.unknown_words import escaped
from coldcase.errors import MOST_FLAWS, Flaw

_FIGURE = re.compile(r"([<>]?) ?([+-]?[0-9]{1,12})(?:([.,])([0-9]{1,12}))?")
_FLAGS = {"true": True, "false": False}
MOST_NAMED = 20
"""Words of the client's that are named where one is none of them."""


class RowReader:
    """Reads rows by one crosswalk, which was found good when it was kept. A row maps names of the client's to
    values of JSON, or all of them to text.
    """

    def __init__(self, inbound: Inbound) -> None:
        self._inbound = inbound
        self._members = {
            as_compared(name): msgspec.convert(member, OwnMember) for name, member in inbound.members.items()
        }
        self._names = list(inbound.members)
        self._ignored = {as_compared(name) for name in inbound.ignore}
        self._blanks = {"", *map(as_compared, inbound.blanks)}
        self._words = {
            name: {as_compared(word): meaning for word, meaning in (member.words or {}).items()}
            for name, member in self._members.items()
        }

    def read(self, row: Mapping[str, Any], compiled: CompiledTable) -> ReadRow:
        """The case that a row stands for. What is wrong with it is in `flaws`, and not in the case."""
        filling = Filling(compiled)
        seen: set[str] = set()
        for name, value in row.items():
            place, known = f"/{escaped(name)}", as_compared(name)
            if known in self._ignored:
                continue
            if known not in self._members:
                # To look for what was meant costs the most.
                meant = nearest(name, self._names) if len(filling.flaws) < MOST_FLAWS else None
                filling.flaws.append(Flaw(place, f"The crosswalk knows no member '{name[:64]}'.", meant))
                continue
            if known in seen:
                filling.flaws.append(Flaw(place, "This member stands twice, but for capitals and blanks."))
                continue
            seen.add(known)
            try:
                for pointer, meaning in list(self._meanings(known, value)):
                    filling.take(pointer, meaning, name)
            except WrongWord as wrong:
                filling.flaws.append(Flaw(place, wrong.detail, wrong.suggestion))
        for pointer, value in self._inbound.constants.items():
            filling.take_constant(pointer, value)
        return filling.row()

    def named(self, flaw: Flaw, read: ReadRow) -> Flaw:
        """A flaw of the case that a row stands for, under the client's own name."""
        pointer = flaw.pointer
        while pointer and pointer not in read.filled_by:
            pointer = pointer.rpartition("/")[0]
        if pointer:
            name = read.filled_by[pointer]
            # What was meant is a word of ours, and the client's where it has none of its own.
            own = self._members[as_compared(name)].words is not None
            return Flaw(f"/{escaped(name)}", flaw.detail, None if own else flaw.suggestion)
        if (giver := self._giver(flaw.pointer)) is not None:
            return Flaw(f"/{escaped(giver)}", flaw.detail)
        return Flaw("", f"{flaw.pointer}: {flaw.detail}" if flaw.pointer else flaw.detail)

    def aims(self, flaws: list[Flaw]) -> set[str]:
        """The pointers of ours that the flawed members of a row would have filled."""
        names = {as_compared(flaw.pointer[1:].replace("~1", "/").replace("~0", "~")) for flaw in flaws}
        return {
            member.to for name, member in self._members.items() if name in names and member.to is not None
        }

    def _giver(self, pointer: str) -> str | None:
        """The client's member that would fill this pointer, or one below it."""
        tos = ((name, self._members[as_compared(name)].to) for name in self._names)
        return next((name for name, to in tos if to is not None and f"{to}/".startswith(f"{pointer}/")), None)

    def _meanings(self, name: str, value: Any) -> Iterator[tuple[str, Any]]:
        """Each pointer that a value fills, with what stands there in our words."""
        member = self._members[name]
        items = _items(value, member.separator)
        items = [item for item in items if not self._is_blank(item)]
        if not items:
            if member.blank is not None:
                yield from _placed(member, member.blank)
            return
        if len(items) > 1 and member.to is not None and not member.to.startswith(OBSERVATIONS):
            raise WrongWord("One value is taken here.")
        for item in items:
            if member.words is not None:
                yield from _placed(member, self._meaning(name, member, item))
            elif member.to is not None and member.to.startswith(OBSERVATIONS):
                yield member.to, _text(item)
            elif member.to is not None:
                yield member.to, self._value(item, case_targets()[member.to], member.unit)

    def _is_blank(self, item: Any) -> bool:
        return item is None or (isinstance(item, str) and as_compared(item) in self._blanks)

    def _meaning(self, name: str, member: OwnMember, item: Any) -> Any:
        text = _text(item)
        known = self._words[name]
        if as_compared(text) in known:
            return known[as_compared(text)]
        words = list(member.words or ())
        named = ", ".join(words[:MOST_NAMED]) + (" …" if len(words) > MOST_NAMED else "")
        raise WrongWord(f"'{text[:64]}' is none of {named}.", nearest(text, words))

    def _value(self, item: Any, target: Target, unit: str | None) -> Any:
        match target.takes:
            case "number" | "count" | "quantity":
                figure = self._figure(item, bounded=target.bounded)
                return {"value": figure, "unit": unit} if target.takes == "quantity" else figure
            case "flag":
                if isinstance(item, bool):
                    return item
                if (flag := _FLAGS.get(as_compared(_text(item)))) is None:
                    raise WrongWord(f"'{_text(item)[:64]}' is neither true nor false.")
                return flag
            case "time" | "date":
                return self._moment(_text(item), timed=target.takes == "time")
            case _:
                return _text(item).strip()

    def _figure(self, item: Any, *, bounded: bool) -> Any:
        if isinstance(item, int | float) and not isinstance(item, bool):
            return item
        text, mark = _text(item).strip(), self._inbound.decimal
        found = _FIGURE.fullmatch(text)
        if found is None:
            raise WrongWord(f"'{text[:64]}' is no number.")
        bound, whole, used, rest = found.groups()
        if used not in (None, mark):
            where = "a comma" if mark == "," else "a point"
            raise WrongWord(f"The decimals stand after {where}.", text.replace(used, mark))
        plain = whole.removeprefix("+") + (f".{rest}" if rest else "")
        if bound and not bounded:
            raise WrongWord("A detection limit is not taken here.", None)
        if bound:
            return bound + plain
        return float(plain) if rest else int(plain)

    @cached_property
    def _date_form(self) -> re.Pattern[str]:
        form = re.escape(self._inbound.dates or "")
        for part in DATE_PARTS:
            digits = "{4}" if part == "YYYY" else "{1,2}"
            form = form.replace(part, f"(?P<{part}>[0-9]{digits})")
        return re.compile(form)

    def _moment(self, text: str, *, timed: bool) -> str:
        text, form = text.strip(), self._inbound.dates
        if form is None:
            return text
        found = self._date_form.fullmatch(text)
        if found is None:
            raise WrongWord(f"'{text[:64]}' is not of the form {form}.")
        parts = found.groupdict()
        year, month, day, hour, minute, second = (int(parts.get(part) or 0) for part in DATE_PARTS)
        try:
            at = datetime(year, month, day, hour, minute, second)  # noqa: DTZ001 - the offset is added below
        except ValueError as error:
            raise WrongWord(f"There is no such time as '{text[:64]}'.") from error
        return f"{at.isoformat()}{self._inbound.utc_offset}" if timed else at.date().isoformat()


def _items(value: Any, separator: str | None) -> list[Any]:
    if isinstance(value, dict):
        raise WrongWord("A value of the client's own is text, a number, true, false or a list of these.")
    if isinstance(value, list):
        if any(isinstance(item, dict | list) for item in value):
            raise WrongWord("A list holds text, numbers, true or false.")
        return value
    if isinstance(value, str) and separator is not None:
        return value.split(separator)
    return [value]


def _text(item: Any) -> str:
    """A value as text: a number as JSON writes it."""
    return item if isinstance(item, str) else msgspec.json.encode(item).decode()


def _placed(member: OwnMember, meaning: Any) -> Iterator[tuple[str, Any]]:
    if member.to is not None:
        yield member.to, meaning
    else:
        yield from ((f"{OBSERVATIONS}{code}", outcomes) for code, outcomes in meaning.items())
