"""The core against a general decision-table engine, on tables of the same size, in one run.

The general engine is zen-engine (Rust, from PyPI). Its table has a rule for each outcome of the starter table
and an output for each cause, so as many weights as the starter table has in this machine's model; it collects
the rules that match. What it does not do (base rates, groups, patterns, discounts, normalising) is not asked
of it.
"""

import json
import time
from collections.abc import Callable, Iterator
from typing import Any

import msgspec

from coldcase.core.answer_builder import CaseWithReadings, build_answer
from coldcase.core.case import Case
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import table_digest
from coldcase.core.weighing import observe, weigh
from coldcase.shipped import starter_table
from tests.bench.figure import Figure, Sizes, of_two

CASE = {
    "unit": {"compressor_type": "scroll", "motor": "three_phase"},
    "opening": {"method": "rolling_cutter", "oil": "measured"},
    "observations": {
        "oil_clarity": "stays_milky",
        "copper_plating": "heavy",
        "metal_in_oil": "flakes",
        "sump_magnet": "loaded",
        "orbit_drive": "worn_loose",
        "scroll_wraps": "chipped_or_fractured",
        "system_solids": "none",
        "shaft_turns": "stuck",
        "winding_burn": "none",
        "oil_smell": "faint",
        "lab_water": "high",
        "lab_iron": "high",
    },
}


def general_table(compiled: CompiledTable) -> dict[str, Any]:
    """The starter table's weights as a decision table: an input for each finding, a rule for each outcome."""
    model = compiled.model_for(("three_phase", None, "scroll"))
    inputs = [
        {"id": f"in_{code}", "name": code, "type": "expression", "field": code} for code in model.findings
    ]
    outputs = [
        {"id": f"out_{cause}", "name": cause, "type": "expression", "field": cause} for cause in model.causes
    ]
    blank = {column["id"]: "" for column in inputs}
    rules = []
    for code, finding_model in model.findings.items():
        for outcome, row in finding_model.rows.items():
            weights = {
                f"out_{cause}": str(weight)
                for cause, weight in zip(
                    model.causes, model.weights[row, model.links.number :].tolist(), strict=True
                )
            }
            rules.append({"_id": f"{code}.{outcome}", **blank, f"in_{code}": json.dumps(outcome), **weights})
    content = {"hitPolicy": "collect", "inputs": inputs, "outputs": outputs, "rules": rules}
    return {
        "nodes": [
            {"id": "in", "type": "inputNode", "name": "in"},
            {"id": "table", "type": "decisionTableNode", "name": "table", "content": content},
            {"id": "out", "type": "outputNode", "name": "out"},
        ],
        "edges": [
            {"id": "a", "sourceId": "in", "targetId": "table", "type": "edge"},
            {"id": "b", "sourceId": "table", "targetId": "out", "type": "edge"},
        ],
    }


def microseconds(work: Callable[[], object], times: int) -> float:
    """One call's processor time."""
    began = time.process_time()
    for _ in range(times):
        work()
    return (time.process_time() - began) / times * 1e6


def measure(sizes: Sizes) -> Iterator[Figure]:
    """Two figures: the ranking alone, and the whole answer. Raises ModuleNotFoundError without the engine."""
    import zen  # noqa: PLC0415 - the extra `bench`, which other figures do without

    table = starter_table()
    compiled = compile_table(table, version=None, digest=table_digest(table))
    case = msgspec.convert(CASE, Case)
    general = zen.ZenEngine().create_decision(json.dumps(general_table(compiled)))
    matched = general.evaluate(dict(case.observations))["result"]
    assert len(matched) == len(case.observations), "the general engine must find a rule for each observation"
    weigh(case, observe(case, {}, compiled), compiled)
    turns = [
        (
            microseconds(lambda: general.evaluate(dict(case.observations)), 20),
            microseconds(lambda: weigh(case, observe(case, {}, compiled), compiled), 400),
            microseconds(lambda: build_answer(CaseWithReadings(case), compiled), 200),
        )
        for _ in range(sizes.rounds)
    ]
    slow, core, whole = ([turn[place] for turn in turns] for place in range(3))
    model = compiled.model_for(("three_phase", None, "scroll"))
    rules = sum(len(sheet.rows) for sheet in model.findings.values())
    how = f"{rules} rules, {len(model.causes)} outputs, {len(case.observations)} findings, processor time"
    for name, each in (("ranking", core), ("answer, with rationale, chain and next checks", whole)):
        over, base = ("general engine, us a case", slow), ("core", each)
        yield of_two(name, "times as fast as a general decision-table engine", over, base, how=how)
