"""The limits of a rule table as they fit one kind of machine: which of them apply, and what each band yields
there, worked out once and not for each case.
"""

from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import pairwise
from operator import attrgetter

from coldcase.core.case import Case
from coldcase.core.conditions import (
    UNIT_FIELD_ASKED,
    Observed,
    Predicate,
    machine_fits,
    machine_of,
    passes_gate,
    predicate,
)
from coldcase.core.machine_model import MachineKind
from coldcase.core.rule_table import Limit, RuleTable

MOST_KINDS = 256
"""Kinds of machines and openings that are kept."""


@dataclass(frozen=True, slots=True)
class BandSays:
    """What a value in one band yields on this machine: the outcomes that count (one or none), and why there
    is none.
    """

    outcomes: tuple[str, ...]
    why: str | None


@dataclass(frozen=True, slots=True)
class FittedLimit:
    """A limit on one kind of machine.

    `cannot` says why none of its outcomes counts there, `can_be` are those that can be on the machine.
    `edges` are the upper ends of its bands and `says` what a plain value in each yields, one more than edges;
    `edges` is None where they do not rise. `shown` holds, by a quantity's unit, the limit in words.
    """

    limit: Limit
    cannot: str | None
    can_be: frozenset[str]
    edges: tuple[float, ...] | None
    says: tuple[BandSays, ...]
    observed: Predicate | None
    shown: dict[str, str] = field(default_factory=dict)

    def possible(self, outcomes: tuple[str, ...]) -> tuple[tuple[str, ...], str | None]:
        """Of some outcomes those that can be on this machine, and why none can."""
        return _possible(outcomes, self.cannot, self.can_be)

    def says_of(self, value: float) -> BandSays | None:
        """What a value yields; None where the bands do not rise."""
        return None if self.edges is None else self.says[bisect_right(self.edges, value)]

    def in_words(self, unit: str) -> str:
        """The limit as people read it: `low below 3 K, normal below 20 K, else high`."""
        words = self.shown.get(unit)
        if words is None:
            parts = [
                f"{(band.outcome or 'nothing').replace('_', ' ')} below {band.below:g} {unit}"
                if band.below is not None
                else f"else {(band.outcome or 'nothing').replace('_', ' ')}"
                for band in self.limit.bands
            ]
            words = self.shown[unit] = ", ".join(parts)
        return words


def _possible(
    outcomes: tuple[str, ...], cannot: str | None, can_be: frozenset[str]
) -> tuple[tuple[str, ...], str | None]:
    if cannot is not None:
        return (), cannot
    possible = tuple([outcome for outcome in outcomes if outcome in can_be])
    return possible, None if possible or not outcomes else "not judged: the outcome cannot be on this machine"


class FittedLimits:
    """The limits of one table (its `several` findings taken apart), as each kind of machine has them."""

    def __init__(self, table: RuleTable) -> None:
        self._table = table
        self._by_quantity: dict[str, list[int]] = {}
        for index, limit in enumerate(table.limits):
            self._by_quantity.setdefault(limit.quantity, []).append(index)
        whens = [limit.when for limit in table.limits]
        asked = {UNIT_FIELD_ASKED.get(name, name) for when in whens for name in when.unit}
        machine = {"motor", "winding_connection", "compressor_type", "compressors_on_circuit"}
        # Two fields at least, for then `attrgetter` gives a tuple.
        self._unit = attrgetter(*sorted(machine | asked))
        self._opening = attrgetter(
            *sorted({"method", "oil", *(name for when in whens for name in when.opening)})
        )
        self._made: dict[tuple[int, MachineKind], FittedLimit] = {}
        self._kinds: dict[tuple[object, object], MachineLimits] = {}

    def on(self, case: Case) -> "MachineLimits":
        """The limits on the machine of a case."""
        kind = self._unit(case.unit), self._opening(case.opening)
        limits = self._kinds.get(kind)
        if limits is None:
            if len(self._kinds) >= MOST_KINDS:
                self._kinds.clear()
            limits = self._kinds[kind] = MachineLimits(case, self)
        return limits

    def fit(self, quantity: str, case: Case) -> tuple[FittedLimit, ...]:
        """The limits of a quantity that the machine of a case and its opening leave, in their order."""
        machine = machine_of(case.unit, self._table)
        fitting = [
            index
            for index in self._by_quantity.get(quantity, ())
            if machine_fits(self._table.limits[index].when, case, self._table)
        ]
        return tuple([self._on_machine(index, machine) for index in fitting])

    def _on_machine(self, index: int, machine: MachineKind) -> FittedLimit:
        made = self._made.get((index, machine))
        if made is None:
            made = self._made[index, machine] = _fitted(self._table.limits[index], machine, self._table)
        return made


class MachineLimits:
    """The limits of one kind of machine and opening by quantity, each found when it is first asked for."""

    def __init__(self, case: Case, limits: FittedLimits) -> None:
        self._like = Case(unit=case.unit, opening=case.opening)
        self._limits = limits
        self._fitted: dict[str, tuple[FittedLimit, ...]] = {}
        self._asking: set[str] = set()

    def of(self, quantity: str, observed: Observed) -> tuple[FittedLimit, ...]:
        """Of the limits for each finding the first that fits."""
        fitted = self._fitted.get(quantity)
        if fitted is None:
            fitted = self._limits.fit(quantity, self._like)
            if any(one.observed is not None for one in fitted):
                self._asking.add(quantity)
            else:
                fitted = _first_of_each(fitted, observed)
            self._fitted[quantity] = fitted
        return _first_of_each(fitted, observed) if quantity in self._asking else fitted


def _first_of_each(fitted: tuple[FittedLimit, ...], observed: Observed) -> tuple[FittedLimit, ...]:
    first: dict[str, FittedLimit] = {}
    for one in fitted:
        if one.observed is None or one.observed(observed) is True:
            first.setdefault(one.limit.finding, one)
    return tuple(first.values())


def _fitted(limit: Limit, machine: MachineKind, table: RuleTable) -> FittedLimit:
    row, when, edges = table.findings.get(limit.finding), limit.when.observed, _edges(limit)
    cannot = None
    if row is None:
        cannot = f"not judged: the rule table has no finding {limit.finding}"
    elif not passes_gate(row.gate, *machine):
        cannot = "not judged: cannot be on this machine"
    outcomes = () if row is None else row.outcomes
    can_be = frozenset(each.code for each in outcomes if passes_gate(each.gate, *machine))
    says: list[BandSays] = []
    if edges is not None:
        # Past a last band that ends, values say nothing.
        ends_open = len(limit.bands) > len(edges)
        yielded = [band.outcome for band in limit.bands] + ([] if ends_open else [None])
        says = [_says(outcome, cannot, can_be) for outcome in yielded]
    asked = None if when is None else predicate(when)
    return FittedLimit(limit, cannot, can_be, edges, tuple(says), asked)


def _edges(limit: Limit) -> tuple[float, ...] | None:
    ends = [band.below for band in limit.bands]
    if ends and ends[-1] is None:
        ends.pop()
    edges = tuple([end for end in ends if end is not None])
    rise = len(edges) == len(ends) and all(low < high for low, high in pairwise(edges))
    return edges if rise else None


def _says(outcome: str | None, cannot: str | None, can_be: frozenset[str]) -> BandSays:
    if outcome is None:
        return BandSays((), "says nothing by itself")
    return BandSays(*_possible((outcome,), cannot, can_be))
