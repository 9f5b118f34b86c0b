"""Whole-number arithmetic against the decimal module and plain floats."""

import math
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.fixed_point import (
    BAN,
    TEN_THOUSAND,
    fine_logs,
    from_fine,
    halves_to_even,
    halves_up,
    log10,
    millionths,
    relative_shares,
    ten_thousandths,
)
from tests.core.tables import modest


def test_fine_logarithms_are_those_of_the_math_library() -> None:
    logs = fine_logs()
    assert len(logs) == TEN_THOUSAND + 1
    assert (logs[1:] / 1e15).tolist() == pytest.approx(
        [math.log10(n) for n in range(1, TEN_THOUSAND + 1)], abs=1e-14
    )


def test_fine_logarithms_of_powers_of_ten_are_exact() -> None:
    assert [int(fine_logs()[10**k]) for k in range(5)] == [k * 10**15 for k in range(5)]


@modest
@given(
    values=st.lists(st.integers(-(10**17), 10**17), min_size=1, max_size=20),
    denominator=st.sampled_from([1, 2, 10, 1000, 1100, 10**6, 7]),
)
def test_halves_go_to_the_even_neighbour_as_the_decimal_module_has_it(
    values: list[int], denominator: int
) -> None:
    expected = [int((Decimal(value) / denominator).to_integral_value(ROUND_HALF_EVEN)) for value in values]
    assert halves_to_even(np.array(values), denominator).tolist() == expected


def test_halves_up_go_to_the_upper_neighbour() -> None:
    assert halves_up(np.array([-7, -5, -3, -2, -1, 1, 2, 3, 5]), 2).tolist() == [
        -3,
        -2,
        -1,
        -1,
        0,
        1,
        1,
        2,
        3,
    ]
    assert halves_up(np.array([1, 2, 3, 4]), 3).tolist() == [0, 1, 1, 1]


def test_exact_halves_of_either_sign_go_to_the_even_neighbour() -> None:
    assert halves_to_even(np.array([-7, -5, -3, -1, 1, 3, 5, 7]), 2).tolist() == [-4, -2, -2, 0, 0, 2, 2, 4]


@modest
@given(st.lists(st.integers(-40 * BAN, 40 * BAN), min_size=1, max_size=31))
def test_relative_shares_are_powers_of_ten_of_the_distance_to_the_best(scores: list[int]) -> None:
    best = max(scores)
    expected = [10 ** ((score - best) / BAN) for score in scores]
    assert (relative_shares(np.array(scores)) / 2**30).tolist() == pytest.approx(expected, abs=1e-8)


def test_the_best_has_the_whole_share_and_one_ban_less_a_tenth() -> None:
    assert relative_shares(np.array([5 * BAN, 4 * BAN, 5 * BAN])).tolist() == [2**30, 2**30 // 10, 2**30]


def test_shares_that_no_decimal_would_show_are_nothing() -> None:
    assert relative_shares(np.array([0, -10 * BAN, -400 * BAN])).tolist() == [2**30, 0, 0]


@modest
@given(st.lists(st.integers(1, 2**30), min_size=1, max_size=31))
def test_ten_thousandths_round_each_share_half_up(shares: list[int]) -> None:
    total = sum(shares)
    expected = [
        int((Decimal(share * TEN_THOUSAND) / total).to_integral_value(ROUND_HALF_UP)) for share in shares
    ]
    found = ten_thousandths(np.array(shares)).tolist()
    assert found == expected
    assert abs(sum(found) - TEN_THOUSAND) <= len(shares) / 2


@modest
@given(st.lists(st.lists(st.integers(-20 * BAN, 0), min_size=4, max_size=4), min_size=1, max_size=8))
def test_many_cases_at_once_get_the_digits_of_each_alone(rows: list[list[int]]) -> None:
    together = ten_thousandths(relative_shares(np.array(rows)))
    assert together.tolist() == [ten_thousandths(relative_shares(np.array(row))).tolist() for row in rows]


def test_factors_are_read_as_the_decimals_that_people_write() -> None:
    assert [millionths(factor) for factor in (0.15, 0.1, 0.7, 1, 0, 0.000001, 0.29)] == [
        150_000,
        100_000,
        700_000,
        10**6,
        0,
        1,
        290_000,
    ]


@modest
@given(st.integers(1, 10**9))
def test_logarithms_are_nanobans(value: int) -> None:
    assert log10(value) == pytest.approx(math.log10(value) * BAN, abs=0.51)


def test_fine_logarithms_become_nanobans_by_the_same_rounding() -> None:
    assert from_fine(np.array([1_500_000, 2_500_000, -500_000, 2_499_999])).tolist() == [2, 2, 0, 2]
