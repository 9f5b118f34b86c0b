"""From counts of judged cases to proposed numbers: natural frequencies, backgrounds and base rates.

A row of the table is a Dirichlet prior that is worth `rows` cases: the proposed row is its posterior mean,
(rows x expert's share + seen) / (rows + looked at). Of outcomes that could not be told apart each gets its
part by the expert's row, and so does an outcome that the machine cannot show (the expectation step of
Dempster, Laird and Rubin, 1977, once). No number of which fewer than `LEAST_VERDICTS` judged cases looked is
touched. Rows are not made or taken away: that is for a person.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import msgspec

from coldcase.core.diffing import StationChanges, TableDiff
from coldcase.core.fixed_point import TEN_THOUSAND
from coldcase.core.frequencies import hundredths
from coldcase.core.frequency_checking import LEAST_SHARE, MOST_WITHOUT_FAULT
from coldcase.core.learning_rates import LearnedRate, RateKey, learned_rates, rate_of
from coldcase.core.plain_changes import Change, Confirmed
from coldcase.core.rule_table import NO_FAULT, UNLISTED, Finding, Pattern, RowsOn, RuleTable
from coldcase.core.verdict_counts import (
    GENERAL,
    RowCounter,
    RowKey,
    VerdictCounts,
    counted_rows,
    judged_rows,
    outcome_codes,
    row_pointer,
    seen_of,
    shares_of,
    tells_signs,
)

LEAST_VERDICTS = 10
"""Judged cases that must have looked before a number is touched."""

DIGITS = 4
"""Significant digits of a proposed base rate."""


class PriorStrength(msgspec.Struct, frozen=True, kw_only=True):
    """How many judged cases the table's own numbers are worth: each row of frequencies, and all base rates
    together; and whether the temperature is fitted, or kept.
    """

    rows: float = 30.0
    base_rates: float = 200.0
    fit_temperature: bool = True


class LearnedNumber(msgspec.Struct, frozen=True, kw_only=True):
    """Where a proposed number comes from: of `judged` cases `looked` looked, and `seen` saw it plainly,
    `unclear` as one of several.

    `pointer` is that of the row (of a frequency, with `outcome`), of a base rate or of the temperature.
    """

    pointer: str
    outcome: str | None = None
    judged: int
    looked: int
    seen: int | None = None
    unclear: int = 0
    old: float
    new: float


class Learned(msgspec.Struct, frozen=True):
    """A table with proposed numbers, and where each that moved comes from."""

    table: RuleTable
    numbers: list[LearnedNumber]


def learned_table(table: RuleTable, counts: VerdictCounts, strength: PriorStrength) -> Learned:
    """The table with what judged cases make of its frequencies, backgrounds and base rates."""
    rates = learned_rates(table, counts.judged, strength=strength.base_rates, least=LEAST_VERDICTS)
    with_rates, moved = _with_rates(table, rates)
    rows = dict(learned_rows(with_rates, counts, strength.rows))
    judged = judged_rows(table, counts) if rows else {}
    for key, row in rows.items():
        moved += _moved(key, row, table, judged[key])
    return Learned(_with_rows(with_rates, {key: row.shares for key, row in rows.items()}), moved)


def _with_rates(
    table: RuleTable, rates: Mapping[RateKey, LearnedRate]
) -> tuple[RuleTable, list[LearnedNumber]]:
    general, overrides = dict(table.base_rates), [dict(row.rates) for row in table.base_rate_overrides]
    moved = []
    for key, found in rates.items():
        old, new = rate_of(key, table), float(f"{found.rate:.{DIGITS}g}")
        (general if key.block == GENERAL else overrides[key.block])[key.cause] = new
        place = "/base_rates" if key.block == GENERAL else f"/base_rate_overrides/{key.block}/rates"
        if new != old:
            number = LearnedNumber(
                pointer=f"{place}/{key.cause}",
                judged=found.of,
                looked=found.of,
                seen=found.judged,
                old=old,
                new=new,
            )
            moved.append(number)
    replaced = [
        msgspec.structs.replace(row, rates=own)
        for row, own in zip(table.base_rate_overrides, overrides, strict=True)
    ]
    return msgspec.structs.replace(table, base_rates=general, base_rate_overrides=replaced), moved


def with_confirmed(diff: TableDiff, numbers: Sequence[LearnedNumber]) -> TableDiff:
    """The difference with the cases that moved each number which is as it was proposed."""
    learned = {(one.pointer, one.outcome): one for one in numbers}

    def confirmed(change: Change) -> Change:
        number = learned.get((change.pointer, change.outcome))
        if number is None or change.new != number.new:
            return change
        of = Confirmed(judged=number.judged, looked=number.looked, seen=number.seen, unclear=number.unclear)
        return msgspec.structs.replace(change, confirmed=of)

    stations = [
        StationChanges(one.station, [confirmed(change) for change in one.changes]) for one in diff.stations
    ]
    return msgspec.structs.replace(diff, stations=stations)


class LearnedRow(NamedTuple):
    """A row that is touched: its numbers, of 100, as a table may have them; and what was counted."""

    shares: list[float]
    counted: Mapping[int, RowCounter]


def learned_rows(
    table: RuleTable, counts: VerdictCounts, strength: float
) -> Iterator[tuple[RowKey, LearnedRow]]:
    """The rows that are touched. Backgrounds are pooled at the base rates of the table."""
    for key, counted in sorted(counted_rows(table, counts).items(), key=lambda one: str(one[0])):
        expert = shares_of(key, table)
        new, touched = list(expert), False
        if tells_signs(key.code, table):
            for place in sorted(counted):
                if counted[place].total() >= LEAST_VERDICTS:
                    share = expert[place] / 100
                    pooled = _pooled(key, table, [1 - share, share], counted[place], strength)
                    new[place], touched = _sign_share(key, place, table, pooled[1]), True
        elif counted[0].total() >= LEAST_VERDICTS:
            pooled = _pooled(key, table, [share / 100 for share in expert], counted[0], strength)
            new, touched = _whole_row(pooled, _highest(key, table)), True
        if touched:
            yield key, LearnedRow(new, counted)


def posterior_mean(
    expert: Sequence[float], counted: Mapping[tuple[tuple[int, ...], tuple[int, ...]], int], strength: float
) -> list[float]:
    """The posterior mean of a row (shares of 1) whose prior is worth `strength` cases, by what was seen:
    (places that the machine can show, places that were seen and not told apart) to how often.
    """
    counts = [0.0] * len(expert)
    for (possible, seen), n in sorted(counted.items()):
        shown, named = (sum(expert[place] for place in places) for places in (possible, seen))
        for place, share in enumerate(expert):
            if place in seen:
                # An expert's row may rule out what was seen all the same: a pattern that always holds.
                counts[place] += n * share / named if named else n / len(seen)
            elif place not in possible and shown:
                counts[place] += n * share / shown
    total = strength + sum(counts)
    return [(strength * share + count) / total for share, count in zip(expert, counts, strict=True)]


def _pooled(
    key: RowKey, table: RuleTable, expert: list[float], counted: RowCounter, strength: float
) -> list[float]:
    """A row of one cause; or the background: that of each cause without a row, pooled at base rates. A cause
    of which nothing was judged has the background as it was.
    """
    by_cause: dict[str, Counter[tuple[tuple[int, ...], tuple[int, ...]]]] = {}
    for (cause, possible, seen), n in counted.items():
        by_cause.setdefault(cause, Counter())[possible, seen] += n
    if key.cause is not None:
        return posterior_mean(expert, by_cause[key.cause], strength)
    rates = {cause: table.base_rates[cause] for cause in _without_row(key, table)}
    rows = {cause: posterior_mean(expert, by_cause.get(cause, {}), strength) for cause in rates}
    total = sum(rates.values())
    return [sum(rates[cause] * rows[cause][place] for cause in rates) / total for place in range(len(expert))]


def _without_row(key: RowKey, table: RuleTable) -> list[str]:
    """The causes for which a background holds."""
    named: set[str] = set()
    if key.code in table.patterns:
        named |= table.patterns[key.code].per_hundred.keys()
    else:
        finding = table.findings[key.code]
        named |= finding.per_hundred.keys()
        named |= finding.on_machines[key.block].per_hundred.keys() if key.block != GENERAL else set()
    return [cause for cause in (*sorted(table.causes), UNLISTED) if cause not in named]


def _highest(key: RowKey, table: RuleTable) -> list[int]:
    """The most that each number of a row may be, in hundredths: without a fault no machine shows one."""
    without_fault = key.cause == NO_FAULT or (key.cause is None and NO_FAULT in _without_row(key, table))
    if key.code in table.patterns:
        return [TEN_THOUSAND]
    finding = table.findings[key.code]
    most = TEN_THOUSAND - LEAST_SHARE if finding.kind == "several" else TEN_THOUSAND
    return [
        MOST_WITHOUT_FAULT if without_fault and outcome.shows in ("damage", "outside_fault") else most
        for outcome in finding.outcomes
    ]


def _sign_share(key: RowKey, place: int, table: RuleTable, share: float) -> float:
    return min(max(round(share * TEN_THOUSAND), LEAST_SHARE), _highest(key, table)[place]) / 100


def _whole_row(shares: Sequence[float], highest: Sequence[int]) -> list[float]:
    """Shares of 1 as hundredths of one in 100 that sum to 100, each within its limits: rounded down, and what
    is left to the largest remainders.
    """
    exact = [share * TEN_THOUSAND for share in shares]
    cells = [min(max(int(one), LEAST_SHARE), most) for one, most in zip(exact, highest, strict=True)]
    while (left := TEN_THOUSAND - sum(cells)) != 0:
        step = 1 if left > 0 else -1
        free = [
            place
            for place, cell in enumerate(cells)
            if (cell < highest[place] if step > 0 else cell > LEAST_SHARE)
        ]
        cells[max(free, key=lambda place: (step * (exact[place] - cells[place]), -place))] += step
    return [cell / 100 for cell in cells]


def _moved(key: RowKey, row: LearnedRow, table: RuleTable, judged: int) -> Iterator[LearnedNumber]:
    signs = tells_signs(key.code, table)
    for place, (outcome, old, new) in enumerate(
        zip(outcome_codes(key.code, table), shares_of(key, table), row.shares, strict=True)
    ):
        if hundredths(old) != hundredths(new):
            looked, seen, unclear = seen_of(row.counted[place if signs else 0], 1 if signs else place)
            yield LearnedNumber(
                pointer=row_pointer(key, table),
                outcome=outcome,
                judged=judged,
                looked=looked,
                seen=seen,
                unclear=unclear,
                old=old,
                new=new,
            )


def _with_rows(table: RuleTable, rows: Mapping[RowKey, list[float]]) -> RuleTable:
    """The table with other rows in the place of its own."""
    by_code: dict[str, dict[tuple[int, str | None], list[float]]] = {}
    for key, shares in rows.items():
        by_code.setdefault(key.code, {})[key.block, key.cause] = shares
    return msgspec.structs.replace(
        table,
        findings={
            code: _finding_with(row, by_code[code]) if code in by_code else row
            for code, row in table.findings.items()
        },
        patterns={
            code: _pattern_with(row, by_code[code]) if code in by_code else row
            for code, row in table.patterns.items()
        },
    )


def _finding_with(row: Finding, rows: Mapping[tuple[int, str | None], list[float]]) -> Finding:
    def block(place: int, of: Finding | RowsOn) -> dict[str, object]:
        return {
            "background": rows.get((place, None), of.background),
            "per_hundred": {cause: rows.get((place, cause), old) for cause, old in of.per_hundred.items()},
        }

    on_machines = [
        msgspec.structs.replace(of, **block(place, of)) for place, of in enumerate(row.on_machines)
    ]
    return msgspec.structs.replace(row, **block(GENERAL, row), on_machines=on_machines)


def _pattern_with(row: Pattern, rows: Mapping[tuple[int, str | None], list[float]]) -> Pattern:
    shares = {cause: rows.get((GENERAL, cause), [old])[0] for cause, old in row.per_hundred.items()}
    background = rows.get((GENERAL, None), [row.background])[0]
    return msgspec.structs.replace(row, background=background, per_hundred=shares)
