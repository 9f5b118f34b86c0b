"""A crosswalk looked through before it is kept: every flaw at once, with the likeliest meant word."""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import msgspec

from coldcase.core.case_reader import member_flaws
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.crosswalk import Crosswalk, Inbound, OwnMember, as_compared, is_own_code
from coldcase.core.crosswalk_targets import OBSERVATIONS, Target, case_targets, is_taken
from coldcase.core.rule_table import UNDETERMINED, UNLISTED
from coldcase.core.suggesting import nearest
from coldcase.core.unknown_words import escaped
from coldcase.errors import Flaw, Flawed

DATE_PARTS = ("YYYY", "MM", "DD", "hh", "mm", "ss")


class BadCrosswalk(Flawed):
    """The crosswalk cannot be kept as it is; `errors` lists every flaw found."""

    code = "bad_crosswalk"


def parse_crosswalk(raw: Any, compiled: CompiledTable) -> Crosswalk:
    """The crosswalk of a JSON or TOML value, its words known to a rule table. Raises BadCrosswalk with every
    flaw.
    """
    if not isinstance(raw, dict):
        raise BadCrosswalk((Flaw("", "A crosswalk is a JSON object."),))
    # Where a name itself is wrong, msgspec says of it `[...]`.
    shape = (Flaw(f.pointer.partition("////")[0], f.detail, f.suggestion) for f in _shape_flaws(raw))
    flaws = [*shape] or [*_cause_flaws(raw, compiled), *_inbound_flaws(raw, compiled)]
    if flaws:
        raise BadCrosswalk(tuple(flaws))
    return msgspec.convert(raw, Crosswalk)


def _shape_flaws(raw: dict[str, Any]) -> Iterator[Flaw]:
    inbound, outbound = raw.get("inbound"), raw.get("outbound")
    plain = {name: value for name, value in raw.items() if not isinstance(value, dict)}
    yield from member_flaws(plain | {name: None for name in raw if name not in plain}, Crosswalk)
    for cause, codes in outbound.items() if isinstance(outbound, dict) else ():
        if not is_own_code(codes):
            said = (
                "A code is a line of text or a whole number, or an object of these by the name of their list."
            )
            yield Flaw(f"/outbound/{escaped(cause)}", said)
    if outbound is not None and not outbound:
        yield Flaw("/outbound", "Leave it out where no cause has a code.")
    if raw.get("inbound") is None and raw.get("outbound") is None:
        yield Flaw("", "A crosswalk has `outbound`, `inbound` or both.")
    if isinstance(inbound, dict):
        yield from member_flaws(inbound, Inbound, "/inbound")
        members = inbound.get("members")
        for name, member in members.items() if isinstance(members, dict) else ():
            place = f"/inbound/members/{escaped(name)}"
            if isinstance(member, dict):
                yield from member_flaws(member, OwnMember, place)
            else:
                yield Flaw(place, "What a member means is a JSON object.")


def _cause_flaws(raw: dict[str, Any], compiled: CompiledTable) -> Iterator[Flaw]:
    known = [*compiled.table.causes, UNLISTED, UNDETERMINED]
    for cause in raw.get("outbound") or ():
        if cause not in known and ("cause", None, cause) not in compiled.retired:
            detail = f"The rule table has no cause '{cause[:64]}'."
            yield Flaw(f"/outbound/{escaped(cause)}", detail, nearest(cause, known))


def _inbound_flaws(raw: dict[str, Any], compiled: CompiledTable) -> Iterator[Flaw]:
    if raw.get("inbound") is None:
        return
    inbound = msgspec.convert(raw["inbound"], Inbound)
    members = {name: msgspec.convert(member, OwnMember) for name, member in inbound.members.items()}
    yield from _twice([*members, *inbound.ignore], "/inbound/members", "Two members")
    yield from _date_flaws(inbound)
    look = _Look(compiled)
    filled: dict[str, str] = {}
    for name, member in members.items():
        place = f"/inbound/members/{escaped(name)}"
        yield from look.member(member, place)
        if member.to is not None and not member.to.startswith(OBSERVATIONS):
            if member.to in filled:
                yield Flaw(f"{place}/to", f"'{member.to}' is filled by '{filled[member.to][:64]}' already.")
            filled[member.to] = name
    for pointer, value in inbound.constants.items():
        yield from look.constant(pointer, value, f"/inbound/constants/{escaped(pointer)}")


def _twice(words: Iterable[str], place: str, what: str) -> Iterator[Flaw]:
    seen: dict[str, str] = {}
    for word in words:
        other = seen.setdefault(as_compared(word), word)
        if other is not word:
            detail = f"{what} are the same but for capitals and blanks: '{other[:64]}' and '{word[:64]}'."
            yield Flaw(f"{place}/{escaped(word)}", detail)


def _date_flaws(inbound: Inbound) -> Iterator[Flaw]:
    if inbound.dates is None:
        return
    parts = re.findall("|".join(DATE_PARTS), inbound.dates)
    rest = re.sub("|".join(DATE_PARTS), "", inbound.dates)
    if len(set(parts)) < len(parts) or not {"YYYY", "MM", "DD"} <= set(parts) or re.search(r"\w", rest):
        said = "The form of a date has YYYY, MM and DD once each, and may have hh, mm and ss."
        yield Flaw("/inbound/dates", said, "DD.MM.YYYY")


class _Look:
    """Looks through what members and words mean, under one rule table."""

    def __init__(self, compiled: CompiledTable) -> None:
        self._compiled = compiled
        self._targets = case_targets()

    def member(self, member: OwnMember, place: str) -> Iterator[Flaw]:
        """What is wrong with what a member means."""
        if member.to is None and member.words is None:
            yield Flaw(place, "Say where it goes (`to`), or what its words mean (`words`).")
            return
        if member.to is not None and (flaw := self._no_target(member.to, f"{place}/to")):
            yield flaw
            return
        yield from self._unit_flaws(member, place)
        if member.words is not None:
            yield from _twice(member.words, f"{place}/words", "Two words")
            for word, value in member.words.items():
                yield from self._meaning_flaws(member.to, value, f"{place}/words/{escaped(word)}")
        if member.blank is not None:
            yield from self._meaning_flaws(member.to, member.blank, f"{place}/blank")

    def constant(self, pointer: str, value: Any, place: str) -> Iterator[Flaw]:
        """What is wrong with a constant."""
        flaw = self._no_target(pointer, place)
        yield from (flaw,) if flaw else self._meaning_flaws(pointer, value, place)

    def _no_target(self, pointer: str, place: str) -> Flaw | None:
        if pointer.startswith(OBSERVATIONS):
            return self._no_finding(pointer.removeprefix(OBSERVATIONS), place, OBSERVATIONS)
        if pointer in self._targets:
            return None
        detail = f"'{pointer[:100]}' is the pointer of no member of a case that a crosswalk fills."
        return Flaw(place, detail, nearest(pointer, self._targets))

    def _no_finding(self, code: str, place: str, before: str = "") -> Flaw | None:
        known = self._compiled.table.findings
        if code in known or ("finding", None, code) in self._compiled.retired:
            return None
        meant = nearest(code, known)
        return Flaw(place, f"The rule table has no finding '{code[:64]}'.", meant and before + meant)

    def _unit_flaws(self, member: OwnMember, place: str) -> Iterator[Flaw]:
        target = self._targets.get(member.to or "")
        if target is not None and target.takes == "quantity":
            units = ", ".join(target.choices)
            if member.unit is None and member.words is None:
                yield Flaw(f"{place}/unit", f"A quantity needs its unit, one of {units}.")
            elif member.unit is not None and member.unit not in target.choices:
                meant = nearest(member.unit, target.choices)
                yield Flaw(f"{place}/unit", f"'{member.unit}' is none of {units}.", meant)
        elif member.unit is not None:
            yield Flaw(f"{place}/unit", "No unit is taken here: a figure is in the unit of its name.")

    def _meaning_flaws(self, to: str | None, value: Any, place: str) -> Iterator[Flaw]:
        if to is None:
            if not isinstance(value, dict) or not value:
                yield Flaw(place, "Without `to`, a word means an object of findings and their outcomes.")
                return
            for code, outcomes in value.items():
                here = f"{place}/{escaped(code)}"
                flaw = self._no_finding(code, here)
                yield from (flaw,) if flaw else self._outcome_flaws(code, outcomes, here)
        elif to.startswith(OBSERVATIONS):
            yield from self._outcome_flaws(to.removeprefix(OBSERVATIONS), value, place)
        else:
            yield from _value_flaws(self._targets[to], value, place)

    def _outcome_flaws(self, code: str, value: Any, place: str) -> Iterator[Flaw]:
        compiled = self._compiled
        row = compiled.retired.get(("finding", None, code))
        finding = compiled.table.findings.get(code if row is None else row.renamed_to or "")
        several = finding is None or finding.kind == "several"
        words = list(_words(value, place, signs=several))
        if not words:
            kinds = "signs, or an object of `seen` and `not_seen`" if several else "one outcome"
            yield Flaw(place, f"'{code if finding is None else finding.title}' takes {kinds}.")
        if finding is None:
            # It went with nothing in its place: what it took is no longer known.
            return
        if not several and len({word for _, word in words}) > 1:
            named = ", ".join(word[:64] for _, word in words)
            detail = f"One word cannot stand for two outcomes of '{finding.title}', which exclude each other"
            yield Flaw(place, f"{detail}: {named}.")
            return
        known = [outcome.code for outcome in finding.outcomes]
        for here, word in words:
            if word not in known and ("outcome", code, word) not in compiled.retired:
                detail = f"'{finding.title}' has no outcome '{word[:64]}'; it has {', '.join(known)}."
                yield Flaw(here, detail, nearest(word, known))


def _words(value: Any, place: str, *, signs: bool) -> Iterator[tuple[str, str]]:
    """Each outcome that a meaning names, with its place; none where it has no such shape."""
    if isinstance(value, str):
        yield place, value
    elif isinstance(value, list) and value and all(isinstance(word, str) for word in value):
        yield from ((f"{place}/{index}", word) for index, word in enumerate(value))
    elif signs and isinstance(value, Mapping) and value and set(value) <= {"seen", "not_seen"}:
        lists = [list(_words(said, f"{place}/{name}", signs=False)) for name, said in value.items()]
        if all(lists):
            for found in lists:
                yield from found


def _value_flaws(target: Target, value: Any, place: str) -> Iterator[Flaw]:
    wrong = is_taken(target, value)
    if wrong is not None and target.takes == "word" and isinstance(value, str):
        said = f"'{value[:64]}' is none of {', '.join(target.choices)}."
        yield Flaw(place, said, nearest(value, target.choices))
    elif wrong is not None:
        yield Flaw(place, wrong)
