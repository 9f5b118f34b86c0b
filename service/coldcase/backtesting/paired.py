"""Two answers to the same case beside what was established: scores before and after, and the difference
between them. Pure.

Brier (1950) and logarithmic scores are means with an interval by the normal approximation of the mean,
shares have Wilson's; whether more cases are right is McNemar's (1947) test in its exact form, a binomial
test of the pairs of which one is right and the other is not.
"""

from collections.abc import Iterable
from math import sqrt

import msgspec

from coldcase.core.rule_table import UNDETERMINED, UNLISTED
from coldcase.core.short_answers import ShortAnswer
from coldcase.feedback.calibrating import Interval, Reliability, interval
from coldcase.feedback.scoring import Z_95, Bins, Forecast, calibration_error, squared_error, surprise


class Estimate(msgspec.Struct, frozen=True):
    """A mean with its 95 % interval; null where nothing, or too little, was counted."""

    mean: float | None
    low: float | None
    high: float | None


class Scores(msgspec.Struct, frozen=True, kw_only=True):
    """How good one side's answers were.

    `right`: the established cause was named, or, where the table does not know it, none was; `wrong`:
    another cause was named; `refused`: none was, though there is one. Brier score (0 best, 2 worst), log
    loss in nats, calibration error and reliability are those of the calibration of `GET
    /v1/statistics/calibration`.
    """

    right: Interval
    wrong: Interval
    refused: Interval
    brier: Estimate
    log_loss: Estimate
    calibration_error: float | None
    reliability: list[Reliability]


class PairedDifference(msgspec.Struct, frozen=True, kw_only=True):
    """After less before, case by case: of the scores, less is better.

    `p_value` is that of McNemar's exact test, two-sided: how likely so uneven a split of the pairs in which
    one side alone is right would be if both were right as often.
    """

    right_before_only: int
    right_after_only: int
    p_value: float
    brier: Estimate
    log_loss: Estimate


class VerdictFigures(msgspec.Struct, frozen=True, kw_only=True):
    """By what was established: how many cases had a cause established, of how many nobody could say one."""

    judged: int
    not_determinable: int
    before: Scores
    after: Scores
    difference: PairedDifference


SUMMABLE = 2.0**30


def summable(value: float) -> float:
    """A value to a thousand millionth, as a multiple of 2^-30. Up to eight million, sums of such are exact:
    they are the same in whatever order and in whatever pieces they are added.
    """
    return round(value * SUMMABLE) / SUMMABLE


class Moments(msgspec.Struct):
    """Sums from which a mean and its interval follow, the same in whatever order values are added."""

    n: int = 0
    total: float = 0.0
    squares: float = 0.0

    def add(self, value: float) -> None:
        """Counts one value."""
        self.n += 1
        self.total += summable(value)
        self.squares += summable(value * value)

    def merge(self, other: "Moments") -> None:
        """Adds other values."""
        self.n += other.n
        self.total += other.total
        self.squares += other.squares

    def estimate(self) -> Estimate:
        """The mean and its interval, which takes two values."""
        if self.n == 0:
            return Estimate(None, None, None)
        mean = self.total / self.n
        if self.n == 1:
            return Estimate(_short(mean), None, None)
        variance = max(0.0, self.squares - self.n * mean * mean) / (self.n - 1)
        half = Z_95 * sqrt(variance / self.n)
        return Estimate(_short(mean), _short(mean - half), _short(mean + half))


class SideTally(msgspec.Struct):
    """Running counts of one side."""

    right: int = 0
    wrong: int = 0
    refused: int = 0
    brier: Moments = msgspec.field(default_factory=Moments)
    log_loss: Moments = msgspec.field(default_factory=Moments)
    held: list[int] = msgspec.field(default_factory=lambda: [0] * 10)
    hits: list[int] = msgspec.field(default_factory=lambda: [0] * 10)
    sums: list[float] = msgspec.field(default_factory=lambda: [0.0] * 10)

    def add(self, answer: ShortAnswer, established: frozenset[str]) -> tuple[bool, float, float] | None:
        """Counts one answer; whether it was right, and its scores where one cause alone is established."""
        right = is_right(answer, established)
        if right:
            self.right += 1
        elif answer.cause == UNDETERMINED:
            self.refused += 1
        else:
            self.wrong += 1
        causes = established - {UNDETERMINED}
        if len(causes) != 1 or not answer.ranking:
            return None
        forecast = Forecast(answer.ranking, next(iter(causes)))
        squared, surprised = squared_error(forecast), surprise(forecast)
        self.brier.add(squared)
        self.log_loss.add(surprised)
        bins = self.bins()
        leader = forecast.leader
        bins.add(answer.ranking[leader], right=leader == forecast.truth)
        self.held, self.hits, self.sums = bins.held, bins.hits, [summable(one) for one in bins.sums]
        return right, squared, surprised

    def merge(self, other: "SideTally") -> None:
        """Adds other cases."""
        self.right += other.right
        self.wrong += other.wrong
        self.refused += other.refused
        self.brier.merge(other.brier)
        self.log_loss.merge(other.log_loss)
        self.held = [one + more for one, more in zip(self.held, other.held, strict=True)]
        self.hits = [one + more for one, more in zip(self.hits, other.hits, strict=True)]
        self.sums = [one + more for one, more in zip(self.sums, other.sums, strict=True)]

    def bins(self) -> Bins:
        """The counts by confidence."""
        bins = Bins(len(self.held))
        bins.held, bins.hits, bins.sums = self.held, self.hits, self.sums
        return bins

    def scores(self) -> Scores:
        """The figures so far."""
        judged = self.right + self.wrong + self.refused
        rows = self.bins().bins_so_far()
        return Scores(
            right=interval(self.right, judged),
            wrong=interval(self.wrong, judged),
            refused=interval(self.refused, judged),
            brier=self.brier.estimate(),
            log_loss=self.log_loss.estimate(),
            calibration_error=_short(calibration_error(rows)),
            reliability=[
                Reliability(
                    row.above, row.up_to, _short(row.mean_confidence), interval(row.right.hits, row.right.n)
                )
                for row in rows
                if row.right.n
            ],
        )


class PairTally(msgspec.Struct):
    """Running counts of both sides, no more memory for a million cases than for one."""

    not_determinable: int = 0
    right_before_only: int = 0
    right_after_only: int = 0
    before: SideTally = msgspec.field(default_factory=SideTally)
    after: SideTally = msgspec.field(default_factory=SideTally)
    brier: Moments = msgspec.field(default_factory=Moments)
    log_loss: Moments = msgspec.field(default_factory=Moments)

    def add(self, before: ShortAnswer, after: ShortAnswer, established: frozenset[str]) -> None:
        """Counts one case; without anything in `established` nobody could say a cause."""
        if not established:
            self.not_determinable += 1
            return
        one, other = self.before.add(before, established), self.after.add(after, established)
        was, became = is_right(before, established), is_right(after, established)
        self.right_before_only += was and not became
        self.right_after_only += became and not was
        if one is not None and other is not None:
            self.brier.add(other[1] - one[1])
            self.log_loss.add(other[2] - one[2])

    def merge(self, other: "PairTally") -> None:
        """Adds other cases."""
        self.not_determinable += other.not_determinable
        self.right_before_only += other.right_before_only
        self.right_after_only += other.right_after_only
        self.before.merge(other.before)
        self.after.merge(other.after)
        self.brier.merge(other.brier)
        self.log_loss.merge(other.log_loss)

    def figures(self) -> VerdictFigures | None:
        """The figures so far; None without any verdict."""
        judged = self.before.right + self.before.wrong + self.before.refused
        if not judged and not self.not_determinable:
            return None
        return VerdictFigures(
            judged=judged,
            not_determinable=self.not_determinable,
            before=self.before.scores(),
            after=self.after.scores(),
            difference=PairedDifference(
                right_before_only=self.right_before_only,
                right_after_only=self.right_after_only,
                p_value=mcnemar(self.right_before_only, self.right_after_only),
                brier=self.brier.estimate(),
                log_loss=self.log_loss.estimate(),
            ),
        )


def is_right(answer: ShortAnswer, established: frozenset[str]) -> bool:
    """Whether the code is an established one; of a cause that the table does not know, whether none is
    named.
    """
    return answer.cause in established or (answer.cause == UNDETERMINED and UNLISTED in established)


def mcnemar(one: int, other: int) -> float:
    """The two-sided p-value of McNemar's exact test, of the pairs of which one side alone is right."""
    pairs = one + other
    within, ways = 0, 1
    for k in range(min(one, other) + 1):
        within += ways
        ways = ways * (pairs - k) // (k + 1)
    # Whole numbers of any size, divided once: exact to the last digit of the result.
    return min(1.0, 2 * within / 2**pairs) if pairs < 1000 else min(1.0, _ratio(2 * within, pairs))


def _ratio(count: int, exponent: int) -> float:
    """`count / 2**exponent` where neither need fit a float."""
    extra = max(0, count.bit_length() - 64)
    return float(count >> extra) * 2.0 ** (extra - exponent) if extra - exponent > -1022 else 0.0


def _short(value: float | None) -> float | None:
    return None if value is None else round(value, 6)


def merged(causes: Iterable[str], renamed: dict[str, str]) -> frozenset[str]:
    """Causes with the names that they have since."""
    return frozenset(renamed.get(cause, cause) for cause in causes)
