"""A rule table learned from judged cases, in two readings of them: counted, then tried on what was left out.
Pure; it takes what is read as it comes, so that a million cases take no more memory than a page.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from uuid import UUID

import msgspec

from coldcase.backtesting.answering_again import renamed_causes
from coldcase.classifying import add_readings
from coldcase.core.answer_builder import CaseWithReadings
from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.learning import Learned, LearnedNumber, PriorStrength, learned_table
from coldcase.core.rule_table import UNLISTED
from coldcase.core.short_answers import answer_evidence, evidence_of
from coldcase.core.strict_json import read_json
from coldcase.core.verdict_counts import VerdictCounts, added
from coldcase.db.proposals import JudgedCase
from coldcase.errors import BadCase, Malformed
from coldcase.proposing.holding_out import FOLDS, HeldOut, Part, at_temperature, parts_of, temperatures
from coldcase.proposing.summary import ProposalSummary, moved_count, worse_than_base
from coldcase.readings.impossible_values import impossible_values

Page = Sequence[tuple[JudgedCase, str]]
"""Judged cases with their texts as they stand on record."""


def with_known_causes(
    found: Sequence[JudgedCase], compiled: CompiledTable
) -> tuple[list[JudgedCase], Counter[str]]:
    """The cases of which a cause was established that this table knows, by the name that it has there; and
    how many were left out, by reason.
    """
    renamed, kept, left_out = renamed_causes(compiled), [], Counter[str]()
    for case in found:
        cause = renamed.get(case.cause or "", case.cause)
        if cause is None:
            left_out["nobody could say a cause"] += 1
        elif cause != UNLISTED and cause not in compiled.table.causes:
            left_out["the table no longer has the cause"] += 1
        else:
            kept.append(msgspec.structs.replace(case, cause=cause))
    return kept, left_out


def readable(text: str, compiled: CompiledTable) -> CaseWithReadings | None:
    """A case on record with its readings, judged by this table; None where it can no longer be read."""
    try:
        return add_readings(parse_case(read_json(text.encode()), compiled, impossible_values), compiled)
    except (BadCase, Malformed):
        return None


def count_page(page: Page, compiled: CompiledTable, counts: Mapping[UUID, VerdictCounts]) -> None:
    """Counts judged cases, each where `counts` says."""
    for case, text in page:
        given, own = readable(text, compiled), counts[case.id]
        if given is None:
            own.left_out["the case can no longer be read"] += 1
        else:
            own.add(case.cause or "", evidence_of(given, compiled), compiled)


class Learner:
    """Learns from judged cases whose causes the base knows: `count` all pages, `fit`, `try_out` all pages,
    then ask for the `result`.
    """

    def __init__(
        self,
        base: CompiledTable,
        cases: Sequence[JudgedCase],
        strength: PriorStrength,
    ) -> None:
        self._base = base
        self._strength = strength
        self._parts = {case.id: part for case, part in parts_of(cases).items()}
        self._counts: dict[Part, VerdictCounts] = {part: VerdictCounts() for part in {*self._parts.values()}}
        self._by_id = {id_: self._counts[part] for id_, part in self._parts.items()}
        own = base.table.temperature
        self._temperatures = temperatures(own) if strength.fit_temperature else [own]
        self._held_out = HeldOut(own)
        self._learned = Learned(base.table, [])
        self._folds: dict[int, CompiledTable] = {}
        self._early = base

    def count(self, page: Page) -> None:
        """The first reading."""
        count_page(page, self._base, self._by_id)

    def fit(self) -> bool:
        """Whether anything is to be proposed."""
        self._learned = learned_table(self._base.table, added(self._counts.values()), self._strength)
        if not self._learned.numbers:
            return False
        for fold in range(FOLDS):
            self._folds[fold] = self._without([part for part in self._counts if part.fold == fold])
        self._early = self._without([part for part in self._counts if part.late])
        return True

    def _without(self, left_out: Sequence[Part]) -> CompiledTable:
        kept = added(counts for part, counts in self._counts.items() if part not in left_out)
        learned = learned_table(self._base.table, kept, self._strength)
        return compile_table(learned.table, version=None, digest="")

    def try_out(self, page: Page) -> None:
        """The second reading."""
        by_fold: dict[int, list[tuple[JudgedCase, CaseWithReadings]]] = {}
        for case, text in page:
            given = readable(text, self._base)
            if given is not None:
                by_fold.setdefault(self._parts[case.id].fold, []).append((case, given))
        for fold, cases in by_fold.items():
            self._try(self._folds[fold], cases, late=False)
            self._try(self._early, [one for one in cases if self._parts[one[0].id].late], late=True)

    def _try(
        self, learned: CompiledTable, cases: Sequence[tuple[JudgedCase, CaseWithReadings]], *, late: bool
    ) -> None:
        befores = answer_evidence([evidence_of(given, self._base) for _, given in cases], self._base)
        shown = [evidence_of(given, learned) for _, given in cases]
        for tried in self._temperatures:
            afters = answer_evidence(shown, at_temperature(learned, tried))
            for (case, _), before, after in zip(cases, befores, afters, strict=True):
                if late:
                    self._held_out.add_late(tried, before, after, case.cause or "")
                else:
                    self._held_out.add_circuit(self._parts[case.id], tried, before, after, case.cause or "")

    def result(self, left_out: Mapping[str, int]) -> tuple[Learned, ProposalSummary]:
        """What is proposed, and what was found; `left_out` are cases that were not given to it."""
        counts = added(self._counts.values())
        before, after = self._base.table.temperature, self._held_out.temperature()
        circuits, times = self._held_out.by_circuits().figures(), self._held_out.by_times().figures()
        by_cause: Counter[str] = Counter()
        for (cause, _), n in counts.judged.items():
            by_cause[cause] += n
        summary = ProposalSummary(
            judged=by_cause.total(),
            by_cause=dict(sorted(by_cause.items(), key=lambda one: (-one[1], one[0]))),
            left_out=dict(sorted({**counts.left_out, **left_out}.items())),
            strength=self._strength,
            moved=moved_count(self._learned.numbers),
            temperature_before=before,
            temperature=after,
            circuits=circuits,
            times=times,
            circuits_kept_temperature=(
                self._held_out.kept_temperature().figures() if after != before else None
            ),
            worse=worse_than_base(circuits, times),
        )
        return self._with_temperature(after, 0 if circuits is None else circuits.judged), summary

    def _with_temperature(self, temperature: float, tried: int) -> Learned:
        before = self._base.table.temperature
        if temperature == before:
            return self._learned
        number = LearnedNumber(
            pointer="/temperature", judged=tried, looked=tried, old=before, new=temperature
        )
        table = msgspec.structs.replace(self._learned.table, temperature=temperature)
        return Learned(table, [*self._learned.numbers, number])
