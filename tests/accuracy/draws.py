"""Cases made worse: evidence dropped, one outcome wrong, the true cause taken out of the table."""

import copy
import random
from collections.abc import Iterator
from functools import cache
from typing import Any

import msgspec

from coldcase.core.case import Unit
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.conditions import machine_of
from coldcase.core.rule_table import NO_FAULT, UNDETERMINED, RuleTable
from tests.accuracy.cases import Judged, Truth, answered, starter

DRAWS = 5
DROPPED = 0.3
PARTS = ("observations", "readings", "oil_results")
HANDLING = {"altitude_m", "barometric_pressure", "density_kg_l", "sampled_at"}


def dropped(truths: list[Truth]) -> Iterator[Judged]:
    """Each case five times, each time without three in ten of what was observed and measured."""
    for truth in truths:
        for draw in range(DRAWS):
            chance = random.Random(f"dropped {truth.id} {draw}")
            case = copy.deepcopy(truth.case)
            for part in PARTS:
                case[part] = {
                    name: value
                    for name, value in case.get(part, {}).items()
                    if name in HANDLING or chance.random() >= DROPPED
                }
            yield answered(truth, starter(), case)


def one_wrong(truths: list[Truth]) -> Iterator[Judged]:
    """Each case five times, each time with one outcome replaced by another that the machine can have."""
    for truth in truths:
        for draw in range(DRAWS):
            chance = random.Random(f"wrong {truth.id} {draw}")
            case = _with_one_wrong(truth.case, chance)
            if case is not None:
                yield answered(truth, starter(), case)


def _with_one_wrong(sent: dict[str, Any], chance: random.Random) -> dict[str, Any] | None:
    case = copy.deepcopy(sent)
    observations = case.get("observations", {})
    for code in chance.sample(sorted(observations), len(observations)):
        wrong = _another(case, code, observations[code], chance)
        if wrong is not None:
            observations[code] = wrong
            return case
    return None


def _another(case: dict[str, Any], code: str, said: Any, chance: random.Random) -> Any:
    """Another outcome; of signs one is turned round."""
    compiled = starter()
    if code not in compiled.table.findings:
        return None
    unit = msgspec.convert(case["unit"], Unit)
    possible = compiled.possible(code, compiled.model_for(machine_of(unit)))
    if compiled.table.findings[code].kind == "one":
        named = said.get("outcome") if isinstance(said, dict) else said
        others = sorted(possible - ({named} if isinstance(named, str) else set(named or ())))
        return chance.choice(others) if others else None
    signs = said if isinstance(said, dict) else {"seen": said}
    seen = signs.get("seen") or signs.get("outcome") or []
    seen = [seen] if isinstance(seen, str) else list(seen)
    absent = list(signs.get("not_seen", []))
    turned = chance.choice(sorted((*seen, *absent)))
    seen, absent = (
        [sign for sign in seen if sign != turned] + ([turned] if turned in absent else []),
        [sign for sign in absent if sign != turned] + ([turned] if turned in seen else []),
    )
    return {name: told for name, told in (("seen", seen), ("not_seen", absent)) if told}


def cause_removed(truths: list[Truth]) -> Iterator[Judged]:
    """Each case that has a cause of the table, under a table without that cause: the right answer is to name
    none.
    """
    for truth in truths:
        known = sorted(truth.right - {UNDETERMINED, NO_FAULT})
        if known and UNDETERMINED not in truth.right:
            unknown = Truth(truth.id, truth.case, frozenset((UNDETERMINED,)), truth.defensible)
            yield answered(unknown, without(known[0]))


@cache
def without(cause: str) -> CompiledTable:
    """The starter table without a cause."""
    document: dict[str, Any] = msgspec.to_builtins(starter().table)
    document["causes"].pop(cause)
    document["base_rates"].pop(cause)
    for override in document["base_rate_overrides"]:
        override["rates"].pop(cause, None)
    for row in [*document["findings"].values(), *document["patterns"].values()]:
        for rows in [row, *row.get("on_machines", [])]:
            rows["per_hundred"].pop(cause, None)
            rows.get("row_basis", {}).pop(cause, None)
    for row in document["causes"].values():
        row["contrast"] = [each for each in row.get("contrast", []) if each["against"] != cause]
    document["links"] = [
        link for link in document.get("links", []) if cause not in {link["cause"], link["leads_to"]}
    ]
    table = msgspec.convert(document, RuleTable)
    return compile_table(table, version=None, digest=f"without {cause}")
