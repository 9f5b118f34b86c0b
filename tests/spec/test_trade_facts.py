"""What the trade knows, read from the TOML files beside this one, against the whole engine with the starter
rule table."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from coldcase import classifying
from coldcase.core.answer import Answer
from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import table_digest
from coldcase.shipped import starter_table

HERE = Path(__file__).parent


def entries(kind: str, name: str) -> list[Any]:
    rows = tomllib.loads((HERE / name).read_text(encoding="utf-8"))[kind]
    return [pytest.param(row, id=row["title"]) for row in rows]


@pytest.fixture(scope="module")
def compiled() -> CompiledTable:
    table = starter_table()
    return compile_table(table, version=1, digest=table_digest(table))


def answer(case: dict[str, Any], compiled: CompiledTable) -> Answer:
    return classifying.answer_case(parse_case(case, compiled), compiled)


def missing(wanted: list[str], texts: list[str]) -> list[str]:
    text = " ".join(texts).lower()
    return [words for words in wanted if words.lower() not in text]


def kept(found: Answer, finding: str) -> float:
    return min([row.kept for row in found.discounted if row.finding == finding], default=1.0)


def check_ranking(found: Answer, expected: dict[str, Any]) -> None:
    leader = found.ranking[0].cause
    assert found.cause in expected.get("causes", [found.cause])
    assert found.status in expected.get("status", [found.status])
    assert leader in expected.get("leaders", [leader])
    assert leader not in expected.get("not_leading", [])
    assert found.machine == expected.get("machine", found.machine)


def check_evidence(found: Answer, expected: dict[str, Any]) -> None:
    assert not {row.finding for row in found.against} & set(expected.get("not_against", []))
    counted = [row.finding for row in [*found.rationale, *found.against] if row.counted]
    assert sum(finding in counted for finding in expected.get("counted_once", [])) <= 1
    assert {row.finding for row in found.discounted} >= set(expected.get("discounted", []))
    assert all(kept(found, finding) <= most for finding, most in expected.get("keep_at_most", {}).items())
    assert all(kept(found, finding) >= least for finding, least in expected.get("keep_at_least", {}).items())


def check_advice(found: Answer, expected: dict[str, Any]) -> None:
    checks = [row.finding for row in found.next_checks]
    assert checks[:1] == [expected.get("first_check", checks[0])] if checks else "first_check" not in expected
    assert set(expected.get("next_checks", [])) <= set(checks)
    assert missing(expected.get("actions", []), [row.text for row in found.actions]) == []
    assert missing(expected.get("cautions", []), [row.text for row in found.cautions]) == []
    seen = {finding for link in found.chain if link.state == "seen" for finding in link.by}
    assert seen >= set(expected.get("chain_seen", []))


@pytest.mark.parametrize(
    "row", [*entries("fact", "trade_facts.toml"), *entries("worked", "worked_cases.toml")]
)
def test_the_engine_says_what_the_trade_knows(row: dict[str, Any], compiled: CompiledTable) -> None:
    found = answer(row["case"], compiled)
    check_ranking(found, row["expected"])
    check_evidence(found, row["expected"])
    check_advice(found, row["expected"])


@pytest.mark.parametrize("row", entries("comparison", "comparisons.toml"))
def test_one_more_finding_moves_the_ranking_no_further_than_it_may(
    row: dict[str, Any], compiled: CompiledTable
) -> None:
    more = {
        **row["case"],
        **{part: {**row["case"].get(part, {}), **added} for part, added in row["adds"].items()},
    }
    before = {entry.cause: entry.confidence for entry in answer(row["case"], compiled).ranking}
    after = {entry.cause: entry.confidence for entry in answer(more, compiled).ranking}
    expected = row["expected"]
    assert max(abs(after[cause] - before[cause]) for cause in before) <= expected.get("moves_at_most", 1)
    assert "not_lower" not in expected or after[expected["not_lower"]] >= before[expected["not_lower"]]


def test_every_cause_has_a_worked_case(compiled: CompiledTable) -> None:
    worked = tomllib.loads((HERE / "worked_cases.toml").read_text(encoding="utf-8"))["worked"]
    named = {cause for row in worked for cause in row["expected"]["causes"]}
    assert named >= compiled.table.causes.keys()
