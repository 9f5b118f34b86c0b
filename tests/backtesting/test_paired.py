"""The figures of a paired comparison, against SciPy and by hand."""

import msgspec
import numpy as np
import pytest
from scipy import stats

from coldcase.backtesting.paired import Moments, PairTally, is_right, mcnemar
from coldcase.core.short_answers import ShortAnswer

PAIRS = [(0, 0), (0, 1), (1, 0), (3, 3), (2, 9), (25, 11), (120, 95), (480, 521), (700, 300), (2300, 2411)]


def says(cause: str, status: str = "coded", **ranking: float) -> ShortAnswer:
    return ShortAnswer(cause, status, max(ranking.values(), default=0.0), ranking, ())  # type: ignore[arg-type]


def known(*causes: str) -> frozenset[str]:
    return frozenset(causes)


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_mcnemar_is_the_exact_binomial_test_of_scipy(one: int, other: int) -> None:
    expected = stats.binomtest(one, one + other, 0.5).pvalue if one + other else 1.0
    assert mcnemar(one, other) == pytest.approx(expected, rel=1e-9)
    assert mcnemar(one, other) == mcnemar(other, one)


def test_a_difference_that_no_float_can_hold_is_nothing() -> None:
    assert mcnemar(0, 5000) == 0.0


def test_a_mean_and_its_interval_are_those_of_the_normal_approximation() -> None:
    values = np.random.default_rng(7).normal(0.2, 0.4, 900)
    moments = Moments()
    for value in values:
        moments.add(float(value))
    expected = stats.norm.interval(0.95, loc=values.mean(), scale=stats.sem(values))
    found = moments.estimate()
    assert (found.low, found.high) == pytest.approx(expected, abs=2e-6)
    bootstrapped = stats.bootstrap((values,), np.mean, n_resamples=2000, random_state=7).confidence_interval
    assert (found.low, found.high) == pytest.approx(tuple(bootstrapped), abs=0.004)


@pytest.mark.parametrize(
    ("answer", "established", "right"),
    [
        (says("moisture"), known("moisture"), True),
        (says("surge"), known("moisture"), False),
        (says("undetermined"), known("moisture"), False),
        (says("undetermined"), known("unlisted"), True),
        (says("surge"), known("unlisted"), False),
        (says("undetermined"), known("undetermined"), True),
        (says("surge"), known("surge", "moisture"), True),
    ],
)
def test_what_counts_as_right(answer: ShortAnswer, established: frozenset[str], right: bool) -> None:
    assert is_right(answer, established) is right


def test_both_sides_and_their_difference_by_hand() -> None:
    tally = PairTally()
    good, bad = says("surge", surge=0.9, moisture=0.1), says("moisture", surge=0.4, moisture=0.6)
    tally.add(bad, good, known("surge"))
    tally.add(good, good, known("surge"))
    tally.add(good, bad, known())
    # Carried on from what was written.
    tally = msgspec.json.decode(msgspec.json.encode(tally), type=PairTally)
    tally.add(good, says("undetermined", "undetermined", surge=0.5, moisture=0.5), known("surge"))

    found = tally.figures()

    assert (found.judged, found.not_determinable) == (3, 1)
    assert [(one.right.count, one.wrong.count, one.refused.count) for one in (found.before, found.after)] == [
        (2, 1, 0),
        (2, 0, 1),
    ]
    assert (found.difference.right_before_only, found.difference.right_after_only) == (1, 1)
    assert found.difference.p_value == 1.0
    before = (0.72 + 0.02 + 0.02) / 3
    after = (0.02 + 0.02 + 0.5) / 3
    assert found.before.brier.mean == pytest.approx(before, abs=1e-6)
    assert found.difference.brier.mean == pytest.approx(after - before, abs=1e-6)
    assert found.difference.log_loss.mean == pytest.approx(
        float(np.log(0.4) + np.log(0.9) - np.log(0.9) - np.log(0.5)) / 3, abs=1e-6
    )
    assert [(row.above, row.right.count, row.right.of) for row in found.before.reliability] == [
        (0.5, 0, 1),
        (0.8, 2, 2),
    ]


def test_of_several_right_causes_no_score_is_made() -> None:
    tally = PairTally()
    tally.add(says("surge", surge=0.9), says("surge", surge=0.8), known("surge", "moisture"))
    found = tally.figures()
    assert (found.after.right.count, found.after.brier.mean) == (1, None)
    assert PairTally().figures() is None
