"""Cases, recorded ones and those of libraries, answered under another rule table, many at a time. Pure."""

from collections.abc import Sequence

import msgspec

from coldcase.classifying import add_outcomes
from coldcase.core.answer import Status
from coldcase.core.answer_builder import CaseWithReadings
from coldcase.core.case_reader import parse_case, weighed_part
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.short_answers import ShortAnswer, short_answers
from coldcase.core.strict_json import read_json
from coldcase.errors import BadCase, Flaw, Malformed
from coldcase.readings.impossible_values import impossible_values

MOST_ANSWERS = 10_000
"""Answers that are kept for cases of the same evidence, of which short notes at job close make many."""

USED_OF_JOB = ("failed_at",)

CaseAgain = ShortAnswer | tuple[Flaw, ...]
"""An answer, or the flaws for which a case cannot be read."""

UNFORESEEN = (Flaw("", "The engine cannot answer this case under this rule table."),)


class _RecordedText(msgspec.Struct):
    text: str


class _RecordedShare(msgspec.Struct):
    cause: str
    confidence: float


class _RecordedAnswer(msgspec.Struct):
    cause: str
    status: Status
    confidence: float
    cautions: list[_RecordedText]


class _RankedAnswer(_RecordedAnswer):
    ranking: list[_RecordedShare]


_decode = msgspec.json.Decoder(_RecordedAnswer).decode
_decode_ranked = msgspec.json.Decoder(_RankedAnswer).decode


def recorded_answer(answer_text: str, renamed: dict[str, str], *, ranked: bool = True) -> ShortAnswer:
    """What a decision said, by the names that its causes have since; with an empty ranking where nobody asks
    for it, which is most of an answer's reading.
    """
    ranking: dict[str, float] = {}
    if ranked:
        found: _RecordedAnswer = (whole := _decode_ranked(answer_text))
        for one in whole.ranking:
            cause = renamed.get(one.cause, one.cause)
            ranking[cause] = ranking.get(cause, 0.0) + one.confidence
    else:
        found = _decode(answer_text)
    return ShortAnswer(
        cause=renamed.get(found.cause, found.cause),
        status=found.status,
        confidence=found.confidence,
        ranking=ranking,
        cautions=tuple([caution.text for caution in found.cautions]),
    )


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
        self._kept: dict[bytes, CaseAgain] = {}

    def answers(self, case_texts: Sequence[str]) -> list[CaseAgain]:
        """The answers to cases as they stand on record, in their order."""
        keys, found, new = [], {}, {}
        for text in case_texts:
            raw = _evidence(text)
            key = msgspec.json.encode(raw)
            keys.append(key)
            if key in self._kept:
                found[key] = self._kept[key]
            elif key not in new:
                new[key] = raw
        found |= self._answer(new)
        return [found[key] for key in keys]

    def _answer(self, cases: dict[bytes, object]) -> dict[bytes, CaseAgain]:
        found: dict[bytes, CaseAgain] = {}
        readable: dict[bytes, CaseWithReadings] = {}
        for key, raw in cases.items():
            try:
                readable[key] = add_outcomes(parse_case(raw, self.compiled, impossible_values), self.compiled)
            except BadCase as error:
                found[key] = error.flaws
        found |= zip(readable, self._short(list(readable.values())), strict=True)
        for key, answer in found.items():
            self._kept[key] = answer
        while len(self._kept) > MOST_ANSWERS:
            del self._kept[next(iter(self._kept))]
        return found

    def _short(self, cases: list[CaseWithReadings]) -> Sequence[CaseAgain]:
        try:
            return short_answers(cases, self.compiled)
        except Exception:  # noqa: BLE001 - whatever it is, it is told as what it means: no answer
            if len(cases) == 1:
                return [UNFORESEEN]
            # One case's trouble is not its neighbours': each is asked alone.
            return [answer for case in cases for answer in self._short([case])]


def _evidence(case_text: str) -> object:
    """The part of a recorded case that is weighed; the text itself where it is no case at all."""
    try:
        raw = read_json(case_text.encode())
    except Malformed:
        return case_text
    if not isinstance(raw, dict) or not isinstance(raw.get("unit"), dict):
        return raw
    job = raw.get("job")
    used = {name: job[name] for name in USED_OF_JOB if name in job} if isinstance(job, dict) else {}
    return weighed_part(raw) | ({"job": used} if used else {})
