"""What stands on the case form: questions with their fields, parts of the case, the answer so far."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from coldcase.core.compiled_table import CompiledTable
from coldcase.core.machine_model import MachineModel
from coldcase.core.rule_table import Finding
from coldcase.errors import Flaw
from coldcase.web.pages.case_fields import PARTS, FormField, form_fields
from coldcase.web.pages.case_form import EXHIBIT, MOST_EXHIBITS, Form, field_of, first
from coldcase.web.pages.case_readings import read_for
from coldcase.web.pages.case_state import CaseState
from coldcase.web.pages.case_words import (
    BEFORE_WORDS,
    EFFORTS,
    KNOWN_WORDS,
    PART_WORDS,
    STATION_WORDS,
    USUAL_UNITS,
)

FIRST_OF_UNIT = ("unit.compressor_type", "unit.motor")
OPENED = "opening.method"
IN_JSON = " and a number stands without quotation marks"


@dataclass(frozen=True, slots=True)
class ShownField:
    """A field with what stands in it, and the flaws beside it."""

    name: str
    label: str
    kind: str
    hint: str
    value: str
    values: Sequence[tuple[str, str]]
    units: Sequence[tuple[str, str]]
    unit: str
    flaws: Sequence[str]


@dataclass(frozen=True, slots=True)
class ShownOutcome:
    """An outcome of a question, or a sign of it, and how it is ticked."""

    code: str
    title: str
    definition: str
    chosen: bool
    also: bool
    absent: bool


@dataclass(frozen=True, slots=True)
class ShownQuestion:
    """A finding's question as it is asked. `elsewhere` names fields that stand further up."""

    code: str
    title: str
    question: str
    several: bool
    effort: str
    before: str
    outcomes: Sequence[ShownOutcome]
    fields: Sequence[ShownField]
    elsewhere: Sequence[str]
    known: str
    since: str
    unsure: bool
    answered: bool
    flaws: Sequence[str]


class CasePage:
    """One page being put together: each field stands on it once, beside the first question that asks for
    it.
    """

    def __init__(
        self, state: CaseState, compiled: CompiledTable, model: MachineModel, flaws: Iterable[Flaw]
    ) -> None:
        self._state, self._compiled, self._model = state, compiled, model
        self._flaws: dict[str, list[str]] = {}
        for flaw in flaws:
            name = field_of(flaw.pointer)
            self._flaws.setdefault(name, []).append(_flaw_in_words(flaw, form_fields().get(name)))
        self._placed = {*FIRST_OF_UNIT, OPENED}
        self._fields = form_fields()

    @property
    def flaws_by_field(self) -> Mapping[str, Sequence[str]]:
        """What is wrong, by the field that it stands beside."""
        return self._flaws

    def machine(self) -> list[ShownField]:
        """What the machine is, before all else: it says what can be found at all."""
        return [self._field(self._fields[name]) for name in FIRST_OF_UNIT]

    def opened(self) -> ShownField:
        """How the shell was opened, which says what can still be trusted."""
        return self._field(self._fields[OPENED])

    def question(self, code: str, answered: Collection[str]) -> ShownQuestion:
        """One finding as it is asked on this machine."""
        row, form = self._compiled.table.findings[code], self._state.fields
        names = read_for(self._compiled.table.limits, code, frozenset(self._fields))
        here = [name for name in names if name not in self._placed]
        self._placed.update(here)
        outcomes = self._outcomes(code, row, form)
        known, since = first(form, f"o.{code}.known"), first(form, f"o.{code}.since")
        efforts = {effort: word for effort, word, _ in EFFORTS}
        return ShownQuestion(
            code=code,
            title=row.title,
            question=row.question,
            several=row.kind == "several",
            effort=efforts[row.effort],
            before=BEFORE_WORDS.get(row.before or "", ""),
            outcomes=outcomes,
            fields=[self._field(self._fields[name]) for name in here],
            elsewhere=[self._fields[name].label for name in names if name not in here],
            known=known,
            since=since,
            unsure=bool(known or since or (row.kind == "one" and any(each.also for each in outcomes))),
            answered=code in answered,
            flaws=self._flaws.get(f"o.{code}", ()),
        )

    def _outcomes(self, code: str, row: Finding, form: Form) -> list[ShownOutcome]:
        possible = self._compiled.possible(code, self._model)
        name = f"o.{code}"
        bare, also = form.get(name, ()), [*form.get(f"{name}.or", ()), *form.get(f"{name}.seen", ())]
        absent = form.get(f"{name}.not", ())
        rest = bool(first(form, f"{name}.rest"))
        chosen = {*bare, *also, *absent}
        shown = []
        for outcome in row.outcomes:
            # What was said before the machine was known stays to be seen, with what is wrong with it.
            if outcome.code in possible or outcome.code in chosen:
                several = row.kind == "several"
                seen = outcome.code in also or (several and outcome.code in bare)
                shown.append(
                    ShownOutcome(
                        code=outcome.code,
                        title=outcome.title,
                        definition=outcome.definition or "",
                        chosen=outcome.code in bare[:1],
                        also=seen,
                        absent=outcome.code in absent or (rest and not seen),
                    )
                )
        return shown

    def parts(self) -> list[tuple[str, str, list[ShownField], int]]:
        """The fields that no question has taken, by part of the case: code, words, fields, how many are
        filled in or wrong.
        """
        found = []
        for part in PARTS:
            rest = [
                self._field(made)
                for made in self._fields.values()
                if made.path[0] == part and made.name not in self._placed
            ]
            found.append((part, PART_WORDS[part], rest, sum(bool(each.value or each.flaws) for each in rest)))
        return found

    def exhibits(self, case: Mapping[str, Any]) -> list[list[ShownField]]:
        """The exhibits of the case as it was read, and a row for one more."""
        rows = [*case.get("evidence", ()), {}][:MOST_EXHIBITS]
        words = {
            "uri": "Link",
            "caption": "What it shows",
            "finding": "Of which finding",
            "sha256": "SHA-256",
        }
        findings = [
            (code, self._compiled.table.findings[code].title)
            for code in case.get("observations", {})
            if code in self._compiled.table.findings
        ]
        return [
            [
                ShownField(
                    name=f"e.{row}.{member}",
                    label=words[member],
                    kind="choice" if member == "finding" else "text",
                    hint="",
                    value=str(exhibit.get(member, "")),
                    values=_with_value(findings, str(exhibit.get(member, ""))) if member == "finding" else (),
                    units=(),
                    unit="",
                    flaws=self._flaws.get(f"e.{row}.{member}", ()),
                )
                for member in EXHIBIT
            ]
            for row, exhibit in enumerate(rows)
        ]

    def _field(self, made: FormField) -> ShownField:
        units = sorted(
            made.units, key=lambda unit: USUAL_UNITS.index(unit[0]) if unit[0] in USUAL_UNITS else 99
        )
        value = first(self._state.fields, made.name)
        values = (("true", "Yes"), ("false", "No")) if made.kind == "flag" else made.values
        return ShownField(
            name=made.name,
            label=made.label,
            kind="choice" if made.kind == "flag" else made.kind,
            hint=made.hint,
            value=value,
            values=_with_value(values, value),
            units=units,
            unit=first(self._state.fields, made.unit_name) or (units[0][0] if units else ""),
            flaws=self._flaws.get(made.name, ()),
        )


def page_context(
    state: CaseState,
    compiled: CompiledTable,
    model: MachineModel,
    *,
    case: Mapping[str, Any],
    answered: Collection[str],
    flaws: Iterable[Flaw],
    brief: bool = False,
) -> dict[str, Any]:
    """What the template is filled with, but for the answer. A `brief` page is for one that stands there
    already: of all questions, station by station, it has those alone in which something is wrong.
    """
    page = CasePage(state, compiled, model, flaws)
    machine = page.machine()
    can_ask = askable(compiled, model, answered)
    if state.how == "all":
        asked, put_away = [], []
        stations = [
            _station(words, [page.question(code, answered) for code, _ in rows], brief=brief)
            for words, rows in by_station(compiled, can_ask)
        ]
    else:
        stations = []
        asked = [page.question(code, answered) for code in state.shown]
        put_away = [
            page.question(code, answered)
            for code in case.get("observations", {})
            if code in compiled.table.findings and code not in state.shown
        ]
    return {
        "state": state,
        "machine": machine,
        "opened": page.opened(),
        "questions": asked,
        "put_away": put_away,
        "stations": stations,
        "pointing": by_station(compiled, [code for code in can_ask if code not in answered]),
        "efforts": EFFORTS,
        "refrigerants": list(compiled.table.refrigerants),
        "known_words": KNOWN_WORDS,
        "unknown_codes": [
            code for code in case.get("observations", {}) if code not in compiled.table.findings
        ],
        "parts": page.parts(),
        "exhibits": page.exhibits(case),
        "flaws": page.flaws_by_field,
        "labels": {name: made.label for name, made in form_fields().items()},
        "case_json": msgspec.json.format(msgspec.json.encode(case), indent=2).decode(),
    }


def _station(
    words: str, rows: list[ShownQuestion], *, brief: bool
) -> tuple[str, list[ShownQuestion], int, int]:
    """A station's words, questions, and how many of them are answered."""
    wrong = [row for row in rows if row.flaws or any(each.flaws for each in row.fields)]
    return words, wrong if brief else rows, sum(row.answered for row in rows), len(rows)


def _with_value(values: Sequence[tuple[str, str]], value: str) -> Sequence[tuple[str, str]]:
    """The choices, with one that is none where it stands in the form: it is shown with what is wrong."""
    return [*values, (value, value)] if value and value not in dict(values) else values


def _flaw_in_words(flaw: Flaw, made: FormField | None) -> str:
    """A flaw as somebody with a form in hand understands it: what is said of JSON, in terms of the field."""
    detail = flaw.detail.replace(IN_JSON, "")
    if made is not None and detail.startswith(("Expected", "Invalid")):
        if made.kind in ("figure", "quantity"):
            return _what_a_figure_is(made)
        if made.kind in ("time", "day"):
            return (
                "Write a date as 2026-03-02." if made.kind == "day" else "Write a time as 2026-03-02T16:40."
            )
    return f"{detail} Perhaps: {flaw.suggestion}." if flaw.suggestion else detail


def _what_a_figure_is(made: FormField) -> str:
    said = "Write a number, the decimals after a point"
    if made.list_ != "no":
        said += ", or three of them with blanks between"
    if made.ranged or made.kind == "quantity":
        said += ", or a range: 398 to 401"
    return said + (f". {made.hint}." if made.hint else ".")


def by_station(compiled: CompiledTable, codes: Iterable[str]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Findings by the part of the machine, in the table's order: its words, and code and title of each."""
    wanted = set(codes)
    found = []
    for station in compiled.table.stations:
        rows = [
            (code, row.title)
            for code, row in compiled.table.findings.items()
            if code in wanted and row.station == station
        ]
        if rows:
            found.append((STATION_WORDS.get(station, station.replace("_", " ").capitalize()), rows))
    return found


def askable(compiled: CompiledTable, model: MachineModel, answered: Collection[str]) -> list[str]:
    """The findings that can be asked for on this machine, and what was answered in any case."""
    otherwise = compiled.asked_otherwise(answered)
    return [
        code
        for code in compiled.table.findings
        if code in answered or (code not in otherwise and compiled.possible(code, model))
    ]
