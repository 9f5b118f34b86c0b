"""Scores against published worked examples and against scikit-learn and SciPy."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from sklearn import metrics

from coldcase.feedback import scoring
from coldcase.feedback.scoring import Forecast

CAUSES = ("acid", "burnout", "moisture")


def forecasts(rows, truths):
    return [
        Forecast(dict(zip(CAUSES, row, strict=True)), CAUSES[truth])
        for row, truth in zip(rows, truths, strict=True)
    ]


def test_brier_in_its_sum_form_over_three_classes():
    found = scoring.brier(forecasts([[0.7, 0.2, 0.1], [0.1, 0.6, 0.3], [0.2, 0.2, 0.6]], [0, 1, 1]))
    assert found == pytest.approx(0.48, abs=1e-12)


def test_log_loss_over_three_classes():
    found = scoring.log_loss(forecasts([[0.7, 0.2, 0.1], [0.1, 0.6, 0.3], [0.2, 0.2, 0.6]], [0, 1, 1]))
    assert found == pytest.approx(0.825646, abs=1e-6)


def test_brier_of_two_classes_is_twice_the_binary_score_of_scikit_learns_documentation():
    y, p = [0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]
    two = [
        Forecast({"yes": chance, "no": 1 - chance}, "yes" if right else "no")
        for right, chance in zip(y, p, strict=True)
    ]
    assert scoring.brier(two) == pytest.approx(2 * 0.0375, abs=1e-12)


def test_brier_of_murphys_three_groups_of_forecasts():
    # reliability 0.018 - resolution 0.05 + uncertainty 0.25 (Murphy 1973), in the binary form
    groups = {0.1: [0, 0, 0, 1], 0.5: [0, 1], 0.9: [1, 1, 1, 0]}
    two = [
        Forecast({"yes": p, "no": 1 - p}, "yes" if o else "no") for p, seen in groups.items() for o in seen
    ]
    assert scoring.brier(two) / 2 == pytest.approx(0.218, abs=1e-12)


simplex = st.lists(st.integers(1, 1000), min_size=3, max_size=3).map(
    lambda row: [value / sum(row) for value in row]
)


@given(st.lists(st.tuples(simplex, st.integers(0, 2)), min_size=1, max_size=30))
def test_scores_agree_with_scikit_learn(rows):
    chances, truths = [row for row, _ in rows], [truth for _, truth in rows]
    ours = forecasts(chances, truths)
    assert scoring.log_loss(ours) == pytest.approx(
        metrics.log_loss(truths, chances, labels=[0, 1, 2]), rel=1e-9
    )
    assert scoring.brier(ours) == pytest.approx(
        metrics.brier_score_loss(truths, chances, labels=[0, 1, 2], scale_by_half=False), rel=1e-9
    )


@given(st.lists(st.tuples(simplex, st.integers(0, 2)), min_size=1, max_size=30))
def test_confusion_agrees_with_scikit_learn(rows):
    ours = forecasts([row for row, _ in rows], [truth for _, truth in rows])
    matrix = metrics.confusion_matrix(
        [row.truth for row in ours], [row.leader for row in ours], labels=CAUSES
    )
    counted = {(answered, true): n for answered, true, n in scoring.confusion(ours)}
    assert counted == {
        (CAUSES[j], CAUSES[i]): matrix[i][j] for i in range(3) for j in range(3) if matrix[i][j]
    }


def test_a_cause_that_the_ranking_does_not_hold_counts_as_the_least_confidence():
    [missed] = [Forecast({"acid": 1.0}, "burnout")]
    assert scoring.brier([missed]) == 2.0
    assert scoring.log_loss([missed]) == pytest.approx(-math.log(0.00005))


def test_without_forecasts_there_is_no_score():
    assert scoring.brier([]) is None
    assert scoring.log_loss([]) is None
    assert scoring.calibration_error(scoring.reliability([])) is None


def test_the_calibration_error_of_the_documented_example():
    # predictions and targets as in the documentation of torchmetrics' calibration error, two right-closed
    # bins, L1
    stated = [(0.25, False), (0.25, False), (0.55, True), (0.75, True), (0.75, True)]
    bins = scoring.reliability(stated, bins=2)
    assert [row.right.n for row in bins] == [2, 3]
    assert scoring.calibration_error(bins) == pytest.approx(0.29, abs=1e-12)


def test_bins_are_closed_on_the_right():
    stated = [(0.0, True)] + [(k / 10, True) for k in range(1, 11)]
    assert [row.right.n for row in scoring.reliability(stated)] == [2] + [1] * 9


@given(st.lists(st.tuples(st.integers(0, 10_000).map(lambda n: n / 10_000), st.booleans()), max_size=60))
def test_every_forecast_is_in_the_bin_that_its_edges_say(stated):
    bins = scoring.reliability(stated)
    assert sum(row.right.n for row in bins) == len(stated)
    for row in bins:
        inside = [p for p, _ in stated if row.above < p <= row.up_to or (p == 0 == row.above)]
        assert row.right.n == len(inside)


# Newcombe, R. G. (1998), Statistics in Medicine 17, 857-872, table I, method 3: Wilson's score interval
# without continuity correction.
@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0000, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_published_intervals_of_wilsons_method(hits, n, low, high):
    found = scoring.proportion(hits, n)
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)


@given(st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_interval_agrees_with_scipy(trial):
    hits, n = trial
    theirs = stats.binomtest(hits, n).proportion_ci(method="wilson")
    ours = scoring.proportion(hits, n)
    assert (ours.low, ours.high) == (
        pytest.approx(theirs.low, abs=1e-9),
        pytest.approx(theirs.high, abs=1e-9),
    )


def test_of_nothing_there_is_no_share():
    assert scoring.proportion(0, 0) == scoring.Proportion(0, 0, None, None, None)
