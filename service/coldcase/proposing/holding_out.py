"""What a proposal is tried on: circuits and times that it was not learned from. Pure.

Circuits go into `FOLDS` parts, each answered under what the others teach; the newest fifth of the cases is
answered under what the others teach. The temperature is fitted on the circuits that were left out, too: it
minimises the log loss, with a prior of so much on its logarithm around the table's own; and each part is
shown at the temperature that the others would give it.
"""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import reduce
from math import log
from typing import Any, NamedTuple

import msgspec

from coldcase.backtesting.paired import PairTally
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.short_answers import ShortAnswer
from coldcase.db.proposals import JudgedCase

FOLDS = 5
LATE_SHARE = 0.2
TEMPERATURE_STEP, TEMPERATURE_STEPS = 1.2, 12
TEMPERATURE_SPREAD = 0.25
"""The standard deviation of the prior on the logarithm of the temperature."""


class Part(NamedTuple):
    """Which cases are left out together: by circuit, and whether they are among the newest."""

    fold: int
    late: bool


def parts_of(cases: Sequence[JudgedCase]) -> dict[JudgedCase, Part]:
    """The part of each case. A case without a circuit is a circuit of its own."""
    newest_first = sorted(cases, key=lambda case: (case.at, case.id), reverse=True)
    late = {case.id for case in newest_first[: int(LATE_SHARE * len(cases))]}
    return {case: Part(_fold(case), case.id in late) for case in cases}


def _fold(case: JudgedCase) -> int:
    named = f"{case.client_id} {case.id if case.circuit is None else case.circuit}"
    return hashlib.sha256(named.encode()).digest()[0] % FOLDS


def temperatures(own: float) -> list[float]:
    """The temperatures that are tried, around the table's own."""
    steps = range(-TEMPERATURE_STEPS, TEMPERATURE_STEPS + 1)
    tried = {round(min(max(own * TEMPERATURE_STEP**step, 1), 10), 2) for step in steps}
    return sorted(tried | {own})


def at_temperature(compiled: CompiledTable, temperature: float) -> CompiledTable:
    """The same table at another temperature; it shares all that was compiled."""
    return replace(compiled, table=msgspec.structs.replace(compiled.table, temperature=temperature))


@dataclass(slots=True)
class HeldOut:
    """Answers to cases that were left out, before and after, at each temperature that is tried."""

    own: float
    circuits: dict[tuple[Part, float], PairTally] = field(default_factory=dict)
    times: dict[float, PairTally] = field(default_factory=dict)

    def add_circuit(
        self, part: Part, tried: float, before: ShortAnswer, after: ShortAnswer, cause: str
    ) -> None:
        """Counts a case whose circuit was left out."""
        self.circuits.setdefault((part, tried), PairTally()).add(before, after, frozenset((cause,)))

    def add_late(self, tried: float, before: ShortAnswer, after: ShortAnswer, cause: str) -> None:
        """Counts a case whose time was left out."""
        self.times.setdefault(tried, PairTally()).add(before, after, frozenset((cause,)))

    def temperature(self, counts: Callable[[Part], bool] = lambda _: True) -> float:
        """The temperature by the parts that count; of equals the lowest."""
        losses: dict[float, float] = {}
        for (part, tried), tally in self.circuits.items():
            if counts(part):
                losses[tried] = losses.get(tried, 0.0) + tally.after.log_loss.total
        if not losses:
            return self.own
        prior = {tried: (log(tried / self.own) / TEMPERATURE_SPREAD) ** 2 / 2 for tried in losses}
        return min(losses, key=lambda tried: (losses[tried] + prior[tried], tried))

    def by_circuits(self) -> PairTally:
        """All cases, each at the temperature that the other circuits give."""
        chosen = [self._by_others(fold) for fold in range(FOLDS)]
        return _together(
            [tally for (part, tried), tally in self.circuits.items() if tried == chosen[part.fold]]
        )

    def kept_temperature(self) -> PairTally:
        """All cases at the table's own temperature."""
        return _together([tally for (_, tried), tally in self.circuits.items() if tried == self.own])

    def _by_others(self, fold: int) -> float:
        return self.temperature(lambda part: part.fold != fold)

    def by_times(self) -> PairTally:
        """The newest cases, at the temperature that the others give."""
        return self.times.get(self.temperature(lambda part: not part.late), PairTally())


def _together(tallies: Sequence[PairTally]) -> PairTally:
    found: PairTally = reduce(_added, tallies, PairTally())
    return found


def _added(one: Any, other: Any) -> Any:
    """Two tallies of one shape together: every member is a sum."""
    if isinstance(one, msgspec.Struct):
        members = one.__struct_fields__
        return type(one)(**{name: _added(getattr(one, name), getattr(other, name)) for name in members})
    if isinstance(one, list):
        return [_added(*pair) for pair in zip(one, other, strict=True)]
    return one + other
