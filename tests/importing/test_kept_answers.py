"""What an import keeps of its answers never shows: each line has, to the byte, the answer that its case gets
alone."""

from typing import Any

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase.classifying import answer_case, case_of, encode_answer, with_head
from coldcase.core.case_reader import ParsedCase
from coldcase.importing.answering import NoAnswer, written_answers
from coldcase.kept_answers import KeptAnswers, evidence_key
from tests.core.tables import compiled_starter
from tests.core.test_short_answers import mixed, read

PLENTY, LITTLE = 16 * 1024 * 1024, 30_000
LENIENT = {"unit": {"compressor_type": "scroll", "motor": "three_phase", "colour": "red"}}


def text_of(parsed: ParsedCase, kept: KeptAnswers, *, next_checks: bool) -> bytes:
    return texts_of([parsed], kept, next_checks=next_checks)[0]


def texts_of(parsed: list[ParsedCase], kept: KeptAnswers, *, next_checks: bool) -> list[bytes]:
    found = written_answers(parsed, compiled_starter(), kept, next_checks=next_checks)
    return [with_head(one.answer, one.rest) for one in found if not isinstance(one, NoAnswer)]


def alone(parsed: ParsedCase, *, next_checks: bool) -> bytes:
    return encode_answer(answer_case(parsed, compiled_starter(), next_checks=next_checks))


def jobs(case: dict[str, Any]) -> st.SearchStrategy[dict[str, Any]]:
    """The same evidence, of some job of some machine."""
    job = st.fixed_dictionaries({}, optional={"ref": st.sampled_from("ABC"), "circuit": st.just("rack-B")})
    return st.builds(
        lambda job, unit: case | {"job": case.get("job", {}) | job, "unit": case["unit"] | unit},
        job,
        st.sampled_from([{}, {"ref": "B-2"}]),
    )


@settings(max_examples=25)
@given(st.data(), st.lists(mixed(), min_size=1, max_size=4), st.sampled_from([PLENTY, LITTLE]))
def test_lines_whose_evidence_repeats_have_the_answers_of_their_cases_alone(
    data: st.DataObject, cases: list[dict[str, Any]], most_bytes: int
) -> None:
    """Whatever was asked before, in the same chunk or another, with next checks or without."""
    kept = KeptAnswers(most_bytes)
    drawn = data.draw(st.lists(st.sampled_from(cases).flatmap(jobs), min_size=1, max_size=12))
    parsed = [one for case in drawn if (one := read(case)) is not None]
    for chunk in batched_by_three(parsed):
        next_checks = data.draw(st.booleans())
        assert texts_of(chunk, kept, next_checks=next_checks) == [
            alone(one, next_checks=next_checks) for one in chunk
        ]
        assert kept.bytes <= most_bytes


def batched_by_three(parsed: list[ParsedCase]) -> list[list[ParsedCase]]:
    return [parsed[start : start + 3] for start in range(0, len(parsed), 3)]


def test_an_answer_with_next_checks_is_another_one_than_without() -> None:
    kept = KeptAnswers(PLENTY)
    parsed = case_of({"unit": {"compressor_type": "scroll", "motor": "three_phase"}}, compiled_starter())
    short, whole = (text_of(parsed, kept, next_checks=checks) for checks in (False, True))
    assert msgspec.json.decode(short)["next_checks"] == []
    assert msgspec.json.decode(whole)["next_checks"] != []
    assert text_of(parsed, kept, next_checks=False) == short


def test_the_same_evidence_is_worked_out_once() -> None:
    kept, compiled = KeptAnswers(PLENTY), compiled_starter()
    unit = {"compressor_type": "scroll", "motor": "three_phase"}
    first, second = (case_of({"unit": unit, "job": {"ref": ref}}, compiled) for ref in ("J-1", "J-2"))
    texts_of([first, second, first], kept, next_checks=False)
    key = evidence_key(first, compiled, next_checks=False)
    assert key == evidence_key(second, compiled, next_checks=False)
    assert key is not None
    held = kept.get(key)
    assert held is not None
    assert kept.bytes == held.size
    again = written_answers([second], compiled, kept, next_checks=False)[0]
    assert not isinstance(again, NoAnswer)
    assert again.rest is held.rest


def test_what_is_asked_for_last_is_kept_longest() -> None:
    compiled, kept = compiled_starter(), KeptAnswers(100_000)
    unit = {"compressor_type": "scroll", "motor": "three_phase"}
    often = case_of({"unit": unit}, compiled)
    key = evidence_key(often, compiled, next_checks=False)
    assert key is not None
    for grade in range(1, 60):
        other = case_of({"unit": unit | {"viscosity_grade": grade}}, compiled)
        texts_of([often, other], kept, next_checks=False)
        assert kept.get(key) is not None


def test_answers_to_cases_that_were_read_leniently_are_not_kept() -> None:
    kept, compiled = KeptAnswers(PLENTY), compiled_starter()
    parsed = [case_of(LENIENT | {"job": {"ref": ref}}, compiled, lenient=True) for ref in ("J-1", "J-2")]
    assert texts_of(parsed, kept, next_checks=False) == [alone(one, next_checks=False) for one in parsed]
    assert kept.bytes == 0
