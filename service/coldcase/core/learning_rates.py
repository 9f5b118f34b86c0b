"""Base rates from judged cases: a Dirichlet prior worth so many cases on how often each cause is met.

Where a table has base rates of its own for some machines, a rate is in force on some machines and not on
others, and what is expected of it depends on those beside it; then each rate is multiplied by what maximises
the posterior under a Gamma prior of the same worth, found by iteration. With one kind of machine both are the
same, (strength x share + judged) / (strength + all judged), shared out among the rates that are touched.
"""

from collections import Counter
from collections.abc import Mapping
from typing import NamedTuple

from coldcase.core.conditions import names_machine, passes_gate
from coldcase.core.machine_model import MachineKind
from coldcase.core.rule_table import UNLISTED, RuleTable
from coldcase.core.verdict_counts import GENERAL

ROUNDS = 200
"""More than the rates take to settle to the last digit that is kept."""


class RateKey(NamedTuple):
    """A base rate: the general one of a cause, or that of an override by its place."""

    block: int
    cause: str


class LearnedRate(NamedTuple):
    """A rate that is touched: how many cases were judged where it is in force, of its cause and of all, and
    what it becomes, unrounded.
    """

    judged: int
    of: int
    rate: float


class _Machine(NamedTuple):
    """One kind of machine: which rate holds for each cause it can have, and how many cases were judged."""

    rates: dict[str, RateKey]
    judged: dict[str, int]


def learned_rates(
    table: RuleTable, judged: Mapping[tuple[str, MachineKind], int], *, strength: float, least: int
) -> dict[RateKey, LearnedRate]:
    """The rates of which `least` cases or more were judged. `strength` is what all rates together are worth.

    The others keep their share of all failures, too.
    """
    machines = _machines(table, judged)
    seen: Counter[RateKey] = Counter()
    among: Counter[RateKey] = Counter()
    for machine in machines:
        for cause, key in machine.rates.items():
            seen[key] += machine.judged.get(cause, 0)
            among[key] += sum(machine.judged.values())
    touched = sorted(key for key, n in seen.items() if n >= least)
    before = {key: rate_of(key, table) for machine in machines for key in machine.rates.values()}
    prior = _prior_counts(machines, before, strength, touched)
    factors = dict.fromkeys(touched, 1.0)
    for _ in range(ROUNDS):
        expected = _expected(machines, before, factors)
        factors = {key: (seen[key] + prior[key]) / (expected[key] + prior[key]) for key in touched}
    return {key: LearnedRate(seen[key], among[key], before[key] * factors[key]) for key in touched}


def rate_of(key: RateKey, table: RuleTable) -> float:
    """A rate as the table has it."""
    rates = table.base_rates if key.block == GENERAL else table.base_rate_overrides[key.block].rates
    return rates[key.cause]


def _machines(table: RuleTable, judged: Mapping[tuple[str, MachineKind], int]) -> list[_Machine]:
    by_machine: dict[MachineKind, dict[str, int]] = {}
    for (cause, machine), n in judged.items():
        by_machine.setdefault(machine, {})[cause] = n
    found = []
    for machine in sorted(by_machine, key=str):
        possible = [code for code, cause in table.causes.items() if passes_gate(cause.gate, *machine)]
        rates = {cause: RateKey(GENERAL, cause) for cause in (*possible, UNLISTED)}
        for place, override in enumerate(table.base_rate_overrides):
            if names_machine(override.when, machine):
                rates |= {cause: RateKey(place, cause) for cause in override.rates if cause in rates}
        found.append(_Machine(rates, by_machine[machine]))
    return found


def _prior_counts(
    machines: list[_Machine], before: Mapping[RateKey, float], strength: float, touched: list[RateKey]
) -> dict[RateKey, float]:
    """What each rate is worth in cases: the strength times its mean share where it is in force."""
    shares: dict[RateKey, float] = {}
    cases: Counter[RateKey] = Counter()
    for machine in machines:
        total = sum(before[key] for key in machine.rates.values())
        n = sum(machine.judged.values())
        for key in machine.rates.values():
            shares[key] = shares.get(key, 0.0) + n * before[key] / total
            cases[key] += n
    return {key: strength * shares[key] / cases[key] for key in touched}


def _expected(
    machines: list[_Machine], before: Mapping[RateKey, float], factors: Mapping[RateKey, float]
) -> dict[RateKey, float]:
    """How many cases each touched rate would have as it was, among those of rates that are touched."""
    expected = dict.fromkeys(factors, 0.0)
    for machine in machines:
        held = {cause: key for cause, key in machine.rates.items() if key in factors}
        total = sum(before[key] * factors[key] for key in held.values())
        n = sum(machine.judged.get(cause, 0) for cause in held)
        for key in held.values():
            expected[key] += n * before[key] / total
    return expected
