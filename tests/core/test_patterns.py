"""Patterns: what holds counts, and what it subsumes does not."""

import pytest
from hypothesis import given

from coldcase.core.case import Case
from coldcase.core.rule_table import Condition
from tests.core.tables import (
    case_of,
    cases,
    compiled_of,
    compiled_starter,
    finding,
    modest,
    starter,
    table,
    weighed_of,
)
from tests.core.weighed import counted, item, starter_weighed


def satisfying(condition: Condition) -> dict[str, str]:
    """Observations under which a condition holds: all of `all`, the first of `any`, nothing of `not` and
    `unless`."""
    if condition.finding is not None:
        return {condition.finding: (condition.outcomes or [])[0]}
    branches = condition.all if condition.all is not None else (condition.any or [])[:1]
    return {code: outcome for part in branches for code, outcome in satisfying(part).items()}


@pytest.mark.parametrize("code", sorted(starter().patterns))
def test_a_pattern_that_holds_counts_and_what_it_subsumes_does_not(code: str) -> None:
    pattern = starter().patterns[code]
    weighed = starter_weighed(case_of(satisfying(pattern.when)))
    assert item(weighed, code).replaced_by is None
    assert any(counted(weighed, code))
    subsumed = [item for item in weighed.items if item.code in pattern.subsumes]
    assert subsumed
    assert all(item.replaced_by == code and not any(counted(weighed, item.code)) for item in subsumed)


def test_a_pattern_leaves_what_speaks_the_other_way_its_voice() -> None:
    rows = {
        "burn": finding(["no", "yes"], [70, 30], per_hundred={"leak": [30, 70]}),
        "smell": finding(["none", "sharp", "sweet"], [60, 20, 20], per_hundred={"leak": [20, 40, 40]}),
        "colour": finding(["clear", "black"], [60, 40], per_hundred={"leak": [20, 80]}),
    }
    when = {
        "all": [
            {"finding": "burn", "in": ["yes"]},
            {"any": [{"finding": "smell", "in": ["sharp"]}, {"finding": "burn", "in": ["yes"]}]},
        ]
    }
    pattern = {
        "title": "Burnt",
        "when": when,
        "subsumes": ["burn", "smell", "colour"],
        "background": 10,
        "per_hundred": {},
        "basis": "test",
    }
    compiled = compiled_of(table({"leak": 1, "unlisted": 1}, rows, patterns={"burnt": pattern}))
    for seen, replaced in (
        ({"burn": "yes", "smell": "sharp", "colour": "black"}, {"burn", "smell", "colour"}),
        ({"burn": "yes", "smell": "sweet", "colour": "clear"}, {"burn"}),
        ({"burn": "yes", "smell": ["none", "sharp"]}, {"burn"}),
    ):
        weighed = weighed_of(case_of(seen), compiled)
        assert {item.code for item in weighed.items if item.replaced_by == "burnt"} == replaced


@modest
@given(cases(14))
def test_nothing_is_counted_of_what_was_replaced_and_nothing_is_replaced_twice(case: Case) -> None:
    weighed, compiled = starter_weighed(case), compiled_starter()
    patterns = {item.code for item in weighed.items if item.source == "pattern"}
    for one in weighed.items:
        if one.replaced_by is not None:
            assert not any(counted(weighed, one.code))
            row = compiled.apart.patterns.get(one.replaced_by)
            successors = compiled.successors.get(one.code, frozenset())
            by_finding = one.replaced_by in successors or one.code in (
                compiled.apart.findings[one.replaced_by].supersedes if row is None else ()
            )
            assert one.code in row.subsumes if row else by_finding
            assert row is None or one.replaced_by in patterns
