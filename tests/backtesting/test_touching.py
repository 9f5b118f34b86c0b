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
from coldcase.backtesting import answering_again
from coldcase.backtesting.answering_again import AnswersAgain
from coldcase.backtesting.comparing import ComparisonTally
from coldcase.backtesting.touching import AskedAgain, TouchedDecisions
from coldcase.backtesting.trying import compare_recorded
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import from_document
from coldcase.core.short_answers import short_answers
from coldcase.db.answers import StoredAnswer
from coldcase.db.backtests import RecordedRow
from coldcase.errors import BadCase
from tests.backtesting.records import recorded
from tests.core.test_reach import base, compiled_base, document, few_cases

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


def row(number: int, case: dict[str, Any], **more: Any) -> RecordedRow:
    answer = classifying.answer_case(classifying.case_of(case, compiled_base()), compiled_base())
    return recorded(number, json.dumps(case), answer, **more)


@cache
def rows() -> list[RecordedRow]:
    found = []
    for number, case in enumerate(few_cases(), 1):
        try:
            found.append(row(number, case, client=1 + number % 3))
        except BadCase:
            continue
    return found


def turned(
    finding: str, *, commoner: bool = False, quieter: bool = False, lower: int | None = None
) -> CompiledTable:
    """A draft that says of a finding the contrary; and perhaps of the first cause that it is commoner, has a
    caution less, and one limit lower.
    """
    made = document()
    if commoner:
        made["base_rates"][min(made["base_rates"])] *= 3
    if quieter:
        del made["cautions"][0]
    if lower is not None:
        band = made["limits"][lower % len(made["limits"])]["bands"][0]
        band["below"] = band["below"] * 0.9 if band["below"] > 0 else band["below"] * 1.1 - 0.1
    if not finding:
        return compile_table(from_document(made), version=2, digest="draft")
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


@settings(max_examples=20, deadline=None)
@given(
    finding=st.sampled_from(["", "", *OFTEN, *sorted(base().findings)]),
    commoner=st.booleans(),
    quieter=st.booleans(),
    lower=st.none() | st.integers(0, len(base().limits) - 1),
    judged=st.sets(st.integers(0, 60)),
)
def test_the_tally_is_the_same_to_the_byte(judged: set[int], **change: Any) -> None:
    established = {
        rows()[place].id: None if place % 7 == 0 else rows()[place].cause
        for place in judged
        if place < len(rows())
    }
    draft = turned(**change)
    assert counted(draft, established, known=True) == counted(draft, established, known=False)


@pytest.fixture
def asked(monkeypatch: Any) -> list[AskedAgain]:
    """What is asked again."""
    noted: list[AskedAgain] = []
    answers = AnswersAgain.answers

    def note(self: AnswersAgain, cases: list[AskedAgain]) -> Any:
        noted.extend(cases)
        return answers(self, cases)

    monkeypatch.setattr(AnswersAgain, "answers", note)
    return noted


def test_only_what_is_touched_is_answered(asked: list[AskedAgain]) -> None:
    counted(turned("copper_plating"), {}, known=True)
    assert 0 < len(asked) < len(rows()) / 2
    assert all("copper_plating" in one.text for one in asked)


def test_readings_are_worked_out_again_only_where_limits_changed(
    asked: list[AskedAgain], monkeypatch: Any
) -> None:
    worked: list[object] = []

    def note(parsed: Any, compiled: Any) -> Any:
        worked.append(parsed.case.metered)
        return classifying.add_outcomes(parsed, compiled)

    monkeypatch.setattr(answering_again, "add_outcomes", note)
    counted(turned("", commoner=True), {}, known=True)
    assert len(asked) == len(rows())
    assert worked == []

    asked.clear()
    counted(turned("", lower=0), {}, known=True)
    assert 0 < len(asked) < len(rows()) / 2
    assert worked == [True] * len(asked)


def test_what_comes_out_as_it_was_is_not_weighed_again(monkeypatch: Any) -> None:
    weighed: list[int] = []

    def note(cases: list[Any], compiled: Any) -> Any:
        weighed.append(len(cases))
        return short_answers(cases, compiled)

    monkeypatch.setattr(answering_again, "short_answers", note)
    again = AnswersAgain(turned("", lower=0))
    again.touched.add(1, base())
    asked = [one for row in rows() if (one := again.touched.asked_again(row)) is not None]
    found = again.answers(asked)
    assert sum(weighed) == sum(one is not None for one in found) < len(asked)


def test_of_the_same_evidence_answered_in_two_ways_neither_is_taken_for_the_other() -> None:
    """One decision by an engine of which nothing is known, beside the same case by this one."""
    hot = next(
        place for place, limit in enumerate(base().limits) if limit.quantity == "discharge_temperature"
    )
    draft, one = turned("", lower=hot), row(1, WARM)
    other = msgspec.structs.replace(row(2, WARM), engine="1", cause="undetermined", status="undetermined")
    for order in ([one, other], [other, one]):
        again, tally = AnswersAgain(draft), ComparisonTally(own=1)
        again.touched.add(1, base())
        alone = again.touched.asked_again(one)
        assert alone is not None
        assert again.answers([alone]) == [None]
        compare_recorded(order, {}, again, tally)
        assert {name: group.count for name, group in tally.moves.items()} == {f"undetermined {one.cause}": 1}


@pytest.fixture(scope="module")
def touched() -> TouchedDecisions:
    """Of a draft that is about the filter drier, which none of the cases mentions."""
    made = TouchedDecisions(turned("filter_drier").table)
    made.add(1, base())
    return made


def test_what_is_not_mentioned_is_not_touched(touched: TouchedDecisions) -> None:
    assert touched.asked_again(row(1, TOLD)) is None
    assert touched.asked_again(row(1, TOLD | {"observations": {"filter_drier": "wet"}})) is not None


def test_what_another_engine_answered_is_answered_again(touched: TouchedDecisions) -> None:
    assert touched.asked_again(row(1, TOLD, engine="1")) is not None


def test_what_an_unknown_table_answered_is_answered_again(touched: TouchedDecisions) -> None:
    other = msgspec.structs.replace(row(1, TOLD), rule_table=9)
    assert touched.asked_again(other) is not None
    assert touched.missing([other, row(2, TOLD)]) == {9}


def test_what_other_fluid_properties_answered_is_answered_again(touched: TouchedDecisions) -> None:
    text = row(1, WARM).answer_text
    assert '"properties":"CoolProp' in text
    assert touched.asked_again(row(1, WARM)) is None
    for other in (text.replace('"properties":"CoolProp ', '"properties":"CoolProp 0.'), "{}"):
        changed = msgspec.structs.replace(row(1, WARM), stored=StoredAnswer(other, None, None, None))
        assert touched.asked_again(changed) == AskedAgain(changed.case_text)


def test_what_was_metered_without_such_properties_is_not_touched(touched: TouchedDecisions) -> None:
    metered = row(1, TOLD | {"readings": {"run_hours": 900}})
    assert '"properties":null' in metered.answer_text
    assert touched.asked_again(metered) is None


@pytest.mark.parametrize("text", ["", "[]", "{", '{"unit": 3}', '{"unit": {}, "observations": []}'])
def test_what_is_no_case_is_answered_again(touched: TouchedDecisions, text: str) -> None:
    assert touched.asked_again(msgspec.structs.replace(row(1, TOLD), case_text=text)) is not None
