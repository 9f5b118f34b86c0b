"""A quantity against the limits of the rule table: which outcome of which finding it yields, if any.

The numbers stand in the table (`knowledge/limits.toml` of the starter).
"""

from collections.abc import Iterator

import msgspec

from coldcase.core.answer import DerivedValue
from coldcase.core.case import Case
from coldcase.core.fitted_limits import FittedLimit, FittedLimits
from coldcase.core.rule_table import Band, RuleTable
from coldcase.core.signs import engine_observations
from coldcase.readings.worksheet import QUANTITY_UNITS, DerivedQuantity, joined_notes

# A value a rounding error away from a limit is on it.
_DIGITS = 9
_SAME_UNIT = {"C": "degC", "°C": "degC"}


class JudgedQuantity(msgspec.Struct, frozen=True, gc=False):
    """A quantity as the answer shows it, the outcomes that count (several where they cannot be told apart),
    and what to name.
    """

    value: DerivedValue
    outcomes: tuple[str, ...] = ()
    note: str | None = None


class LimitJudge:
    """The limits of one table that fit one case."""

    def __init__(self, case: Case, table: RuleTable, limits: FittedLimits) -> None:
        self.table = table
        self.observed = {
            code: frozenset(outcomes)
            for code, outcomes, _ in engine_observations(case.observations, table.findings)
        }
        self._limits = limits.on(case)

    def against_limits(self, worked: DerivedQuantity, doubtful: set[str]) -> list[JudgedQuantity]:
        """What the quantity says: one entry for each finding that it yields, or one that says why it yields
        none.
        """
        fitting = self._limits.of(worked.quantity, self.observed)
        finding = fitting[0].limit.finding if len(fitting) == 1 else None
        if doubtful and not doubtful.isdisjoint(worked.rests_on):
            doubt = " or ".join(name for name in worked.rests_on if name in doubtful)
            return [_unjudged(worked, finding, f"not weighed: {doubt} cannot be believed, see notes")]
        if (reason := self._out_of_range(worked)) is not None:
            unit = QUANTITY_UNITS[worked.quantity][0]
            named = f"{worked.quantity} {worked.printed_whole()} {unit} is {reason}"
            return [_unjudged(worked, finding, f"{reason}: not weighed", f"{named}: not weighed")]
        if not worked.weighed:
            return [_unjudged(worked, finding, None)]
        if not fitting:
            return [_unjudged(worked, None, "not judged: the rule table has no limit for it")]
        return [_against(worked, limit) for limit in fitting]

    def outcomes_of(
        self, worked: DerivedQuantity, doubtful: set[str]
    ) -> Iterator[tuple[str, tuple[str, ...]]]:
        """What counts of the same, and nothing of what is shown: findings that were not observed, with their
        outcomes.
        """
        if worked.weighed and doubtful.isdisjoint(worked.rests_on) and self._out_of_range(worked) is None:
            for limit in self._limits.of(worked.quantity, self.observed):
                if limit.limit.finding not in self.observed:
                    outcomes, _ = _judged(worked, limit)
                    if outcomes:
                        yield limit.limit.finding, outcomes

    def _out_of_range(self, worked: DerivedQuantity) -> str | None:
        row = self.table.quantities.get(worked.quantity)
        if row is None:
            return None
        unit = QUANTITY_UNITS[worked.quantity][0]
        if row.unit != unit and _SAME_UNIT.get(row.unit) != unit:
            return f"in {unit}, the rule table's limit in {row.unit}"
        low, high = _ends(worked)
        # A bound claims no figure; only the side that it leaves open has to reach into the range.
        above, below = worked.bound == ">" or low >= row.lowest, worked.bound == "<" or high <= row.highest
        if above and below:
            return None
        highest = worked.value if worked.upper is None else worked.upper
        slip = ", a slipped decimal or a wrong unit?" if highest > row.highest else ""
        return f"outside the credible range {row.lowest:g} to {row.highest:g} {row.unit}{slip}"


def rank(table: RuleTable, finding: str, outcomes: tuple[str, ...]) -> int:
    """How far down the finding's list the worst of the outcomes stands."""
    order = [outcome.code for outcome in table.findings[finding].outcomes]
    return max(order.index(outcome) for outcome in outcomes)


def _judged(worked: DerivedQuantity, limit: FittedLimit) -> tuple[tuple[str, ...], str | None]:
    """The outcomes that count and can be on this machine, and why there is none."""
    if worked.bound is None and worked.upper is None:
        says = limit.says_of(round(worked.value, _DIGITS))
        if says is not None:
            return says.outcomes, says.why
    banded, why = _bands(worked, limit.limit.bands)
    outcomes, cannot = limit.possible(banded)
    return outcomes, why or cannot


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


def _against(worked: DerivedQuantity, limit: FittedLimit) -> JudgedQuantity:
    outcomes, why = _judged(worked, limit)
    unit = QUANTITY_UNITS[worked.quantity][0]
    value = DerivedValue(
        quantity=worked.quantity,
        value=worked.printed(),
        to=worked.printed_upper(),
        unit=unit,
        finding=limit.limit.finding,
        outcome=None if not outcomes else outcomes[0] if len(outcomes) == 1 else list(outcomes),
        limit=limit.in_words(unit),
        basis=limit.limit.basis,
        note=worked.note if why is None else joined_notes(worked.note, why),
    )
    return JudgedQuantity(value, outcomes)


def _unjudged(
    worked: DerivedQuantity, finding: str | None, why: str | None, note: str | None = None
) -> JudgedQuantity:
    value = DerivedValue(
        quantity=worked.quantity,
        value=worked.printed(),
        to=worked.printed_upper(),
        unit=QUANTITY_UNITS[worked.quantity][0],
        finding=finding,
        note=joined_notes(worked.note, why),
    )
    return JudgedQuantity(value, note=note)
