"""Natural frequencies to weights: of each finding once for every cause of a table, whatever the machine.

Kinds of machines differ in which causes, outcomes and rows they have; what they share is worked out once.
"""

from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

import msgspec
import numpy as np

from coldcase.core.conditions import names_machine
from coldcase.core.fixed_point import (
    BAN,
    MILLION,
    TEN_THOUSAND,
    Ints,
    fine_logs,
    from_fine,
    log10,
    millionths,
)
from coldcase.core.rule_table import UNLISTED, CauseLink, Finding, RuleTable

_STEP = 100
"""What a link weighs is a multiple of that many nanobans, so that every machine's logarithms round alike."""


class Block(NamedTuple):
    """What a finding says of every cause of the table.

    `frequencies` are [outcome, cause + background], of 10,000. `weights` are log likelihood ratios and
    `surprises` by how much an outcome is less likely under a cause than what that cause usually shows, both
    [outcome, cause] in nanobans. `begun` are the weights for each weighed link, that is for both of its
    causes at work together, [outcome, link].
    """

    frequencies: Ints
    weights: Ints
    surprises: Ints
    begun: Ints


class Frequencies:
    """The findings' blocks of one table, each made when it is first asked for."""

    def __init__(self, table: RuleTable) -> None:
        self.places = {cause: place for place, cause in enumerate((*sorted(table.causes), UNLISTED))}
        links = weighed_links(table)
        pairs = [(link.cause, link.leads_to) for link in links]
        self._linked = [link.cause for link in links], [link.leads_to for link in links]
        self._mistaken = millionths(table.mistaken)
        self.patterns_begun = np.array(
            [
                [
                    pattern_weights(row.per_hundred, row.background, pair, self._mistaken).max()
                    for pair in pairs
                ]
                for row in table.patterns.values()
            ],
            dtype=np.int64,
        ).reshape(len(table.patterns), len(pairs))
        """What a pattern weighs for both causes of each weighed link, [pattern, link] in nanobans."""
        self._blocks: dict[tuple[str, tuple[int, ...], tuple[int, ...]], Block] = {}

    def block(
        self, code: str, row: Finding, outcomes: list[int], machine: tuple[str | None, str | None, str | None]
    ) -> Block:
        """Of the outcomes that a machine can have, by its rows."""
        own = tuple(place for place, rows in enumerate(row.on_machines) if names_machine(rows.when, machine))
        key = code, tuple(outcomes), own
        block = self._blocks.get(key)
        if block is None:
            block = self._blocks[key] = self._made(_with_rows(row, own), outcomes)
        return block

    def _made(self, row: Finding, outcomes: list[int]) -> Block:
        shares = [row.per_hundred.get(cause, row.background) for cause in self.places] + [row.background]
        frequencies = np.array([[hundredths(share[i]) for share in shares] for i in outcomes], dtype=np.int64)
        weights = weights_of(frequencies, frequencies.sum(axis=0), self._mistaken)
        one, other = ([self.places[cause] for cause in causes] for causes in self._linked)
        begun = _together(
            frequencies[:, [*one, -1]], frequencies[:, [*other, -1]], self._mistaken, clear=outcomes[0] == 0
        )
        return Block(frequencies, weights, _surprises(frequencies, weights, self._mistaken), begun)


def weighed_links(table: RuleTable) -> list[CauseLink]:
    """The links whose two causes are also weighed together."""
    return [link for link in table.links if link.per_hundred]


def _together(one: Ints, other: Ints, mistaken: int, *, clear: bool) -> Ints:
    """What each outcome weighs for two causes at work together, [outcome, link] in nanobans; `one` and
    `other` are the frequencies of the links' causes, [outcome, link + background].

    The clear outcome is as frequent as under the cause that shows it less often; the others share the rest as
    the two causes show them.
    """
    shares = one / one.sum(axis=0), other / other.sum(axis=0)
    usual = shares[0][:, -1:]
    first, second = shares[0][:, :-1], shares[1][:, :-1]
    both = (first + second) / 2
    if clear:
        least = np.minimum(first[0], second[0])
        both = (first + second) * ((1 - least) / (2 - first[0] - second[0]))
        both[0] = least
    part = mistaken / MILLION
    steps = np.rint(np.log10((1 - part) * both / usual + part) * (BAN / _STEP))
    return np.asarray(steps.astype(np.int64) * _STEP)


def _with_rows(row: Finding, own: tuple[int, ...]) -> Finding:
    """The finding with those of its rows for some machines in place of its general ones."""
    for rows in [row.on_machines[place] for place in own]:
        background = row.background if rows.background is None else rows.background
        per_hundred = row.per_hundred | rows.per_hundred
        row = msgspec.structs.replace(row, per_hundred=per_hundred, background=background)
    return row


def weights_of(frequencies: Ints, totals: Ints, mistaken: int) -> Ints:
    """log10 of the likelihood ratio (share given the cause / share in the background), in nanobans, for
    [rows, cause + background].

    A finding is mistaken, or belongs to a second trouble, in `mistaken` millionths of cases; then it has the
    background's share.
    """
    if mistaken:
        background, whole = frequencies[:, -1].tolist(), int(totals[-1])
        columns = zip(frequencies[:, :-1].T.tolist(), totals[:-1].tolist(), strict=True)
        mixed = [_mixed_column(column, total, background, whole, mistaken) for column, total in columns]
        return np.array(mixed, dtype=np.int64).T.reshape(len(frequencies), len(totals) - 1)
    logs = fine_logs()
    shares = logs[frequencies] - logs[totals]
    return from_fine(shares[:, :-1] - shares[:, -1:])


def _surprises(frequencies: Ints, weights: Ints, mistaken: int) -> Ints:
    """The expected log likelihood of the finding less that of the outcome."""
    totals = frequencies.sum(axis=0)
    usual = [_log_share(share, int(totals[-1])) for share in frequencies[:, -1].tolist()]
    logs = weights + np.array(usual)[:, None]
    own, background = frequencies[:, :-1] / totals[:-1], frequencies[:, -1:] / totals[-1]
    shares = ((MILLION - mistaken) * own + mistaken * background) / MILLION
    # Every machine adds the rows in the same order, so that the rounded sums are the same.
    expected = np.rint(np.add.reduce(shares * logs, axis=0)).astype(np.int64)
    return np.asarray(expected[None, :] - logs)


@lru_cache(maxsize=1 << 14)
def _log_share(share: int, whole: int) -> int:
    return log10(Decimal(share) / Decimal(whole))


def _mixed_column(
    column: list[int], total: int, background: list[int], whole: int, mistaken: int
) -> list[int]:
    """The weights of one cause's shares (of `total`) against those of the background (of `whole`)."""
    return [
        _mixed(mistaken, share * whole, total * usual)
        for share, usual in zip(column, background, strict=True)
    ]


@lru_cache(maxsize=1 << 16)
def _mixed(mistaken: int, share: int, usual: int) -> int:
    """log10 of share / usual in nanobans, of which a part of `mistaken` millionths is 1."""
    return log10(Decimal((MILLION - mistaken) * share + mistaken * usual) / (MILLION * usual))


def pattern_weights(
    per_hundred: dict[str, float], background: float, causes: tuple[str, ...], mistaken: int
) -> Ints:
    """What a pattern that holds weighs for each cause, [1, cause] in nanobans."""
    usual = hundredths(background)
    present = [hundredths(per_hundred.get(cause, background)) for cause in causes]
    return np.array([[_mixed(mistaken, share, usual) for share in present]], dtype=np.int64)


@lru_cache(maxsize=TEN_THOUSAND)
def hundredths(share: float) -> int:
    """A share of 100 as whole hundredths, read as the decimal that a person wrote."""
    # A table holds a few hundred different shares, each in twenty models: kept, they halve the time to make
    # those.
    return millionths(share) * TEN_THOUSAND // 10**8
