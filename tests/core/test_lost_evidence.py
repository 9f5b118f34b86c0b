"""Evidence that is gone: where too many kinds of it are, what is left must stand higher to name a cause."""

from typing import Any

import pytest

from coldcase.core.answer import Answer
from coldcase.core.answer_builder import CaseWithReadings, build_answer
from coldcase.core.checking import flaws
from coldcase.core.compiled_table import CompiledTable
from tests.core.tables import BAR, case_of, compiled_of, finding, table

HIGH_BAR = BAR | {"least_confidence": 0.95, "least_ratio": 20, "least_groups": 3}
CODING = {
    "coded": BAR | {"least_confidence": 0.6},
    "provisional": BAR | {"least_confidence": 0.4},
    "after_loss": HIGH_BAR,
    "many_losses": 2,
    "thin_margin_decibans": 0,
    "strong_decibans": 10,
    "contradiction_ratio": 5,
}
CUSTODY = {
    "kind": "several",
    "outcomes": [{"code": code, "title": code.capitalize()} for code in ("parts_gone", "papers_gone")],
    "background": [50, 50],
    "group": "custody",
}
LOST = [
    {"when": {"observed": {"finding": "custody", "in": ["parts_gone"]}}, "what": "parts"},
    {"when": {"observed": {"finding": "custody", "in": ["papers_gone"]}}, "what": "papers"},
    {"when": {"opening": {"left_open": ["weeks"]}}, "what": "papers"},
]
SIGNS = {
    f"drip_{n}": finding(["no", "yes"], [95, 5], group=f"drip_{n}", per_hundred={"leak": [30, 70]})
    for n in range(4)
}


def rules_of(**members: Any) -> CompiledTable:
    findings = SIGNS | {"custody": finding([], []) | CUSTODY}
    rates = {"leak": 50, "wear": 49, "unlisted": 1}
    return compiled_of(table(rates, findings, **{"coding": CODING, "lost": LOST} | members))


def answer(
    seen: int,
    *custody: str,
    opening: dict[str, Any] | None = None,
    rules: CompiledTable | None = None,
    **members: Any,
) -> Answer:
    """With so many signs of a leak, and so much gone."""
    rules = rules or rules_of(**members)
    observations: dict[str, Any] = {f"drip_{n}": "yes" for n in range(seen)}
    if custody:
        observations["custody"] = {"seen": [*custody]}
    return build_answer(CaseWithReadings(case_of(observations, opening=opening or {})), rules)


def test_a_cause_is_named_while_one_kind_of_evidence_is_lost() -> None:
    assert answer(2).status == "coded"
    assert answer(2, "parts_gone").status == "coded"


def test_with_two_kinds_lost_what_is_left_must_stand_higher() -> None:
    found = answer(2, "parts_gone", "papers_gone")
    assert (found.status, found.cause, found.refused_because) == ("undetermined", "undetermined", "lost")
    assert "Lost: parts, papers; what is left would have to stand higher" in found.notes[0]


def test_with_two_kinds_lost_what_stands_high_is_named_provisionally() -> None:
    found = answer(4, "parts_gone", "papers_gone")
    assert (found.status, found.cause) == ("provisional", "leak")


@pytest.mark.parametrize(("custody", "named"), [("papers_gone", True), ("parts_gone", False)])
def test_rows_that_say_the_same_is_lost_are_one_kind(custody: str, named: bool) -> None:
    assert (answer(2, custody, opening={"left_open": "weeks"}).status == "coded") is named


def test_how_it_was_opened_is_asked_of_each_case() -> None:
    rules = rules_of()
    said = [
        answer(2, "parts_gone", opening=opened, rules=rules) for opened in ({}, {"left_open": "weeks"}, {})
    ]
    assert [one.refused_because for one in said] == [None, "lost", None]


def test_a_table_without_a_bar_for_it_takes_no_notice() -> None:
    coding = {member: value for member, value in CODING.items() if member != "after_loss"}
    assert answer(2, "parts_gone", "papers_gone", coding=coding).status == "coded"


def test_what_is_lost_by_a_finding_that_is_not_there_is_a_flaw() -> None:
    lost = [{"when": {"observed": {"finding": "custodian", "in": ["gone"]}}, "what": "parts"}]
    found = flaws(table({"leak": 50, "unlisted": 1}, SIGNS, lost=lost))
    assert any(flaw.pointer.startswith("/lost/0/when") for flaw in found)
