"""What learning costs, and what it does to answers: `python -m tests.scale.learning [--cases N] [--shift S]`.

Invented cases are drawn from a truth: the starter table with every row mixed with chance, `--shift` of it,
and base rates multiplied by up to four. Each has a dozen findings looked at, on one of fifty circuits.
"""

import argparse
import json
import random
import time
from datetime import timedelta
from typing import Any
from uuid import UUID

from coldcase.backtesting.paired import Scores, VerdictFigures
from coldcase.clock import now
from coldcase.core.checking import flaws
from coldcase.core.compiled_table import compile_table
from coldcase.core.conditions import machine_of, passes_gate
from coldcase.core.learning import PriorStrength
from coldcase.core.rule_table import RuleTable, table_digest
from coldcase.db.proposals import JudgedCase
from coldcase.proposing.learner import Learner
from coldcase.proposing.summary import draft_note
from coldcase.shipped import starter_table
from tests.core.tables import MACHINES, case_of

LOOKED_AT = 12
PAGE = 200


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument("--shift", type=float, default=0.3)
    parser.add_argument("--row-strength", type=float, default=PriorStrength().rows)
    args = parser.parse_args()
    table = starter_table()
    cases = [*drawn(table, args.cases, args.shift)]
    base = compile_table(table, version=None, digest=table_digest(table))
    base.make_models()
    learner = Learner(base, [case for case, _ in cases], PriorStrength(rows=args.row_strength))
    pages = [cases[start : start + PAGE] for start in range(0, len(cases), PAGE)]
    spent = {"counted": timed(lambda: [learner.count(page) for page in pages])}
    spent["fitted"] = timed(learner.fit)
    spent["tried"] = timed(lambda: [learner.try_out(page) for page in pages])
    learned, summary = learner.result({})
    for name, seconds in spent.items():
        print(f"{name:8} {seconds:6.1f} s, {1000 * seconds / len(cases):.2f} ms a case")
    print(f"flaws    {len([*flaws(learned.table)])}")
    for name in ("times", "circuits"):
        figures = getattr(summary, name)
        if figures is not None:
            shown(name, figures)
    if summary.circuits_kept_temperature is not None:
        print(f"  kept    {scored(summary.circuits_kept_temperature.after)}")
    print(draft_note(summary, 1))


def timed(work: Any) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def shown(name: str, figures: VerdictFigures) -> None:
    print(f"{name}: {figures.judged} left out, McNemar p {figures.difference.p_value:.3g}")
    for side, scores in (("before", figures.before), ("after", figures.after)):
        print(f"  {side:7} {scored(scores)}")


def scored(scores: Scores) -> str:
    return (
        f"right {scores.right.count}, wrong {scores.wrong.count}, refused {scores.refused.count}, "
        f"Brier {scores.brier.mean:.4f}, log loss {scores.log_loss.mean:.4f}, "
        f"calibration error {scores.calibration_error:.4f}"
    )


def drawn(table: RuleTable, number: int, shift: float) -> Any:
    """Judged cases with their texts."""
    chance = random.Random(11)
    rates = {cause: rate * 4 ** chance.uniform(-1, 1) for cause, rate in table.base_rates.items()}
    truth: dict[tuple[str, str], list[float]] = {}
    for number_of in range(number):
        unit = chance.choice(MACHINES)
        machine = machine_of(case_of(unit=unit).unit)
        possible = [
            cause
            for cause in rates
            if cause not in table.causes or passes_gate(table.causes[cause].gate, *machine)
        ]
        cause = chance.choices(possible, [rates[one] for one in possible])[0]
        observations = seen_of_cause(table, cause, machine, truth, chance, shift)
        at = now() - timedelta(days=1000 * (1 - number_of / number))
        case = JudgedCase(UUID(int=number_of), 1, f"circuit {chance.randrange(50)}", at, cause)
        yield case, json.dumps({"unit": unit, "observations": observations})


def seen_of_cause(
    table: RuleTable, cause: str, machine: Any, truth: Any, chance: random.Random, shift: float
) -> dict[str, Any]:
    asked = [
        code
        for code, row in table.findings.items()
        if passes_gate(row.gate, *machine) and row.succeeded_by is None
    ]
    # Where the cause has a row is looked more often than elsewhere, as people do.
    weights = [3.0 if cause in table.findings[code].per_hundred else 1.0 for code in asked]
    seen: dict[str, Any] = {}
    for code in dict.fromkeys(chance.choices(asked, weights, k=LOOKED_AT)):
        row = table.findings[code]
        shares = truth.get((code, cause))
        if shares is None:
            shares = truth[code, cause] = shifted(
                row.per_hundred.get(cause, row.background), row.kind, chance, shift
            )
        fits = [passes_gate(outcome.gate, *machine) for outcome in row.outcomes]
        named = [outcome.code for outcome in row.outcomes]
        if row.kind == "one":
            if sum(fits) > 1:
                seen[code] = chance.choices(
                    named, [share * fit for share, fit in zip(shares, fits, strict=True)]
                )[0]
            continue
        there = [chance.random() < share / 100 for share in shares]
        lists = {
            "seen": [sign for sign, is_, fit in zip(named, there, fits, strict=True) if is_ and fit],
            "not_seen": [sign for sign, is_, fit in zip(named, there, fits, strict=True) if fit and not is_],
        }
        if any(fits):
            seen[code] = {name: signs[:20] for name, signs in lists.items() if signs}
    return seen


def shifted(shares: list[float], kind: str, chance: random.Random, shift: float) -> list[float]:
    other = [chance.expovariate(1) for _ in shares]
    whole = sum(other) if kind == "one" else max(other) * 2
    return [(1 - shift) * share + shift * 100 * one / whole for share, one in zip(shares, other, strict=True)]


if __name__ == "__main__":
    main()
