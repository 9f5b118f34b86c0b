"""How good stated confidences were, once the causes are known: proper scores, reliability, confusion,
intervals.

Brier (1950) in its sum form over all causes, the logarithmic score (Good 1952), Wilson's (1927) interval for
a share.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import log, sqrt

LEAST_CONFIDENCE = 0.00005
"""Confidences have four decimals: one that is stated as zero is taken as half of the last digit, so its
logarithm exists."""

Z_95 = 1.959963984540054
"""The standard normal's 97.5th percentile: intervals are of 95 %."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """A ranking (cause to confidence, which sum to one) and the cause that was established later."""

    ranking: Mapping[str, float]
    truth: str

    @property
    def leader(self) -> str:
        """The cause that was ranked first; of equals the first by code."""
        return min(self.ranking, key=lambda cause: (-self.ranking[cause], cause))


@dataclass(frozen=True, slots=True)
class Proportion:
    """`hits` of `n`, and the 95 % interval of the share behind them; without trials all three are unknown."""

    hits: int
    n: int
    share: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Bin:
    """Forecasts whose confidence lies above `above` and not above `up_to`: how sure they were, how often they
    were right.
    """

    above: float
    up_to: float
    mean_confidence: float | None
    right: Proportion


class Bins:
    """Running counts in equal right-closed bins (zero lies in the first): no more memory for a million
    forecasts than for one.
    """

    def __init__(self, number: int = 10) -> None:
        self.edges = [(k + 1) / number for k in range(number)]
        self.held, self.hits, self.sums = [0] * number, [0] * number, [0.0] * number

    def add(self, confidence: float, *, right: bool) -> None:
        """Counts one forecast."""
        k = min(bisect_left(self.edges, confidence), len(self.edges) - 1)
        self.held[k] += 1
        self.hits[k] += right
        self.sums[k] += confidence

    def bins_so_far(self) -> list[Bin]:
        """The bins so far."""
        return [
            Bin(
                above=k / len(self.edges),
                up_to=edge,
                mean_confidence=self.sums[k] / self.held[k] if self.held[k] else None,
                right=proportion(self.hits[k], self.held[k]),
            )
            for k, edge in enumerate(self.edges)
        ]


def brier(forecasts: Sequence[Forecast]) -> float | None:
    """Mean over forecasts of the sum over causes of (confidence - truth)²: 0 is perfect, 2 the worst. None
    without any.
    """
    return mean([squared_error(forecast) for forecast in forecasts])


def squared_error(forecast: Forecast) -> float:
    """One forecast's part in the Brier score."""
    stated = forecast.ranking.get(forecast.truth, 0.0)
    others = sum(p * p for cause, p in forecast.ranking.items() if cause != forecast.truth)
    return others + (1 - stated) ** 2


def log_loss(forecasts: Sequence[Forecast]) -> float | None:
    """Mean of -ln(confidence in what turned out true), in nats, none below `LEAST_CONFIDENCE`. None without
    any.
    """
    return mean([surprise(forecast) for forecast in forecasts])


def surprise(forecast: Forecast) -> float:
    """One forecast's part in the log loss."""
    return -log(max(forecast.ranking.get(forecast.truth, 0.0), LEAST_CONFIDENCE))


def mean(values: Sequence[float]) -> float | None:
    """The mean; None of nothing."""
    return sum(values) / len(values) if values else None


def proportion(hits: int, n: int) -> Proportion:
    """`hits` of `n` with Wilson's score interval, without continuity correction."""
    if n == 0:
        return Proportion(hits, n, None, None, None)
    p, z2 = hits / n, Z_95 * Z_95
    centre = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = Z_95 * sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    low, high = max(0.0, centre - half), min(1.0, centre + half)
    return Proportion(hits, n, p, 0.0 if hits == 0 else low, 1.0 if hits == n else high)


def reliability(stated: Iterable[tuple[float, bool]], bins: int = 10) -> list[Bin]:
    """Confidence against frequency of being right, in equal right-closed bins (zero lies in the first)."""
    counted = Bins(bins)
    for confidence, right in stated:
        counted.add(confidence, right=right)
    return counted.bins_so_far()


def calibration_error(bins: Sequence[Bin]) -> float | None:
    """The expected calibration error: the gap between confidence and frequency, averaged by what is in each
    bin.
    """
    n = sum(row.right.n for row in bins)
    gaps = [
        row.right.n * abs(row.right.share - row.mean_confidence)
        for row in bins
        if row.right.share is not None and row.mean_confidence is not None
    ]
    return sum(gaps) / n if n else None


def confusion(forecasts: Iterable[Forecast]) -> list[tuple[str, str, int]]:
    """(leader, established cause, how often), the most frequent first, then by code."""
    counted = Counter((forecast.leader, forecast.truth) for forecast in forecasts)
    return sorted(
        ((answered, true, n) for (answered, true), n in counted.items()),
        key=lambda row: (-row[2], row[0], row[1]),
    )
