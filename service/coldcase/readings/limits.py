"""A quantity against the limits of the rule table: which outcome of which finding it yields, if any.

The numbers stand in the table (`knowledge/limits.toml` of the starter).
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from msgspec import structs

from coldcase.core.answer import DerivedValue
from coldcase.core.case import Case
from coldcase.core.conditions import applies, machine_of, passes_gate
from coldcase.core.rule_table import Band, Finding, Limit, Quantity, RuleTable
from coldcase.core.signs import engine_observations
from coldcase.readings.worksheet import QUANTITY_UNITS, DerivedQuantity, joined_notes

# A value a rounding error away from a limit is on it.
_DIGITS = 9
_SAME_UNIT = {"C": "degC", "°C": "degC"}


@dataclass(frozen=True, slots=True)
class JudgedQuantity:
    """A quantity as the answer shows it, the outcomes that count (several where they cannot be told apart),
    and what to name.
    """

    value: DerivedValue
    outcomes: tuple[str, ...] = ()
    note: str | None = None


class LimitJudge:
    """The limits of one table (its `several` findings taken apart), by quantity, that fit one case."""

    def __init__(self, case: Case, table: RuleTable, limits: Mapping[str, list[Limit]]) -> None:
        self.case = case
        self.table = table
        self.machine = machine_of(case.unit, table)
        self.observed = {
            code: frozenset(outcomes)
            for code, outcomes, _ in engine_observations(case.observations, table.findings)
        }
        self.limits = limits

    def against_limits(self, worked: DerivedQuantity, doubtful: set[str]) -> list[JudgedQuantity]:
        """What the quantity says: one entry for each finding that it yields, or one that says why it yields
        none.
        """
        fitting = list(self._fitting(worked.quantity))
        finding = fitting[0].finding if len(fitting) == 1 else None
        doubt = " or ".join(name for name in worked.rests_on if name in doubtful)
        if doubt:
            return [
                JudgedQuantity(
                    _entry(
                        worked,
                        finding,
                        joined_notes(worked.note, f"not weighed: {doubt} cannot be believed, see notes"),
                    )
                )
            ]
        if (reason := self._out_of_range(worked)) is not None:
            unit = QUANTITY_UNITS[worked.quantity][0]
            named = f"{worked.quantity} {worked.printed_whole()} {unit} is {reason}"
            return [
                JudgedQuantity(
                    _entry(worked, finding, joined_notes(worked.note, f"{reason}: not weighed")),
                    note=f"{named}: not weighed",
                )
            ]
        if not worked.weighed:
            return [JudgedQuantity(_entry(worked, finding, worked.note))]
        if not fitting:
            return [
                JudgedQuantity(
                    _entry(
                        worked,
                        None,
                        joined_notes(worked.note, "not judged: the rule table has no limit for it"),
                    )
                )
            ]
        return [self._against(worked, limit) for limit in fitting]

    def outcomes_of(
        self, worked: DerivedQuantity, doubtful: set[str]
    ) -> Iterator[tuple[str, tuple[str, ...]]]:
        """What counts of the same, and nothing of what is shown: findings that were not observed, with their
        outcomes.
        """
        if worked.weighed and doubtful.isdisjoint(worked.rests_on) and self._out_of_range(worked) is None:
            for limit in self._fitting(worked.quantity, but=self.observed):
                outcomes, _ = self._judged(worked, limit)
                if outcomes:
                    yield limit.finding, outcomes

    def rank(self, finding: str, outcomes: tuple[str, ...]) -> int:
        """How far down the finding's list the worst of the outcomes stands."""
        order = [outcome.code for outcome in self.table.findings[finding].outcomes]
        return max(order.index(outcome) for outcome in outcomes)

    def _out_of_range(self, worked: DerivedQuantity) -> str | None:
        row = self.table.quantities.get(worked.quantity)
        unit = QUANTITY_UNITS[worked.quantity][0]
        if row is None:
            return None
        if _SAME_UNIT.get(row.unit, row.unit) != unit:
            return f"in {unit}, the rule table's limit in {row.unit}"
        if _credible(worked, row):
            return None
        highest = worked.value if worked.upper is None else worked.upper
        slip = ", a slipped decimal or a wrong unit?" if highest > row.highest else ""
        return f"outside the credible range {row.lowest:g} to {row.highest:g} {row.unit}{slip}"

    def _fitting(self, quantity: str, but: Iterable[str] = ()) -> Iterator[Limit]:
        """Of the limits for each finding, `but` some, the first that fits."""
        found = set(but)
        for limit in self.limits.get(quantity, ()):
            if limit.finding not in found and applies(limit.when, self.case, self.observed, self.table):
                found.add(limit.finding)
                yield limit

    def _against(self, worked: DerivedQuantity, limit: Limit) -> JudgedQuantity:
        outcomes, why = self._judged(worked, limit)
        words = in_words(limit, QUANTITY_UNITS[worked.quantity][0])
        return _shown(worked, limit.finding, outcomes, why, limit=words, basis=limit.basis)

    def _judged(self, worked: DerivedQuantity, limit: Limit) -> tuple[tuple[str, ...], str | None]:
        banded, why = _bands(worked, limit.bands)
        outcomes, cannot = self._possible(limit.finding, banded)
        return outcomes, why or cannot

    def _possible(self, code: str, outcomes: tuple[str, ...]) -> tuple[tuple[str, ...], str | None]:
        """The outcomes that the table has and that can be on this machine."""
        row = self.table.findings.get(code)
        if row is None:
            return (), f"not judged: the rule table has no finding {code}"
        if not passes_gate(row.gate, *self.machine):
            return (), "not judged: cannot be on this machine"
        possible = tuple(outcome for outcome in outcomes if self._can_be(row, outcome))
        return (
            possible,
            None if possible or not outcomes else "not judged: the outcome cannot be on this machine",
        )

    def _can_be(self, row: Finding, outcome: str) -> bool:
        return any(each.code == outcome and passes_gate(each.gate, *self.machine) for each in row.outcomes)


def _credible(worked: DerivedQuantity, row: Quantity) -> bool:
    low, high = _ends(worked)
    # A bound claims no figure; only the side that it leaves open has to reach into the range.
    above = worked.bound == ">" or low >= row.lowest
    return above and (worked.bound == "<" or high <= row.highest)


def _ends(worked: DerivedQuantity) -> tuple[float, float]:
    low = round(worked.value, _DIGITS)
    return low, low if worked.upper is None else round(worked.upper, _DIGITS)


def _bands(worked: DerivedQuantity, bands: list[Band]) -> tuple[tuple[str, ...], str | None]:
    """The outcomes of the bands that the value, or the interval of a detection limit, may lie in."""
    touched = _touched(worked, bands)
    outcomes = [band.outcome for band in touched if band.outcome is not None]
    if worked.upper is not None and len(touched) > 1:
        return (), "not judged: the range reaches across a limit"
    if worked.bound is None:
        return tuple(outcomes), None if outcomes else "says nothing by itself"
    if len(outcomes) == 1 and len(touched) == 1:
        return tuple(outcomes), None
    if worked.bound == "<":
        return (), f"not looked at: the detection limit {worked.value:g} lies above the limit"
    if len(touched) == len(bands) or len(outcomes) < len(touched):
        return (), f"not looked at: more than {worked.value:g} may be any of them"
    return tuple(dict.fromkeys(outcomes)), "a lower bound: one of these"


_THE_REST = Band()


def _touched(worked: DerivedQuantity, bands: list[Band]) -> list[Band]:
    """The bands that the value or range lies in, or that the open interval of a bound reaches into."""
    low, high = _ends(worked)
    touched, start = [], float("-inf")
    # Past a last band that ends, values say nothing.
    for band in (*bands, _THE_REST):
        end = float("inf") if band.below is None else band.below
        below, above = start < high or (worked.bound is None and start == high), low < end
        if start < end and (below or worked.bound == ">") and (above or worked.bound == "<"):
            touched.append(band)
        start = end
    return touched


def in_words(limit: Limit, unit: str) -> str:
    """The limit as people read it: `low below 3 K, normal below 20 K, else high`."""
    parts = [
        f"{(band.outcome or 'nothing').replace('_', ' ')} below {band.below:g} {unit}"
        if band.below is not None
        else f"else {(band.outcome or 'nothing').replace('_', ' ')}"
        for band in limit.bands
    ]
    return ", ".join(parts)


def _shown(
    worked: DerivedQuantity,
    finding: str,
    outcomes: tuple[str, ...],
    why: str | None,
    *,
    limit: str,
    basis: str,
) -> JudgedQuantity:
    shown = None if not outcomes else outcomes[0] if len(outcomes) == 1 else list(outcomes)
    entry = _entry(worked, finding, joined_notes(worked.note, why))
    return JudgedQuantity(structs.replace(entry, outcome=shown, limit=limit, basis=basis), outcomes)


def _entry(worked: DerivedQuantity, finding: str | None, note: str | None) -> DerivedValue:
    unit = QUANTITY_UNITS[worked.quantity][0]
    return DerivedValue(
        quantity=worked.quantity,
        value=worked.printed(),
        to=worked.printed_upper(),
        unit=unit,
        finding=finding,
        note=note,
    )
