"""What the rule table says of one machine, for the plain second implementation: rows, base rates, shares."""

import math

import msgspec

from coldcase.core.case import Unit
from coldcase.core.rule_table import Finding, Gate, RuleTable

Weights = dict[str, float]


def connection_of(unit: Unit) -> str | None:
    return unit.winding_connection or ("single_phase" if unit.motor == "single_phase" else None)


def on_machine(gate: Gate, unit: Unit) -> bool:
    pairs = (
        (gate.motors, unit.motor),
        (gate.connections, connection_of(unit)),
        (gate.compressor_types, unit.compressor_type),
    )
    return all(not wanted or have in (None, "unknown") or have in wanted for wanted, have in pairs)


def unit_field(unit: Unit, name: str, table: RuleTable) -> str | None:
    known = table.refrigerants.get(unit.refrigerant or "")
    if name == "refrigerant_class":
        return known.class_ if known else None
    if name == "refrigerant_safety":
        return known.safety if known else None
    value: str | None = getattr(unit, name)
    return value


def prior_of(unit: Unit, causes: list[str], table: RuleTable) -> Weights:
    rates = dict(table.base_rates)
    for override in table.base_rate_overrides:
        when = override.when
        pairs = (
            (when.motors, unit.motor),
            (when.connections, connection_of(unit)),
            (when.compressor_types, unit.compressor_type),
        )
        if all(not wanted or have in wanted for wanted, have in pairs):
            rates.update(override.rates)
    total = sum(rates[cause] for cause in causes)
    return {cause: 10 * math.log10(rates[cause] / total) for cause in causes}


def share_of(finding: Finding, row: list[float], names: frozenset[str], unit: Unit) -> float:
    possible = {
        outcome.code: share
        for outcome, share in zip(finding.outcomes, row, strict=True)
        if on_machine(outcome.gate, unit)
    }
    return sum(share for code, share in possible.items() if code in names) / sum(possible.values())


def for_machine(finding: Finding, unit: Unit) -> Finding:
    """With the rows of the machine at hand in place of the general ones."""
    own = dict(finding.per_hundred)
    background = finding.background
    for rows in finding.on_machines:
        pairs = (
            (rows.when.motors, unit.motor),
            (rows.when.connections, connection_of(unit)),
            (rows.when.compressor_types, unit.compressor_type),
        )
        if all(not wanted or have in wanted for wanted, have in pairs):
            own.update(rows.per_hundred)
            background = rows.background or background
    return msgspec.structs.replace(finding, per_hundred=own, background=background)


def mixed(share: float, ground: float, table: RuleTable) -> float:
    return ((1 - table.mistaken) * share + table.mistaken * ground) / ground
