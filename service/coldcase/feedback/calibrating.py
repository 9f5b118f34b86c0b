"""How often a stated confidence was right, by the newest verdict on what stands; and how much of it was ever
looked into.
"""

from collections import Counter
from dataclasses import dataclass, field

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.core.answer import Ranked
from coldcase.db import statistics
from coldcase.db.decisions import DecisionFilter
from coldcase.db.statistics import JudgedDecision
from coldcase.db.verdicts import Basis
from coldcase.feedback import scoring
from coldcase.feedback.scoring import Bins, Forecast


class Interval(msgspec.Struct, frozen=True):
    """A share with Wilson's 95 % interval; null where nothing was counted."""

    count: int
    of: int
    share: float | None
    low: float | None
    high: float | None


def interval(hits: int, n: int) -> Interval:
    """`hits` of `n`."""
    found = scoring.proportion(hits, n)
    return Interval(hits, n, _short(found.share), _short(found.low), _short(found.high))


class Reliability(msgspec.Struct, frozen=True):
    """Answers whose confidence lies above `above` and not above `up_to`: how sure they were, how often they
    were right.
    """

    above: float
    up_to: float
    mean_confidence: float | None
    right: Interval


class Confused(msgspec.Struct, frozen=True):
    """How often an answer was led by one cause where another, or the same, was established."""

    answered: str
    established: str
    count: int


class Calibration(msgspec.Struct, frozen=True, kw_only=True):
    """Figures of one rule table, status and engine.

    `coverage`: decisions with a verdict of all that stand. Scores count those whose cause was established:
    Brier in its sum form (0 best, 2 worst), log loss in nats, calibration error over ten right-closed bins of
    the leader's confidence.
    """

    rule_table: int
    status: str
    engine: str
    coverage: Interval
    not_determinable: int
    basis: dict[str, int]
    right: Interval
    brier: float | None
    log_loss: float | None
    calibration_error: float | None
    reliability: list[Reliability]
    confusion: list[Confused]


@dataclass(slots=True)
class _Tally:
    """Sums only, so that any number of verdicts may stream through."""

    not_determinable: int = 0
    scored: int = 0
    right: int = 0
    squared_errors: float = 0.0
    surprises: float = 0.0
    basis: Counter[str] = field(default_factory=Counter)
    bins: Bins = field(default_factory=Bins)
    pairs: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add(self, row: JudgedDecision, ranking: list[Ranked]) -> None:
        self.basis[row.basis] += 1
        if row.cause is None:
            self.not_determinable += 1
            return
        forecast = Forecast({ranked.cause: ranked.confidence for ranked in ranking}, row.cause)
        leader = forecast.leader
        self.scored += 1
        self.right += leader == row.cause
        self.squared_errors += scoring.squared_error(forecast)
        self.surprises += scoring.surprise(forecast)
        self.bins.add(forecast.ranking[leader], right=leader == row.cause)
        self.pairs[leader, row.cause] += 1

    def mean(self, total: float) -> float | None:
        return _short(total / self.scored) if self.scored else None


class _Ranking(msgspec.Struct):
    ranking: list[Ranked]


_decode = msgspec.json.Decoder(_Ranking).decode


async def calibration(
    conn: AsyncConnection, wanted: DecisionFilter, basis: Basis | None = None
) -> list[Calibration]:
    """Figures for each rule table, status and engine among the decisions that match and stand; by verdicts on
    this basis only.
    """
    tallies: dict[tuple[int, str, str], _Tally] = {}
    async for batch in statistics.judged_decisions(conn, wanted, basis):
        for row in batch:
            tallies.setdefault((row.rule_table, row.status, row.engine), _Tally()).add(
                row, _decode(row.answer).ranking
            )
    standing = await statistics.standing(conn, wanted)
    return [
        _figures(group, tallies.get((group.rule_table, group.status, group.engine), _Tally()))
        for group in standing
    ]


def _figures(group: statistics.Coverage, tally: _Tally) -> Calibration:
    bins = tally.bins.bins_so_far()
    return Calibration(
        rule_table=group.rule_table,
        status=group.status,
        engine=group.engine,
        coverage=interval(tally.basis.total(), group.count),
        not_determinable=tally.not_determinable,
        basis=dict(sorted(tally.basis.items())),
        right=interval(tally.right, tally.scored),
        brier=tally.mean(tally.squared_errors),
        log_loss=tally.mean(tally.surprises),
        calibration_error=_short(scoring.calibration_error(bins)),
        reliability=[
            Reliability(
                row.above, row.up_to, _short(row.mean_confidence), interval(row.right.hits, row.right.n)
            )
            for row in bins
        ],
        confusion=[
            Confused(answered, true, n)
            for (answered, true), n in sorted(tally.pairs.items(), key=lambda pair: (-pair[1], pair[0]))
        ],
    )


def _short(value: float | None) -> float | None:
    return None if value is None else round(value, 6)
