"""A rule table turned into integer arrays, once: the book that the engine reads.

What cannot occur on a machine (its causes and outcomes) is gated out before anything is summed, and what remains is
renormalised; that gives one page of the book for each motor, connection and compressor type.
"""

from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np
import numpy.typing as npt

from coldcase.core.fixed_point import BAN, PARTS, WHOLE, Ints, fine_logs, from_fine, log10, millionths
from coldcase.core.logic import Conditional, Predicate, members, passes, predicate
from coldcase.core.rule_table import NO_FAULT, UNLISTED, Finding, Retired, RuleTable, spelling_key

Floats = npt.NDArray[np.floating]
Machine = tuple[str | None, str | None, str | None]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One finding on one page: its possible outcomes, and the row of each among the page's weights.

    `frequencies` is [outcome, cause + background], of 10,000; `percent` the same of 100 after what cannot be was gated
    out.
    """

    rows: dict[str, int]
    frequencies: Ints
    percent: Floats

    def percent_of(self, outcomes: tuple[str, ...]) -> Floats:
        """The share of 100 of "one of these outcomes", for each cause and the background."""
        if len(outcomes) == 1:
            return np.asarray(self.percent[self._place(outcomes[0])])
        return np.asarray(self.percent[[self._place(outcome) for outcome in outcomes]].sum(axis=0))

    def joint_weight(self, outcomes: tuple[str, ...]) -> Ints:
        """The weight for each cause of "one of these outcomes", in nanobans."""
        together = self.frequencies[[self._place(outcome) for outcome in outcomes]].sum(axis=0)
        return np.asarray(_weights(together[None, :], self.frequencies.sum(axis=0))[0])

    def _place(self, outcome: str) -> int:
        return self.rows[outcome] - next(iter(self.rows.values()))


@dataclass(frozen=True, slots=True)
class Stack:
    """All sheets of a page beside each other, for questions about every finding at once.

    Column r is one outcome of finding `codes[finding_of[r]]`, whose columns begin at `starts`. `likelihood` is
    [cause, column] as a share of 1, `weights` its natural logarithm against the background. `groups` numbers each
    finding's group, and `fades` is [group, place].
    """

    codes: tuple[str, ...]
    starts: Ints
    finding_of: Ints
    likelihood: Floats
    weights: Floats
    groups: Ints
    group_numbers: dict[str, int]
    fades: Floats


@dataclass(frozen=True, slots=True)
class Page:
    """All that can be on one kind of machine.

    `causes` are the `rivals` first ones in code order, then `no_fault_found` and `unlisted`. `weights` is
    [outcome or pattern, cause] in nanobans; a sheet knows the rows of its outcomes, `patterns` those of the patterns.
    """

    causes: tuple[str, ...]
    rivals: int
    prior: Ints
    sheets: dict[str, Sheet]
    patterns: dict[str, int]
    weights: Ints
    stack: Stack


@dataclass(frozen=True, slots=True)
class Book:
    """A compiled rule table: immutable but for its pages, which are made when first asked for."""

    table: RuleTable
    version: int | None
    digest: str
    fades: dict[str, tuple[int, ...]]
    predicates: dict[str, Predicate]
    patterns_of: dict[str, tuple[str, ...]]
    found: dict[tuple[str, str], str]
    shows: dict[tuple[str, str], str | None]
    discounts: Conditional
    cautions: Conditional
    retired: dict[tuple[str, str | None, str], Retired]
    designations: dict[str, str]
    _pages: dict[Machine, Page] = field(default_factory=dict)

    def page(self, machine: Machine) -> Page:
        """The page for a machine (motor, connection, compressor type; None where not known)."""
        page = self._pages.get(machine)
        if page is None:
            page = self._pages[machine] = _page(self.table, machine)
        return page

    def fade(self, group: str, place: int) -> int:
        """What the finding at `place` (0 = strongest) in its group counts, in millionths."""
        steps = self.fades[group]
        return steps[min(place, len(steps) - 1)]


def compile_table(table: RuleTable, *, version: int | None, digest: str) -> Book:
    """The book of a table that `checking.flaws` has nothing to say against."""
    patterns_of: dict[str, list[str]] = {}
    for code, pattern in sorted(table.patterns.items()):
        for finding in {finding for finding, _ in members(pattern.when)}:
            patterns_of.setdefault(finding, []).append(code)
    outcomes = [(code, row.title, outcome) for code, row in table.findings.items() for outcome in row.outcomes]
    return Book(
        table=table,
        version=version,
        digest=digest,
        fades={code: _fades(group.rho) for code, group in table.groups.items()},
        predicates={code: predicate(pattern.when) for code, pattern in table.patterns.items()},
        patterns_of={finding: tuple(codes) for finding, codes in patterns_of.items()},
        found={(code, o.code): f"{title}: {o.title[0].lower()}{o.title[1:]}" for code, title, o in outcomes},
        shows={(code, o.code): o.shows for code, _, o in outcomes},
        discounts=Conditional([row.when for row in table.discounts]),
        cautions=Conditional([row.when for row in table.cautions]),
        retired={(row.kind, row.finding, row.code): row for row in table.retired},
        designations={spelling_key(designation): designation for designation in table.refrigerants},
    )


def _fades(rho: float) -> tuple[int, ...]:
    step = 1 - Decimal(repr(rho))
    return tuple(int((step**place * PARTS).to_integral_value()) for place in range(24))


def _page(table: RuleTable, machine: Machine) -> Page:
    possible = [code for code, cause in sorted(table.causes.items()) if passes(cause.gate, *machine)]
    rivals = [code for code in possible if code != NO_FAULT]
    causes = (*rivals, *([NO_FAULT] if NO_FAULT in possible else []), UNLISTED)
    sheets: dict[str, Sheet] = {}
    blocks: list[Ints] = []
    height = 0
    for code, row in table.findings.items():
        outcomes = [i for i, outcome in enumerate(row.outcomes) if passes(outcome.gate, *machine)]
        if passes(row.gate, *machine) and len(outcomes) > 1:
            sheets[code] = _sheet(row, outcomes, causes, height)
            blocks.append(_weights(sheets[code].frequencies, sheets[code].frequencies.sum(axis=0)))
            height += len(outcomes)
    patterns = [_pattern(row.per_hundred, row.background, causes) for row in table.patterns.values()]
    weights = np.concatenate([*blocks, *patterns]) if blocks or patterns else np.zeros((0, len(causes)), dtype=np.int64)
    return Page(
        causes=causes,
        rivals=len(rivals),
        prior=_prior(table, causes, machine),
        sheets=sheets,
        patterns={code: height + place for place, code in enumerate(table.patterns)},
        weights=weights,
        stack=_stack(table, sheets, weights[:height]),
    )


def _stack(table: RuleTable, sheets: dict[str, Sheet], weights: Ints) -> Stack:
    sizes = [len(sheet.rows) for sheet in sheets.values()]
    numbers = {code: number for number, code in enumerate(table.groups)}
    percent = [sheet.percent[:, :-1] for sheet in sheets.values()]
    return Stack(
        codes=tuple(sheets),
        starts=np.cumsum([0, *sizes[:-1]]),
        finding_of=np.repeat(np.arange(len(sizes)), sizes),
        likelihood=np.ascontiguousarray(np.concatenate(percent).T / 100, dtype=np.float32) if percent else np.zeros((0, 0), np.float32),
        weights=np.ascontiguousarray(weights.T * (np.log(10) / BAN), dtype=np.float32),
        groups=np.array([numbers[table.findings[code].group] for code in sheets], dtype=np.int64),
        group_numbers=numbers,
        fades=np.array([_fades(group.rho) for group in table.groups.values()], dtype=np.float32) / np.float32(PARTS),
    )


def _prior(table: RuleTable, causes: tuple[str, ...], machine: Machine) -> Ints:
    rates = dict(table.base_rates)
    for override in table.base_rate_overrides:
        motors, types = override.when.motors, override.when.compressor_types
        # An override is a statement about a known machine; an unknown one keeps the general rates.
        if (not motors or machine[0] in motors) and (not types or machine[2] in types):
            rates |= override.rates
    total = sum(Decimal(repr(rates[code])) for code in causes)
    return np.array([log10(Decimal(repr(rates[code])) / total) for code in causes])


def _sheet(row: Finding, outcomes: list[int], causes: tuple[str, ...], first_row: int) -> Sheet:
    columns = [row.per_hundred.get(cause, row.background) for cause in causes] + [row.background]
    frequencies = np.array([[hundredths(column[i]) for column in columns] for i in outcomes], dtype=np.int64)
    return Sheet(
        rows={row.outcomes[i].code: first_row + place for place, i in enumerate(outcomes)},
        frequencies=frequencies,
        percent=100 * frequencies / frequencies.sum(axis=0),
    )


def _weights(frequencies: Ints, totals: Ints) -> Ints:
    """log10 of (share given the cause / share in the background), for [rows, cause + background]."""
    logs = fine_logs()
    shares = logs[frequencies] - logs[totals]
    return from_fine(shares[:, :-1] - shares[:, -1:])


def _pattern(per_hundred: dict[str, float], background: float, causes: tuple[str, ...]) -> Ints:
    logs = fine_logs()
    present = np.array([[hundredths(per_hundred.get(cause, background)) for cause in causes]])
    return from_fine(logs[present] - logs[hundredths(background)])


def hundredths(share: float) -> int:
    """A share of 100 as whole hundredths, read as the decimal that a person wrote."""
    return millionths(share) * WHOLE // 10**8
