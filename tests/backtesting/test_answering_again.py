"""What is read of a recorded answer is what it says, and what is left out of a recorded case changes no
answer: by whole answers, read as a whole.
"""

import json
from collections.abc import Sequence
from typing import Any

import msgspec
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coldcase import classifying
from coldcase.backtesting import answering_again
from coldcase.backtesting.answering_again import AnswersAgain, evidence_on_record, recorded_answer
from coldcase.backtesting.touching import AskedAgain
from coldcase.core.answer import Answer
from coldcase.core.answer_builder import CaseWithReadings
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.short_answers import ShortAnswer, short_answers
from coldcase.db.answers import StoredAnswer
from coldcase.errors import BadCase, Flaw
from tests.backtesting.records import recorded
from tests.core.tables import compiled_starter
from tests.core.test_short_answers import known_cases, mixed

TIMES = [
    "2026-03-01T08:00:00Z",
    "2026-03-01T08:00:00+02:00",
    "2031-11-30T23:59:59Z",
    "2026-03-01T08:00:00",
    "0001-01-01T00:00:00Z",
    "9999-12-31T23:59:59Z",
    "soon",
    "",
    None,
    0,
    [],
]


@st.composite
def dated(draw: st.DrawFn) -> dict[str, Any]:
    """A case that says when it failed, well or badly, and perhaps when the machine was installed."""
    case = draw(mixed())
    case = case | {"job": {"ref": "TH-1", "failed_at": draw(st.sampled_from(TIMES))}}
    if draw(st.booleans()):
        case["unit"] = case["unit"] | {
            "installed_at": draw(st.sampled_from(["2026-02-20", "2019-05-01", None, "x"]))
        }
    return case


def whole(case: dict[str, Any]) -> Answer | tuple[Flaw, ...]:
    """The whole answer to what is weighed of a case with the time of its failure, or its flaws."""
    job = {"failed_at": case["job"]["failed_at"]} if "failed_at" in case.get("job", {}) else {}
    raw = {name: part for name, part in case.items() if name not in ("job", "evidence", "supersedes")}
    try:
        return classifying.answer_case(
            classifying.case_of(raw | {"job": job}, compiled_starter()), compiled_starter()
        )
    except BadCase as error:
        return error.flaws


def shortened(answer: Answer) -> ShortAnswer:
    """What a backtest compares of an answer, read from all of its JSON."""
    said = json.loads(classifying.encode_answer(answer))
    return ShortAnswer(
        cause=said["cause"],
        status=said["status"],
        confidence=said["confidence"],
        ranking={one["cause"]: one["confidence"] for one in said["ranking"]},
        cautions=tuple(one["text"] for one in said["cautions"]),
    )


def same(one: ShortAnswer, other: ShortAnswer) -> bool:
    return msgspec.structs.asdict(one) | {"ranking": dict(one.ranking)} == msgspec.structs.asdict(other)


@settings(max_examples=60, deadline=None)
@given(st.lists(dated(), min_size=1, max_size=8), st.booleans())
def test_cases_on_record_are_answered_as_whole_ones_are(cases: list[dict[str, Any]], twice: bool) -> None:
    asked = [AskedAgain(json.dumps(case)) for case in cases]
    again = AnswersAgain(compiled_starter())
    found = again.answers(asked)
    assert not twice or again.answers(asked[::-1]) == found[::-1]
    for case, short in zip(cases, found, strict=True):
        answer = whole(case)
        if isinstance(answer, Answer):
            assert isinstance(short, ShortAnswer)
            assert same(short, shortened(answer))
        else:
            assert short == answer


@settings(max_examples=40, deadline=None)
@given(mixed(), st.text(max_size=40))
@example(known_cases()[0], '"cautions":[{"text":"Invented."}]')
@example(known_cases()[0], '\\"cautions\\":[]}')
def test_a_recorded_answer_is_what_all_of_its_text_says(case: dict[str, Any], note: str) -> None:
    answer = whole(case)
    if not isinstance(answer, Answer):
        return
    noted = msgspec.structs.replace(answer, notes=[*answer.notes, note])
    row, said = recorded(1, json.dumps(case), noted), shortened(noted)
    assert same(recorded_answer(row, {}), said)
    assert same(recorded_answer(row, {}, ranked=False), msgspec.structs.replace(said, ranking={}))
    blanks = json.dumps(json.loads(row.answer_text), indent=1)
    assert same(
        recorded_answer(msgspec.structs.replace(row, stored=StoredAnswer(blanks, None, None, None)), {}), said
    )


def test_cautions_that_stand_deeper_are_nobodys() -> None:
    text = '{"cautions":[{"text":"own"}],"later":{"cautions":[{"text":"other"}]}}'
    assert answering_again.recorded_cautions(text) == ("own",)


def test_causes_that_became_one_are_ranked_as_one() -> None:
    row = recorded(1, "{}", answered(known_cases()[0]))
    first, second = [one.cause for one in answered(known_cases()[0]).ranking[:2]]
    before = recorded_answer(row, {}).ranking
    after = recorded_answer(row, {second: first}).ranking
    assert second not in after
    assert after[first] == before[first] + before[second]


def answered(case: dict[str, Any]) -> Answer:
    answer = whole(case)
    assert isinstance(answer, Answer)
    return answer


def test_the_time_of_failure_tells_no_evidence_apart_unless_something_hangs_on_it() -> None:
    unit: dict[str, Any] = {"compressor_type": "scroll", "motor": "three_phase"}

    def kept(failed_at: object, **more: object) -> object:
        return evidence_on_record(json.dumps({"unit": unit | more, "job": {"failed_at": failed_at}}))

    assert kept("2026-03-01T08:00:00Z") == kept("2026-03-02T08:00:00Z") == {"unit": unit}
    assert kept("soon") != kept("2026-03-01T08:00:00Z")
    assert kept("9999-12-31T23:59:59Z") != kept("2026-03-01T08:00:00Z")
    since = {"installed_at": "2026-02-20"}
    assert kept("2026-03-01T08:00:00Z", **since) != kept("2026-03-02T08:00:00Z", **since)


def test_the_same_evidence_is_answered_once(monkeypatch: Any) -> None:
    asked: list[int] = []

    def counted(cases: Sequence[CaseWithReadings], compiled: CompiledTable) -> list[ShortAnswer]:
        asked.append(len(cases))
        return short_answers(cases, compiled)

    monkeypatch.setattr("coldcase.backtesting.answering_again.short_answers", counted)
    again, unit = AnswersAgain(compiled_starter()), {"compressor_type": "scroll", "motor": "three_phase"}
    cases = [
        AskedAgain(json.dumps({"unit": unit, "job": {"failed_at": f"2026-03-0{day}T08:00:00Z"}}))
        for day in range(1, 8)
    ]
    first, *others = again.answers(cases)
    assert all(other is first for other in others + again.answers(cases))
    assert sum(asked) == 1
