"""Short answers say what whole answers say, whatever the case, alone or among others."""

import json
from functools import cache
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase.classifying import add_outcomes, answer_case
from coldcase.core.case_reader import ParsedCase, parse_case
from coldcase.core.short_answers import short_answers
from coldcase.errors import BadCase
from tests.core.tables import compiled_starter
from tests.scale.differing import differing

DEVELOPMENT = Path(__file__).parents[1] / "data" / "dev_cases.jsonl"


@cache
def known_cases() -> list[dict[str, Any]]:
    told = [json.loads(line)["case"] for line in DEVELOPMENT.read_text("utf-8").splitlines()]
    return [*told, *differing(120)]


def read(case: dict[str, Any]) -> ParsedCase | None:
    try:
        return parse_case(case, compiled_starter())
    except BadCase:
        return None


@st.composite
def mixed(draw: st.DrawFn) -> dict[str, Any]:
    """A case on the machine of one, with some of what was found in one and in another."""
    one, other = draw(st.sampled_from(known_cases())), draw(st.sampled_from(known_cases()))
    found = {**one.get("observations", {}), **other.get("observations", {})}
    kept = draw(st.sets(st.sampled_from(sorted(found)))) if found else set()
    mixed_case = one | {"observations": {name: found[name] for name in kept}}
    if draw(st.booleans()):
        mixed_case.pop("readings", None)
    return mixed_case


@settings(max_examples=40)
@given(st.lists(mixed(), min_size=1, max_size=12))
def test_a_batch_gives_the_single_path_s_codes_and_confidences(cases: list[dict[str, Any]]) -> None:
    compiled = compiled_starter()
    parsed = [one for case in cases if (one := read(case)) is not None]
    together = short_answers([add_outcomes(one, compiled) for one in parsed], compiled)
    for one, short in zip(parsed, together, strict=True):
        whole = answer_case(one, compiled)
        assert (short.cause, short.status, short.confidence) == (whole.cause, whole.status, whole.confidence)
        assert short.ranking == {row.cause: row.confidence for row in whole.ranking}
        assert list(short.cautions) == [advice.text for advice in whole.cautions]
