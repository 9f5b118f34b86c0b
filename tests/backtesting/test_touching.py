"""What a draft cannot say anything else of is not answered again, and is counted as if it had been."""

import json
from functools import cache
from typing import Any
from uuid import UUID

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase import classifying
from coldcase.backtesting.answering_again import AnswersAgain
from coldcase.backtesting.comparing import ComparisonTally
from coldcase.backtesting.touching import TouchedDecisions
from coldcase.backtesting.trying import compare_recorded
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import RuleTable, canonical_table, from_document
from coldcase.db.answers import StoredAnswer
from coldcase.db.backtests import RecordedRow
from coldcase.errors import BadCase
from coldcase.shipped import starter_table
from tests.backtesting.records import recorded
from tests.core.test_short_answers import known_cases

TOLD = {
    "unit": {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-448A"},
    "observations": {"copper_plating": "heavy", "oil_clarity": "stays_milky"},
}
WARM = TOLD | {
    "readings": {
        "discharge_temperature": {"value": 131, "unit": "degC"},
        "discharge_pressure": {"value": 22, "unit": "barg"},
    }
}


def document() -> dict[str, Any]:
    made: dict[str, Any] = json.loads(canonical_table(starter_table()))
    return made


@cache
def base() -> RuleTable:
    return from_document(document())


@cache
def compiled_base() -> CompiledTable:
    return compile_table(base(), version=1, digest="base")


def row(number: int, case: dict[str, Any], **more: Any) -> RecordedRow:
    answer = classifying.answer_case(classifying.case_of(case, compiled_base()), compiled_base())
    return recorded(number, json.dumps(case), answer, **more)


@cache
def rows() -> list[RecordedRow]:
    found = []
    for number, case in enumerate(known_cases()[::2], 1):
        try:
            found.append(row(number, case, client=1 + number % 3))
        except BadCase:
            continue
    return found


def turned(finding: str) -> CompiledTable:
    """A draft that says of a finding the contrary."""
    made = document()
    shares = made["findings"][finding]
    shares["background"] = shares["background"][::-1]
    shares["per_hundred"] = {cause: row[::-1] for cause, row in shares["per_hundred"].items()}
    return compile_table(from_document(made), version=2, digest="draft")


def counted(draft: CompiledTable, established: dict[UUID, str | None], *, known: bool) -> bytes:
    """The tally of all rows; with the table that answered them known, or not."""
    again, tally = AnswersAgain(draft), ComparisonTally(own=1)
    if known:
        again.touched.add(1, base())
    compare_recorded(rows(), established, again, tally)
    return msgspec.json.encode(tally)


OFTEN = ["copper_plating", "oil_clarity", "filter_drier", base().limits[0].finding]


@settings(max_examples=15, deadline=None)
@given(st.sampled_from([*OFTEN, *sorted(base().findings)]), st.sets(st.integers(0, 60)))
def test_the_tally_is_the_same_to_the_byte(finding: str, judged: set[int]) -> None:
    established = {
        rows()[place].id: None if place % 7 == 0 else rows()[place].cause
        for place in judged
        if place < len(rows())
    }
    draft = turned(finding)
    assert counted(draft, established, known=True) == counted(draft, established, known=False)


def test_only_what_is_touched_is_answered(monkeypatch: Any) -> None:
    asked: list[str] = []
    answers = AnswersAgain.answers

    def noted(self: AnswersAgain, texts: list[str]) -> Any:
        asked.extend(texts)
        return answers(self, texts)

    monkeypatch.setattr(AnswersAgain, "answers", noted)
    counted(turned("copper_plating"), {}, known=True)
    assert 0 < len(asked) < len(rows()) / 2
    assert all("copper_plating" in text for text in asked)


@pytest.fixture(scope="module")
def touched() -> TouchedDecisions:
    """Of a draft that is about the filter drier, which none of the cases mentions."""
    made = TouchedDecisions(turned("filter_drier").table)
    made.add(1, base())
    return made


def test_what_is_not_mentioned_is_not_touched(touched: TouchedDecisions) -> None:
    assert not touched.is_touched(row(1, TOLD))
    assert touched.is_touched(row(1, TOLD | {"observations": {"filter_drier": "wet"}}))


def test_what_another_engine_answered_is_answered_again(touched: TouchedDecisions) -> None:
    assert touched.is_touched(row(1, TOLD, engine="1"))


def test_what_an_unknown_table_answered_is_answered_again(touched: TouchedDecisions) -> None:
    other = msgspec.structs.replace(row(1, TOLD), rule_table=9)
    assert touched.is_touched(other)
    assert touched.missing([other, row(2, TOLD)]) == {9}


def test_what_other_fluid_properties_answered_is_answered_again(touched: TouchedDecisions) -> None:
    metered = row(
        1, WARM | {"readings": {**WARM["readings"], "discharge_pressure": {"value": 22, "unit": "barg"}}}
    )
    assert '"properties":"CoolProp' in metered.answer_text
    assert not touched.is_touched(metered)
    older = metered.answer_text.replace('"properties":"CoolProp ', '"properties":"CoolProp 0.')
    assert touched.is_touched(msgspec.structs.replace(metered, stored=StoredAnswer(older, None, None, None)))
    none = msgspec.structs.replace(metered, stored=StoredAnswer("{}", None, None, None))
    assert touched.is_touched(none)


def test_what_was_metered_without_such_properties_is_not_touched(touched: TouchedDecisions) -> None:
    metered = row(1, TOLD | {"readings": {"run_hours": 900}})
    assert '"properties":null' in metered.answer_text
    assert not touched.is_touched(metered)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"unit": 3}', '{"unit": {}, "observations": []}'])
def test_what_is_no_case_is_answered_again(touched: TouchedDecisions, text: str) -> None:
    assert touched.is_touched(msgspec.structs.replace(row(1, TOLD), case_text=text))
