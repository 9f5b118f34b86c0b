"""Logarithms and shares in whole numbers, so that every machine gets the same digits.

Weights are integers of one nanoban (10^-9 ban; 10^8 to the deciban). A thousandth of a microban is fine
enough that the sum over 200 findings, each rounded three times, still agrees with exact arithmetic to 10^-6
of a probability.
"""

from decimal import Context, Decimal
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]

BAN = 10**9
DECIBAN = BAN // 10
MILLION = 10**6
"""Factors (what a discount keeps, how a group decays, base rates) are whole millionths."""

TEN_THOUSAND = 10_000
"""Natural frequencies are hundredths of one in 100, so a row sums to this."""

_COUNTED_BANS = 10
"""Shares below 10^-10 of the best are nothing."""

_FINE = 10**15
_ONE = 1 << 30
_DECIMAL = Context(prec=24)


def halves_to_even(numerator: Ints, denominator: int) -> Ints:
    """`numerator / denominator` of an array, rounded half to even; `denominator` is above 0."""
    quotient, rest = np.divmod(numerator, denominator)
    return np.asarray(quotient + (2 * rest + (quotient & 1) > denominator))


def halves_up(numerator: Ints, denominator: int | Ints, times: int | Ints = 1) -> Ints:
    """`times * numerator / denominator` of an array, rounded half up; `denominator` is above 0."""
    return np.asarray((numerator * (2 * times) + denominator) // (2 * denominator))


@lru_cache(maxsize=TEN_THOUSAND)
def millionths(factor: float) -> int:
    """A factor from 0 to 1 as whole millionths; it is read as the decimal that a person wrote."""
    return int((Decimal(repr(factor)) * MILLION).to_integral_value())


def log10(value: Decimal | int) -> int:
    """log10 in nanobans, rounded half to even."""
    return int((Decimal(value).log10(_DECIMAL) * BAN).to_integral_value())


@cache
def fine_logs() -> Ints:
    """log10(n) for n = 0 … 10,000 in 10^-15 ban; entry 0 is never used (no possible cell is zero)."""
    return np.array(
        [0]
        + [int((Decimal(n).log10(_DECIMAL) * _FINE).to_integral_value()) for n in range(1, TEN_THOUSAND + 1)]
    )


def from_fine(fine: Ints) -> Ints:
    """10^-15 ban to nanobans."""
    return halves_to_even(fine, _FINE // BAN)


@cache
def _powers() -> tuple[Ints, Ints, Ints]:
    """10^(-k/10^3), then 10^(-k/10^6) and 10^(-k/10^9) for k = 0 … 999, in units of 2^-30; the first column
    goes on until nothing is left.
    """

    def column(step: int) -> Ints:
        exponents = (Decimal(-k).scaleb(-step) for k in range(1000))
        return np.array([int((_DECIMAL.power(Decimal(10), e) * _ONE).to_integral_value()) for e in exponents])

    thousandths = column(3)
    bans = [thousandths // 10**ban for ban in range(_COUNTED_BANS)]
    return np.concatenate([*bans, np.zeros(1, dtype=np.int64)]), column(6), column(9)


def relative_shares(scores: Ints) -> Ints:
    """10^(score - best) for scores in nanobans along the last axis, in units of 2^-30; what is too small for
    that is 0.
    """
    thousandths, millionths_, billionths = _powers()
    below = scores.max(axis=-1, keepdims=True) - scores
    high, rest = np.divmod(below, MILLION)
    middle, low = np.divmod(rest, 1000)
    power = (thousandths.take(high, mode="clip") * millionths_[middle]) >> 30
    return np.asarray((power * billionths[low]) >> 30)


def ten_thousandths(shares: Ints) -> Ints:
    """Each share of the sum along the last axis, in ten-thousandths, rounded half up."""
    return halves_up(shares, shares.sum(axis=-1, keepdims=True), TEN_THOUSAND)
