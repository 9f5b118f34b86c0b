"""Frequencies that belong to some machines: taken there, not elsewhere, and checked like any other row."""

from typing import Any

import pytest

from coldcase.core import checking
from coldcase.core.rule_table import from_document
from coldcase.errors import BadRuleTable
from tests.core.tables import (
    case_of,
    compiled_of,
    finding,
    posterior,
    starter_document,
    table,
    weighed_of,
)

STAR, DELTA = (
    {"motor": "three_phase", "compressor_type": "scroll", "winding_connection": connection}
    for connection in ("star", "delta")
)
UNKNOWN = {"motor": "unknown", "compressor_type": "unknown"}
BURN = "/findings/winding_burn/on_machines/0"


def leak_after(unit: dict[str, str], **rows: Any) -> float:
    own = {"when": {"connections": ["star"]}, "basis": "made for a test", **rows}
    burn = finding(["no", "yes"], [50, 50], per_hundred={"leak": [40, 60]}, on_machines=[own])
    compiled = compiled_of(table({"leak": 1, "wear": 1}, {"burn": burn}))
    return posterior(weighed_of(case_of({"burn": "yes"}, unit=unit), compiled))["leak"]


def test_a_machine_of_its_own_has_rows_of_its_own() -> None:
    rows = {"per_hundred": {"leak": [10, 90]}}
    assert leak_after(STAR, **rows) == pytest.approx(90 / (90 + 50), abs=1e-4)
    for unit in (DELTA, UNKNOWN):
        assert leak_after(unit, **rows) == pytest.approx(60 / (60 + 50), abs=1e-4)


def test_a_cause_that_is_not_listed_there_keeps_its_row_and_the_background_may_be_another() -> None:
    rows = {"per_hundred": {}, "background": [80, 20]}
    assert leak_after(STAR, **rows) == pytest.approx(60 / (60 + 20), abs=1e-4)


def with_rows(**changed: Any) -> dict[str, Any]:
    document = starter_document()
    rows = {"when": {"connections": ["star"]}, "basis": "made for a test", "per_hundred": {}, **changed}
    document["findings"]["winding_burn"]["on_machines"] = [rows]
    return document


@pytest.mark.parametrize(
    ("changed", "pointer", "words"),
    [
        ({"when": {}}, f"{BURN}/when", "Rows for every machine"),
        ({"when": {"connections": ["open"]}}, f"{BURN}/when/connections", "'open' is none of"),
        ({"per_hundred": {"storm": [10] * 10}}, f"{BURN}/per_hundred/storm", "no cause 'storm'"),
        ({"per_hundred": {"surge": [10] * 9}}, f"{BURN}/per_hundred/surge", "9 numbers for 10"),
        ({"background": [20] * 10}, f"{BURN}/background", "sums to 200"),
        (
            {"per_hundred": {"no_fault_found": [91, *[1] * 9]}},
            f"{BURN}/per_hundred/no_fault_found",
            "0.3 at most",
        ),
    ],
)
def test_rows_of_a_machine_are_checked(changed: dict[str, Any], pointer: str, words: str) -> None:
    found = list(checking.flaws(from_document(with_rows(**changed))))
    assert any(flaw.pointer == pointer and words in flaw.detail for flaw in found), found


def test_a_flaw_of_shape_hides_no_sum_of_a_machine_s_rows() -> None:
    document = with_rows(background=[20] * 10) | {"format": "one"}
    with pytest.raises(BadRuleTable) as refused:
        checking.read_table(document)
    assert f"{BURN}/background" in {flaw.pointer for flaw in refused.value.flaws}
