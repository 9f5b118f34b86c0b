"""Cases, recorded ones and those of libraries, answered under another rule table, many at a time. Pure."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any

import msgspec

from coldcase.backtesting.touching import AskedAgain, TouchedDecisions
from coldcase.classifying import add_outcomes
from coldcase.core.answer import Source
from coldcase.core.answer_builder import CaseWithReadings
from coldcase.core.case_checks import FIRST_YEAR, LAST_YEAR
from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import TEN_THOUSAND
from coldcase.core.recorded_case import parse_again, weighed_part
from coldcase.core.short_answers import ShortAnswer, short_answers
from coldcase.db.backtests import RecordedRow
from coldcase.errors import BadCase, Flaw
from coldcase.readings.impossible_values import impossible_values

MOST_ANSWERS = 40_000
"""Answers that are kept for cases of the same evidence, of which short notes at job close make many; one
takes about a kilobyte.
"""

CaseAgain = ShortAnswer | tuple[Flaw, ...]
"""An answer, or the flaws for which a case cannot be read."""

Derived = dict[str, tuple[tuple[str, ...], Source]]

UNFORESEEN = (Flaw("", "The engine cannot answer this case under this rule table."),)


class _RecordedText(msgspec.Struct):
    text: str


class _RecordedShare(msgspec.Struct):
    cause: str
    confidence: float


class _RecordedCautions(msgspec.Struct):
    cautions: list[_RecordedText]


class _RecordedRanking(msgspec.Struct):
    ranking: list[_RecordedShare]


CAUTIONS = '"cautions":'
_cautions_of = msgspec.json.Decoder(_RecordedCautions).decode
_ranking_of = msgspec.json.Decoder(_RecordedRanking).decode


def recorded_answer(
    row: RecordedRow,
    renamed: dict[str, str],
    *,
    ranked: bool = True,
    cautions: tuple[str, ...] | None = None,
) -> ShortAnswer:
    """What a decision said, by the names that its causes have since; with an empty ranking where nobody asks
    for it, and with these cautions where they are known: of most decisions the text need not be read then.
    """
    ranking: dict[str, float] = {}
    for one in _ranking_of(row.answer_text).ranking if ranked else ():
        cause = renamed.get(one.cause, one.cause)
        ranking[cause] = ranking.get(cause, 0.0) + one.confidence
    return ShortAnswer(
        cause=renamed.get(row.cause, row.cause),
        status=row.status,
        confidence=row.confidence / TEN_THOUSAND,
        ranking=ranking,
        cautions=recorded_cautions(row.answer_text) if cautions is None else cautions,
    )


def recorded_cautions(answer_text: str) -> tuple[str, ...]:
    """The texts of the cautions of a recorded answer, of which they are one of the last members: from there
    on it is read, which is an object of its own unless they stand deeper.
    """
    place = answer_text.rfind(CAUTIONS)
    try:
        found = _cautions_of("{" + answer_text[place:])
    except msgspec.DecodeError:
        found = _cautions_of(answer_text)
    return tuple([caution.text for caution in found.cautions])


def renamed_causes(compiled: CompiledTable) -> dict[str, str]:
    """Causes of earlier tables with the names that this one has for them."""
    return {
        code: row.renamed_to
        for (kind, _, code), row in compiled.retired.items()
        if kind == "cause" and row.renamed_to is not None
    }


class AnswersAgain:
    """Cases answered under one rule table; the same evidence once."""

    def __init__(self, compiled: CompiledTable) -> None:
        self.compiled = compiled
        self.renamed = renamed_causes(compiled)
        self.touched = TouchedDecisions(compiled.table)
        self._kept: dict[bytes, CaseAgain] = {}

    def answers(self, asked: Sequence[AskedAgain]) -> list[CaseAgain | None]:
        """The answers to cases as they stand on record, in their order; None for one that is answered as it
        was.
        """
        keys: list[bytes] = []
        found: dict[bytes, CaseAgain | None] = {}
        new: dict[bytes, tuple[object, AskedAgain]] = {}
        for one in asked:
            raw = evidence_on_record(one.text)
            key = msgspec.json.encode(raw)
            keys.append(key)
            if key in self._kept:
                found[key] = self._kept[key]
            elif key in new and new[key][1][1:3] != one[1:3]:
                # That it is as it was would be said of the one, and taken for the other.
                new[key] = raw, AskedAgain(one.text)
            else:
                new[key] = raw, one
        found |= self._answer(new)
        return [found[key] for key in keys]

    def _answer(self, cases: dict[bytes, tuple[object, AskedAgain]]) -> dict[bytes, CaseAgain | None]:
        answers: dict[bytes, CaseAgain] = {}
        readable: dict[bytes, CaseWithReadings] = {}
        as_they_were: dict[bytes, None] = {}
        for key, (raw, asked) in cases.items():
            try:
                read = self._read(raw, asked)
            except BadCase as error:
                answers[key] = error.flaws
                continue
            if read is None:
                as_they_were[key] = None
            else:
                readable[key] = read
        answers |= zip(readable, self._short(list(readable.values())), strict=True)
        self._kept |= answers
        while len(self._kept) > MOST_ANSWERS:
            del self._kept[next(iter(self._kept))]
        return answers | as_they_were

    def _read(self, raw: object, asked: AskedAgain) -> CaseWithReadings | None:
        """A case with what its readings yield; None where that is what they yielded, and all hangs on it.
        Raises BadCase.
        """
        if asked.shown is None:
            return add_outcomes(parse_case(raw, self.compiled, impossible_values), self.compiled)
        parsed = parse_again(raw, self.compiled)
        if asked.settled:
            # Whether a reading or the laboratory yielded them, no code hangs on.
            derived: Derived = {code: (outcomes, "reading") for code, outcomes in asked.shown.items()}
            return CaseWithReadings(parsed.case, derived=derived)
        read = add_outcomes(parsed, self.compiled)
        return None if {code: row[0] for code, row in read.derived.items()} == asked.shown else read

    def _short(self, cases: list[CaseWithReadings]) -> Sequence[CaseAgain]:
        try:
            return short_answers(cases, self.compiled)
        except Exception:  # noqa: BLE001 - whatever it is, it is told as what it means: no answer
            if len(cases) == 1:
                return [UNFORESEEN]
            # One case's trouble is not its neighbours': each is asked alone.
            return [answer for case in cases for answer in self._short([case])]


def evidence_on_record(case_text: str) -> object:
    """The part of a recorded case that is weighed; the text itself where it is no case at all.

    What stands on record was written by `canonical_json`, so there is nothing to be strict about any more.
    """
    try:
        raw = msgspec.json.decode(case_text)
    except (msgspec.DecodeError, RecursionError):
        return case_text
    if not isinstance(raw, dict) or not isinstance(raw.get("unit"), dict):
        return raw
    job = raw.get("job")
    weighed = weighed_part(raw)
    if isinstance(job, dict) and "failed_at" in job and not _says_nothing(job["failed_at"], raw["unit"]):
        weighed["job"] = {"failed_at": job["failed_at"]}
    return weighed


class _Failed(msgspec.Struct):
    at: Annotated[datetime, msgspec.Meta(tz=True)] | None


def _says_nothing(failed_at: Any, unit: dict[str, Any]) -> bool:
    """Whether no answer hangs on the time of failure: it is one, and nobody says since when the machine had
    been in service.
    """
    if "installed_at" in unit:
        return False
    try:
        at = msgspec.convert({"at": failed_at}, _Failed).at
    except msgspec.ValidationError:
        return False
    return at is None or FIRST_YEAR <= at.year <= LAST_YEAR
