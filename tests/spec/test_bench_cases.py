"""Cases of a review at the bench: answered as wanted, or honestly refused; where not, the comment beside the
case says why."""

import json
from pathlib import Path
from typing import Any

import pytest

from coldcase import classifying
from coldcase.core.answer import Answer
from coldcase.core.case_reader import parse_case
from coldcase.core.rule_table import UNDETERMINED
from coldcase.errors import BadCase
from tests.core.tables import compiled_starter

PATH = Path(__file__).parents[1] / "cases" / "bench.jsonl"
CASES: dict[str, dict[str, Any]] = {
    row["id"]: row for row in map(json.loads, PATH.read_text(encoding="utf-8").splitlines())
}
WITH_CAUSES = [code for code, row in CASES.items() if "causes" in row]
NORMAL = {"normal", "inside", None}


def answered(code: str) -> Answer:
    compiled = compiled_starter()
    return classifying.answer_case(parse_case(CASES[code]["case"], compiled), compiled)


def missed(code: str) -> str | None:
    """How a case was answered otherwise than wanted."""
    try:
        answer = answered(code)
    except BadCase:
        return "refused by name"
    return None if answer.cause in CASES[code]["causes"] else answer.status


@pytest.mark.parametrize("code", WITH_CAUSES)
def test_a_case_is_answered_as_wanted_or_refused(code: str) -> None:
    if missed(code):
        assert "comment" in CASES[code]
        assert missed(code) in {"refused by name", UNDETERMINED, "provisional"}


def test_few_need_a_comment_and_only_those_have_one() -> None:
    otherwise = {code for code in WITH_CAUSES if missed(code)}
    expected = {code for code in CASES if code not in WITH_CAUSES}
    assert {code for code, row in CASES.items() if "comment" in row} <= otherwise | expected
    assert len(otherwise) <= 6


@pytest.mark.parametrize("code", ["L1", "L2", "L2b"])
def test_a_rating_point_shows_nothing_abnormal(code: str) -> None:
    judged = [value for value in answered(code).derived if value.finding]
    assert judged
    assert {value.outcome for value in judged} <= NORMAL


def outcomes(code: str) -> dict[str, Any]:
    return {value.quantity: value.outcome for value in answered(code).derived}


def test_what_else_the_review_expects() -> None:
    assert outcomes("E10")["insulation_as_measured"] == "doubtful"
    assert answered("E10").cause != "no_fault_found"
    assert outcomes("L4")["condensing_over_entering"] != "high"
    assert answered("E2").ranking[0].cause == "part_winding_fault"
    with pytest.raises(BadCase) as refusal:
        answered("E3")
    assert "cannot be 'half_winding'" in refusal.value.flaws[0].detail


def test_a_condenser_that_is_stated_is_judged() -> None:
    case = CASES["L4b"]["case"]
    stated = case | {"unit": case["unit"] | {"condenser": "water_cooled"}}
    compiled = compiled_starter()
    answer = classifying.answer_case(parse_case(stated, compiled), compiled)
    assert {value.quantity: value.outcome for value in answer.derived}["condensing_over_entering"] == ("high")
