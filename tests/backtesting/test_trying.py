"""What a rule table would change: counted, the dangerous apart, with examples."""

import json
from functools import cache
from itertools import pairwise
from typing import Any
from uuid import UUID

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase import classifying
from coldcase.backtesting.answering_again import AnswersAgain
from coldcase.backtesting.comparing import (
    MOST_EXAMPLES,
    MOST_REASONS,
    OTHER_REASONS,
    ComparisonTally,
    result_of,
)
from coldcase.backtesting.trying import compare_library, compare_recorded
from coldcase.core.answer import Answer
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import RuleTable, canonical_table, from_document
from coldcase.db.backtests import RecordedRow
from coldcase.shipped import LIBRARIES, LibraryCase, case_library, starter_table
from tests.backtesting.records import recorded
from tests.core.tables import compiled_starter

WET = {
    "job": {"ref": "TH-1"},
    "unit": {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-290"},
    "observations": {"copper_plating": "heavy", "filter_drier": "wet", "oil_clarity": "stays_milky"},
}
BARE = {"unit": WET["unit"]}


def edited(change: Any) -> CompiledTable:
    document = json.loads(canonical_table(starter_table()))
    change(document)
    table: RuleTable = from_document(document)
    return compile_table(table, version=2, digest="sha256:draft")


def row(number: int, case: Any, client: int = 1) -> RecordedRow:
    compiled = compiled_starter()
    text = json.dumps(case)
    return recorded(number, text, _answer(case, compiled), client)


def tried(
    rows: list[RecordedRow],
    compiled: CompiledTable,
    established: dict[UUID, str | None] | None = None,
    tally: ComparisonTally | None = None,
) -> ComparisonTally:
    tally = tally or ComparisonTally(own=1)
    compare_recorded(rows, established or {}, AnswersAgain(compiled), tally)
    return tally


def refuse_all(document: dict[str, Any]) -> None:
    for name in ("coded", "provisional"):
        document["coding"][name]["least_ratio"] = 1e9


def drop_drier(document: dict[str, Any]) -> None:
    del document["findings"]["filter_drier"]


def test_the_table_that_answered_changes_nothing() -> None:
    result = result_of(tried([row(1, WET), row(2, BARE)], compiled_starter()))
    assert (result.compared, result.changed, result.unreadable, result.statuses) == (2, 0, 0, [])
    assert result.same_code_other_confidence == 0
    assert result.dangerous.cautions_lost == []
    assert result.verdicts is None


def test_a_cause_that_is_no_longer_named_and_the_other_way_round() -> None:
    strict = edited(refuse_all)
    rows = [row(1, WET), row(2, BARE)]
    result = result_of(tried(rows, strict))
    assert [(one.from_, one.to, one.count) for one in result.changes] == [("moisture", "undetermined", 1)]
    assert (result.dangerous.refused_to_named, result.dangerous.named_to_other) == ([], [])
    assert [(one.from_, one.to) for one in result.statuses] == [("coded", "undetermined")]
    (example,) = result.changes[0].examples
    assert (example.decision, example.before.cause, example.after.cause) == (
        UUID(int=1),
        "moisture",
        "undetermined",
    )

    refused = [recorded(1, rows[0].case_text, _answer(WET, strict)), rows[1]]
    back = result_of(tried(refused, compiled_starter()))
    assert [(one.from_, one.to) for one in back.dangerous.refused_to_named] == [("undetermined", "moisture")]


def _answer(case: Any, compiled: CompiledTable) -> Answer:
    return classifying.answer_case(classifying.read_case(json.dumps(case).encode(), compiled), compiled)


def to_water(document: dict[str, Any]) -> None:
    text = json.dumps(document).replace('"moisture"', '"water"')
    document.clear()
    document.update(json.loads(text))


def test_another_cause_and_lost_cautions_are_told_apart() -> None:
    def change(document: dict[str, Any]) -> None:
        to_water(document)
        document["cautions"] = []

    result = result_of(tried([row(1, WET)], edited(change)))
    assert [(one.from_, one.to) for one in result.dangerous.named_to_other] == [("moisture", "water")]
    assert result.dangerous.losing_cautions == 1
    assert {one.count for one in result.dangerous.cautions_lost} == {1}


def test_what_cannot_be_read_is_counted_by_its_flaw() -> None:
    compiled = compiled_starter()
    lost = msgspec.structs.replace(row(1, WET), case_text=json.dumps({**BARE, "observations": {"gone": "x"}}))
    broken = msgspec.structs.replace(row(2, WET), case_text='"no case"')
    result = result_of(tried([lost, broken, row(3, WET)], compiled))
    assert (result.compared, result.unreadable) == (1, 2)
    assert any("/observations/gone" in one.text for one in result.unreadable_because)
    assert {one.examples[0].decision for one in result.unreadable_because} == {UUID(int=1), UUID(int=2)}


def test_a_cause_that_is_renamed_does_not_change() -> None:
    def rename(document: dict[str, Any]) -> None:
        to_water(document)
        document["retired"] = [{"kind": "cause", "code": "moisture", "renamed_to": "water"}]

    tally = tried([row(1, WET)], edited(rename), {UUID(int=1): "moisture"})
    result = result_of(tally)
    assert result.changed == 0
    assert result.verdicts.before.right.count == result.verdicts.after.right.count == 1


def test_examples_are_few_and_others_are_shown_to_whoever_may_see_them() -> None:
    rows = [row(number, WET, client=1 + number % 2) for number in range(1, 25)]
    tally = tried(rows, edited(refuse_all))
    everything = result_of(tally).changes[0]
    own = result_of(tally, sees=lambda client: client == 1).changes[0]
    assert (everything.count, own.count) == (24, 24)
    assert len(everything.examples) == len(own.examples) == MOST_EXAMPLES
    assert all(example.decision.int % 2 == 0 for example in own.examples)
    assert result_of(tally, sees=lambda client: client == 3).changes[0].examples == []


def test_it_is_carried_on_where_it_was_left() -> None:
    rows = [row(number, case) for number, case in enumerate([WET, BARE, WET, BARE, WET], 1)]
    established: dict[UUID, str | None] = {UUID(int=1): "moisture", UUID(int=2): None, UUID(int=5): "surge"}
    strict = edited(refuse_all)
    half = tried(rows[:2], strict, established)
    kept = msgspec.json.decode(msgspec.json.encode(half), type=ComparisonTally)
    assert result_of(tried(rows[2:], strict, established, kept)) == result_of(
        tried(rows, strict, established)
    )


@cache
def many() -> list[tuple[RecordedRow, str | None]]:
    """Decisions of two clients with what was established: most change or cannot be read, for more reasons
    than are told apart, which come back in turns.
    """
    wet, bare, rows = row(0, WET), row(0, BARE), []
    for number in range(1, 241):
        given = wet if number % 3 else bare
        if number % 2:
            case = {**BARE, "observations": {f"gone_{number * 7 % 61}": "x"}}
            given = msgspec.structs.replace(bare, case_text=json.dumps(case))
        established = ("moisture", "surge", None)[number // 3 % 3]
        rows.append(
            (msgspec.structs.replace(given, id=UUID(int=number), client_id=1 + number % 4 // 3), established)
        )
    return rows


@settings(max_examples=30, deadline=None)
@given(st.sets(st.integers(1, 239)))
def test_however_it_is_cut_the_tally_is_the_same_to_the_byte(cuts: set[int]) -> None:
    def counted(places: list[int]) -> bytes:
        tally, again = ComparisonTally(own=1), AnswersAgain(strict_table())
        for start, end in pairwise([0, *places, 240]):
            piece = ComparisonTally(own=1)
            part = many()[start:end]
            compare_recorded([one for one, _ in part], {one.id: cause for one, cause in part}, again, piece)
            tally.merge(piece)
        return msgspec.json.encode(tally)

    whole = counted([])
    assert counted(sorted(cuts)) == whole
    tally = msgspec.json.decode(whole, type=ComparisonTally)
    assert (len(tally.unreadable), len(tally.unreadable[OTHER_REASONS].kept)) == (MOST_REASONS + 1, 10)
    assert tally.pairs.before.brier.n > 0


@cache
def strict_table() -> CompiledTable:
    return edited(refuse_all)


def test_a_library_says_what_is_right() -> None:
    cases = [
        LibraryCase("wet", WET, frozenset({"moisture"})),
        LibraryCase("bare", BARE, frozenset({"undetermined"})),
        LibraryCase("unknown", {"unit": {}}, frozenset({"surge"})),
    ]
    tally = ComparisonTally()
    compare_library(cases, compiled_starter(), edited(refuse_all), tally)
    result = result_of(tally)
    assert (result.compared, result.unreadable) == (2, 1)
    assert [example.case for example in result.changes[0].examples] == ["wet"]
    assert (result.verdicts.before.right.count, result.verdicts.after.right.count) == (2, 1)
    assert (result.verdicts.difference.right_before_only, result.verdicts.difference.p_value) == (1, 1.0)


def test_every_library_has_cases_that_say_what_is_right() -> None:
    for name in LIBRARIES:
        cases = case_library(name)
        assert len(cases) > 20, name
        assert len({case.name for case in cases}) == len(cases)
        assert all(case.right for case in cases)
