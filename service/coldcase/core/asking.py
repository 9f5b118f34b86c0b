"""The order in which a person is asked: what pays first, for this person.

`next_checks` says what a look would tell; it cannot know what somebody at job close is able to tell. A
question that few can answer is read and passed over, and that costs them, too. So a question stands by what
it tells times the chance that it is answered: how often such a thing is told at all, and how this person
answered so far about the same part of the machine. What somebody pointed at comes before all else.

This orders questions on a page. No answer on record depends on it.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from coldcase.core.answer_builder import CaseWithReadings
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.next_checks import Efforts, question_gains
from coldcase.core.rule_table import ALL_EFFORTS, Finding
from coldcase.core.signs import whole
from coldcase.core.weighing import observe, weigh

LOOKED_INTO = 40
"""Places of the matrix whose gain is worked out; more than for an answer, since most of what promises much
may be what nobody here can tell.
"""

FIRM = 0.5
"""How firmly the general chance of an answer stands against what this person does: that many answers are
taken as asked for and given at each part of the machine.
"""

SELDOM = 0.05
"""The chance of an answer to a question of which nothing is known."""


@dataclass(frozen=True, slots=True)
class Asking:
    """Whom one asks: `told` is how often each finding is told, 0 to 1; `pointed` are findings that this
    person says something can be told of, `passed` those that were passed over.
    """

    told: Mapping[str, float]
    pointed: Collection[str] = ()
    passed: Collection[str] = ()


def questions_in_order(
    case_with_readings: CaseWithReadings, compiled: CompiledTable, efforts: Efforts, asking: Asking
) -> list[str]:
    """The findings worth asking about, the most worthwhile first: those pointed at, whatever effort they
    take and however little they would tell, then those of these efforts.
    """
    case = case_with_readings.case
    weighed = weigh(case, observe(case, case_with_readings.derived, compiled), compiled)
    answered = {whole(code) for code in weighed.seen}
    pointed = [code for code in asking.pointed if code not in answered]
    first = _pointed_first(pointed, question_gains(weighed, compiled, ALL_EFFORTS, EVERY)) if pointed else []
    gains = question_gains(weighed, compiled, efforts, LOOKED_INTO + len(asking.passed))
    chances = _Chances(asking.told, compiled.table.findings, answered, asking.passed)
    closed = {*first, *answered, *asking.passed}
    worth = {code: gain * chances.of(code) for code, gain in gains.items() if code not in closed}
    return first + sorted(worth, key=lambda code: (-worth[code], code))


EVERY = 10_000
"""More places than any matrix has."""


def _pointed_first(pointed: Iterable[str], gains: Mapping[str, float]) -> list[str]:
    return sorted(pointed, key=lambda code: (-gains.get(code, 0), code))


class _Chances:
    """The chance that a question is answered: how often such a thing is told, times how this person answered
    about the same station against what was to be expected there.
    """

    def __init__(
        self,
        told: Mapping[str, float],
        findings: Mapping[str, Finding],
        answered: Collection[str],
        passed: Collection[str],
    ) -> None:
        self._told, self._findings = told, findings
        known_answers = [code for code in answered if code in findings]
        asked = [*known_answers, *(code for code in passed if code in findings)]
        self._answered = Counter(findings[code].station for code in known_answers)
        self._expected: dict[str, float] = {}
        for code in asked:
            station = findings[code].station
            self._expected[station] = self._expected.get(station, 0) + told.get(code, SELDOM)

    def of(self, code: str) -> float:
        """Relative, not a probability: it orders questions."""
        station = self._findings[code].station
        so_far = (FIRM + self._answered[station]) / (FIRM + self._expected.get(station, 0))
        return self._told.get(code, SELDOM) * so_far
