"""Rule tables made in code, the starter table compiled, and the random cases that the property tests draw."""

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import msgspec
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from coldcase.core.case import Case
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.conditions import machine_of, passes_gate
from coldcase.core.rule_table import RuleTable, from_document, table_digest
from coldcase.core.weighing import Weighed, observe, weigh
from coldcase.shipped import starter_table

modest = settings(max_examples=60, derandomize=True, suppress_health_check=list(HealthCheck))
"""Enough to find a broken rule, few enough to run before every commit, and the same ones each time."""

BAR = {"least_confidence": 0, "least_ratio": 1, "least_groups": 0}
NAMES_BY_ONE_SIGN = {
    "coded": BAR,
    "provisional": BAR,
    "thin_margin_decibans": 0,
    "strong_decibans": 1,
    "contradiction_ratio": 0.5,
}
"""Thresholds under which one weak sign names a cause."""

MACHINES: tuple[dict[str, str], ...] = (
    {"motor": "unknown", "compressor_type": "unknown"},
    {"motor": "three_phase", "compressor_type": "scroll"},
    {"motor": "three_phase", "compressor_type": "reciprocating", "winding_connection": "part_winding"},
    {"motor": "single_phase", "compressor_type": "rotary"},
    {"motor": "inverter", "compressor_type": "scroll"},
)
METHODS = (None, "not_opened", "unbolted", "rolling_cutter", "grinder")


@cache
def starter() -> RuleTable:
    return starter_table()


@cache
def compiled_starter() -> CompiledTable:
    return compiled_of(starter())


def compiled_of(table: RuleTable) -> CompiledTable:
    return compile_table(table, version=None, digest=table_digest(table))


def starter_document() -> dict[str, Any]:
    """A fresh copy of the starter table as plain JSON values, to be damaged freely."""
    document: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(starter()))
    return document


def outcomes_of(names: Sequence[str], **members: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Outcomes of a finding; what a keyword holds is added to the outcome of that name."""
    return [
        {"code": name, "title": name.replace("_", " ").capitalize(), **members.get(name, {})}
        for name in names
    ]


def finding(
    outcomes: Sequence[str] | list[dict[str, Any]], background: list[float], **members: Any
) -> dict[str, Any]:
    """A finding's row; its group is `signs` unless named."""
    rows = [row if isinstance(row, dict) else outcomes_of([row])[0] for row in outcomes]
    plain = {
        "station": "bench",
        "title": "A sign",
        "question": "Is it there?",
        "effort": "open",
        "group": "signs",
        "basis": "made for a test",
    }
    return {**plain, "per_hundred": {}, **members, "outcomes": rows, "background": background}


def cause(title: str = "A cause", **members: Any) -> dict[str, Any]:
    action = {"text": "Put it right", "basis": "made for a test"}
    return {
        "title": title,
        "family": "family",
        "summary": title,
        "system_borne": False,
        "chain": [],
        "actions": [action],
        **members,
    }


def table(base_rates: Mapping[str, float], findings: Mapping[str, Any], **members: Any) -> RuleTable:
    """A small rule table: causes by base rate, no temperature, no fading (group `signs`), thresholds that
    never refuse."""
    bar = {"least_confidence": 0, "least_ratio": 1, "least_groups": 0}
    document = {
        "format": 1,
        "temperature": 1,
        "coding": {
            "coded": bar,
            "provisional": bar,
            "thin_margin_decibans": 0,
            "strong_decibans": 10,
            "contradiction_ratio": 0.5,
        },
        "stations": ["bench"],
        "base_rates": {"unlisted": 1e-6, **base_rates},
        "base_rate_overrides": [],
        "causes": {code: cause(code.capitalize()) for code in base_rates if code != "unlisted"},
        "findings": dict(findings),
        "patterns": {},
        "groups": {row.get("group", "signs"): {"rho": 0, "says": "signs"} for row in findings.values()},
        "discounts": [],
        "cautions": [],
        "refrigerants": {},
        "quantities": {},
        "limits": [],
    }
    return from_document(document | members)


def case_of(observations: Mapping[str, Any] | None = None, **members: Any) -> Case:
    """A case; without `unit` the machine is unknown."""
    return msgspec.convert({"unit": MACHINES[0], **members, "observations": dict(observations or {})}, Case)


def weighed_of(case: Case, compiled: CompiledTable) -> Weighed:
    return weigh(case, observe(case, {}, compiled), compiled)


def posterior(weighed: Weighed) -> dict[str, float]:
    """Shares of the ranking by cause, unrounded."""
    return dict(zip(weighed.model.causes, (weighed.shares / weighed.shares.sum()).tolist(), strict=True))


@cache
def possible_on(unit: tuple[tuple[str, str], ...]) -> dict[str, list[str]]:
    """What of the starter table's vocabulary can be found on a machine: findings with two outcomes or more
    left."""
    machine = machine_of(case_of(unit=dict(unit)).unit)
    on_it = {
        code: row
        for code, row in starter().findings.items()
        if passes_gate(row.gate, *machine) and row.kind == "one"
    }
    named = {
        code: [outcome.code for outcome in row.outcomes if passes_gate(outcome.gate, *machine)]
        for code, row in on_it.items()
    }
    return {code: outcomes for code, outcomes in named.items() if len(outcomes) > 1}


@cache
def signs_on(unit: tuple[tuple[str, str], ...]) -> dict[str, list[str]]:
    """The same for findings whose outcomes are signs of their own."""
    compiled = compiled_starter()
    model = compiled.model_for(machine_of(case_of(unit=dict(unit)).unit))
    several = [code for code, row in starter().findings.items() if row.kind == "several"]
    named = {code: sorted(compiled.possible(code, model)) for code in several}
    return {code: signs for code, signs in named.items() if signs}


@st.composite
def signs_seen(draw: st.DrawFn, unit: Mapping[str, str], most: int = 3) -> dict[str, Any]:
    """Signs of this machine, each seen, or looked for and not there."""
    vocabulary = signs_on(tuple(sorted(unit.items())))
    if not vocabulary:
        return {}
    codes = draw(st.lists(st.sampled_from(sorted(vocabulary)), max_size=most, unique=True))
    observations: dict[str, Any] = {}
    for code in codes:
        told = draw(st.lists(st.sampled_from(vocabulary[code]), min_size=1, max_size=4, unique=True))
        seen = told[: draw(st.integers(0, len(told)))]
        lists = {"seen": seen, "not_seen": told[len(seen) :]}
        observations[code] = {name: signs for name, signs in lists.items() if signs}
    return observations


@st.composite
def observed_on(
    draw: st.DrawFn, unit: Mapping[str, str], most: int = 10, *, lists: bool = True
) -> dict[str, str | list[str]]:
    """Findings that this machine can have, with one possible outcome each or a list of some that were not
    told apart."""
    vocabulary = possible_on(tuple(sorted(unit.items())))
    codes = draw(st.lists(st.sampled_from(sorted(vocabulary)), max_size=most, unique=True))
    observations: dict[str, str | list[str]] = {}
    for code in codes:
        possible = vocabulary[code]
        some = draw(
            st.lists(
                st.sampled_from(possible),
                min_size=1,
                max_size=2 if lists and len(possible) > 2 else 1,
                unique=True,
            )
        )
        observations[code] = some[0] if len(some) == 1 else some
    return observations


@st.composite
def cases(draw: st.DrawFn, most: int = 10, *, lists: bool = True, opened: bool = True) -> Case:
    """A random case for the starter table."""
    unit = draw(st.sampled_from(MACHINES))
    opening: dict[str, Any] = {}
    if opened:
        opening = {
            "method": draw(st.sampled_from(METHODS)),
            "oil": draw(st.sampled_from([None, "measured", "spilled"])),
            "cleaned_before": draw(st.sampled_from([None, False, True])),
        }
    observations = draw(observed_on(unit, most, lists=lists)) | draw(signs_seen(unit))
    return case_of(observations, unit=unit, opening=opening)
