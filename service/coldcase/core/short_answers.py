"""What a backtest compares of an answer, for many cases at once: codes, confidences and cautions, no
sentences.

By the very routines that whole answers are built with, so that both always say the same.
"""

from array import array
from collections.abc import Iterator, Mapping, Sequence

import msgspec

from coldcase.core.answer import Status
from coldcase.core.answer_builder import CaseWithReadings
from coldcase.core.coding import code
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.fixed_point import TEN_THOUSAND
from coldcase.core.rule_table import UNDETERMINED
from coldcase.core.weighing import Evidence, Weighed, collect, observe, weigh_many


class SharesByCause(Mapping[str, float]):
    """The confidence in each cause, 0 to 1: kept as ten-thousandths beside the causes, which many answers
    share, because of most answers nobody asks for them.
    """

    __slots__ = ("_causes", "_parts")

    def __init__(self, causes: Sequence[str], parts: Sequence[int]) -> None:
        self._causes = causes
        self._parts = array("H", parts)

    def __getitem__(self, cause: str) -> float:
        try:
            return self._parts[self._causes.index(cause)] / TEN_THOUSAND
        except ValueError:
            raise KeyError(cause) from None

    def __iter__(self) -> Iterator[str]:
        return iter(self._causes)

    def __len__(self) -> int:
        return len(self._causes)


class ShortAnswer(msgspec.Struct, frozen=True, gc=False):
    """A code (`undetermined` where no cause is named), its status, the confidence in the leader (0 to 1, four
    decimals), the confidence in each cause, and the texts of the cautions.
    """

    cause: str
    status: Status
    confidence: float
    ranking: Mapping[str, float]
    cautions: tuple[str, ...]


def short_answers(cases: Sequence[CaseWithReadings], compiled: CompiledTable) -> list[ShortAnswer]:
    """The short answers to many cases, in their order."""
    return answer_evidence([evidence_of(given, compiled) for given in cases], compiled)


def evidence_of(given: CaseWithReadings, compiled: CompiledTable) -> Evidence:
    """What a case shows, not yet weighed."""
    return collect(given.case, observe(given.case, given.derived, compiled), compiled)


def answer_evidence(cases: Sequence[Evidence], compiled: CompiledTable) -> list[ShortAnswer]:
    """The same of what was collected under this table, or under it but for its temperature; cases of like
    machines are weighed together.
    """
    together: dict[int, list[tuple[int, Evidence]]] = {}
    for place, evidence in enumerate(cases):
        together.setdefault(id(evidence.model), []).append((place, evidence))
    answers: dict[int, ShortAnswer] = {}
    for group in together.values():
        weighed = weigh_many([evidence for _, evidence in group], compiled)
        for (place, _), one in zip(group, weighed, strict=True):
            answers[place] = _short_answer(one, compiled)
    return [answers[place] for place in range(len(cases))]


def _short_answer(weighed: Weighed, compiled: CompiledTable) -> ShortAnswer:
    coding = code(weighed, compiled)
    leader = weighed.model.causes[coding.leader]
    named = coding.status != "undetermined" and leader in compiled.table.causes
    cautions = compiled.cautions.applicable(
        weighed.evidence.case, weighed.evidence.condition_key, weighed.observed, compiled.table
    )
    return ShortAnswer(
        cause=leader if named else UNDETERMINED,
        status=coding.status,
        confidence=weighed.confidence[coding.leader] / TEN_THOUSAND,
        ranking=SharesByCause(weighed.model.causes, weighed.confidence),
        cautions=tuple([advice.text for advice in cautions]),
    )
