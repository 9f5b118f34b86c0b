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

_FINE = 10**15
_ONE = 1 << 30
_DECIMAL = Context(prec=24)


def halves_to_even(numerator: Ints, denominator: int) -> Ints:
    """`numerator / denominator` of an array, rounded half to even; `denominator` is above 0."""
    quotient, rest = np.divmod(numerator, denominator)
    return np.asarray(quotient + (2 * rest + (quotient & 1) > denominator))


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
    """10^(-k/10^3), 10^(-k/10^6), 10^(-k/10^9) for k = 0 … 999, in units of 2^-30."""

    def column(step: int) -> Ints:
        exponents = (Decimal(-k).scaleb(-step) for k in range(1000))
        return np.array([int((_DECIMAL.power(Decimal(10), e) * _ONE).to_integral_value()) for e in exponents])

    return column(3), column(6), column(9)


def relative_shares(scores: Ints) -> Ints:
    """10^(score - best) for scores in nanobans along the last axis, in units of 2^-30; what is below 10^-9 is
    0.
    """
    thousandths, millionths_, billionths = _powers()
    below = scores.max(axis=-1, keepdims=True) - scores
    whole, rest = below // BAN, below % BAN
    high, middle, low = rest // 10**6, rest // 10**3 % 1000, rest % 1000
    power = (thousandths[high] * millionths_[middle]) >> 30
    power = (power * billionths[low]) >> 30
    return np.asarray(np.where(whole > 9, 0, power // 10 ** np.minimum(whole, 9)))


def ten_thousandths(shares: Ints) -> Ints:
    """Each share of the sum along the last axis, in ten-thousandths, rounded half to even."""
    total = shares.sum(axis=-1, keepdims=True)
    quotient, rest = np.divmod(shares * TEN_THOUSAND, total)
    return np.asarray(quotient + (2 * rest + (quotient & 1) > total))
