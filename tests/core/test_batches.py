"""Cases that are answered together get, to the byte, the answers that each gets alone."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase.classifying import add_readings, answer_case, encode_answer, rest_of, with_head
from coldcase.core.answer_builder import build_answers
from coldcase.core.next_checks import gains_many
from coldcase.core.rule_table import ALL_EFFORTS
from coldcase.core.weighing import collect, observe, weigh_many
from tests.core.tables import compiled_starter
from tests.core.test_short_answers import known_cases, mixed, read


@settings(max_examples=20)
@given(mixed(), st.none() | st.text(max_size=8), st.none() | st.uuids(), st.none() | st.datetimes())
def test_an_answer_that_was_written_before_gets_its_head_to_the_byte(
    case: dict[str, Any], job_ref: str | None, id_: UUID | None, at: datetime | None
) -> None:
    parsed = read(case)
    if parsed is None:
        return
    answer = answer_case(parsed, compiled_starter())
    again = msgspec.structs.replace(
        answer, job_ref=job_ref, id=id_, supersedes=id_, recorded_at=at, recorded=at is not None
    )
    assert with_head(again, rest_of(answer)) == encode_answer(again)


@settings(max_examples=40)
@given(st.lists(mixed(), min_size=1, max_size=12), st.booleans())
def test_a_batch_gives_the_single_path_s_bytes(cases: list[dict[str, Any]], next_checks: bool) -> None:
    compiled = compiled_starter()
    parsed = [one for case in cases if (one := read(case)) is not None]
    together = build_answers(
        [add_readings(one, compiled) for one in parsed], compiled, next_checks=next_checks
    )
    alone = [answer_case(one, compiled, next_checks=next_checks) for one in parsed]
    assert [encode_answer(answer) for answer in together] == [encode_answer(answer) for answer in alone]


def test_the_gains_of_checks_are_the_same_to_the_last_bit_in_a_batch() -> None:
    """The library for matrices may add up many rows in another order than one."""
    compiled = compiled_starter()
    parsed = [one for one in map(read, known_cases()) if one is not None]
    evidence = [collect(one.case, observe(one.case, {}, compiled), compiled) for one in parsed]
    for model in {id(each.model): each.model for each in evidence}.values():
        batch = [each for each in evidence if each.model is model]
        whole = gains_many(weigh_many(batch, compiled), compiled, [ALL_EFFORTS] * len(batch))
        for case, each in enumerate(batch):
            alone = gains_many(weigh_many([each], compiled), compiled, [ALL_EFFORTS])
            for together, one in zip(whole, alone, strict=True):
                assert np.array_equal(together[case], one[0])
