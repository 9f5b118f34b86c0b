"""The cache of answers never shows: what comes out of it is what `explain` says, whatever was asked
before."""

import asyncio
from typing import Any

import msgspec
import pytest

from coldcase import classifying
from coldcase.answering import AnswerBatcher
from coldcase.core.case import Unit
from coldcase.core.case_reader import ParsedCase, parse_case
from coldcase.core.leniency import parse_case_leniently
from coldcase.core.rule_table import RuleTable
from tests.core.tables import compiled_of, compiled_starter, starter_document

WEIGHED: dict[str, list[Any]] = {
    "unit": [
        {"refrigerant": "R-410A"},
        {"refrigerant": "what is it"},
        {"application": "chiller"},
        {"compressors_on_circuit": 3},
    ],
    "opening": [{"method": "torch"}, {"oil_sample": "open", "left_open": "weeks"}, {"seen": "photos_only"}],
    "readings": [
        {"suction_superheat": {"value": 1, "unit": "K"}},
        {"suction_superheat": {"value": 44, "unit": "K"}},
        {"run_hours": 3},
    ],
    "oil_results": [{"water_mg_kg": 12}, {"water_mg_kg": 312}, {"iron_mg_kg": "<5"}],
    "observations": [
        {"copper_plating": "heavy"},
        {"oil_colour": ["black", "brown"]},
        {"oil_colour": "black"},
    ],
}
NOT_WEIGHED: dict[str, list[Any]] = {
    "unit": [{"ref": "B-2"}, {"make": "Tern Haven"}, {"model": "TH-40"}, {"serial": "0815"}],
    "job": [
        {"ref": "TH-1"},
        {"failed_at": "2026-03-01T04:00:00Z"},
        {"closed_at": "2026-03-02T16:40:00Z", "circuit": "rack-B"},
    ],
    "evidence": [[{"uri": "https://files.example/1.jpg"}]],
    "supersedes": ["01a2157f-fd0d-7630-b323-b38ec8711a64"],
}
CHANGES = [
    (part, change) for parts in (WEIGHED, NOT_WEIGHED) for part, each in parts.items() for change in each
]
BASES: list[dict[str, Any]] = [
    {"unit": {"compressor_type": "scroll", "motor": "three_phase"}},
    {
        "unit": {
            "compressor_type": "reciprocating",
            "motor": "single_phase",
            "refrigerant": "R-134a",
            "lubricant": "POE",
        },
        "opening": {"method": "saw"},
        "observations": {"metal_in_oil": "flakes", "shaft_turns": "stuck"},
        "readings": {"suction_superheat": {"value": 11, "unit": "K"}, "line_voltages_v": [228]},
        "oil_results": {"acid_number_mg_koh_g": 0.4},
    },
]


def changed(base: dict[str, Any], part: str, change: Any) -> ParsedCase:
    return parse_case(
        base | {part: {**base.get(part, {}), **change} if isinstance(change, dict) else change},
        compiled_starter(),
    )


@pytest.mark.anyio
@pytest.mark.parametrize("base", BASES, ids=["little", "much"])
async def test_a_cached_answer_is_the_one_that_would_be_computed(base: dict[str, Any]) -> None:
    """After whatever else was asked before: every case that differs from another in one part alone, one after
    the other."""
    compiled, wrong = compiled_starter(), []
    each = [(what, changed(base, *what)) for what in CHANGES]
    for before, first in each:
        batcher = AnswerBatcher()
        await batcher.answer(first, compiled)
        wrong += [
            (before, what)
            for what, parsed in each
            if await batcher.answer(parsed, compiled) != classifying.answer_case(parsed, compiled)
        ]
    assert wrong == []


def asking(batcher: AnswerBatcher, *raws: dict[str, Any]) -> None:
    async def ask() -> None:
        for raw in raws:
            parsed = parse_case_leniently(raw, compiled_starter())
            assert await batcher.answer(parsed, compiled_starter()) == classifying.answer_case(
                parsed, compiled_starter()
            )

    asyncio.run(ask())


UNIT = msgspec.to_builtins(Unit(compressor_type="scroll", motor="three_phase"))


def test_what_is_never_weighed_shares_an_answer() -> None:
    batcher = AnswerBatcher()
    asking(batcher, {"unit": UNIT})
    held = batcher.cached_bytes
    asking(
        batcher,
        *(
            {"unit": UNIT | (change if part == "unit" else {})} | ({part: change} if part != "unit" else {})
            for part, all_ in NOT_WEIGHED.items()
            for change in all_
        ),
    )
    assert batcher.cached_bytes == held > 0


def test_the_cache_stays_within_its_bytes() -> None:
    batcher = AnswerBatcher(most_bytes=50_000)
    for number in range(60):
        asking(batcher, {"unit": {**UNIT, "viscosity_grade": number + 1}})
        assert batcher.cached_bytes <= 50_000
    assert batcher.cached_bytes > 25_000


def test_lenient_answers_are_not_kept() -> None:
    batcher = AnswerBatcher()
    asking(batcher, {"unit": UNIT, "colour": "red"})
    assert batcher.cached_bytes == 0


@pytest.mark.anyio
async def test_another_rule_table_has_answers_of_its_own() -> None:
    document = starter_document()
    document["causes"]["moisture"]["title"] = "Water, and nothing but water"
    other, batcher = compiled_of(msgspec.convert(document, RuleTable)), AnswerBatcher()
    parsed = parse_case(
        {"unit": UNIT, "observations": {"copper_plating": "heavy"}, "oil_results": {"water_mg_kg": 900}},
        compiled_starter(),
    )
    before, after = await batcher.answer(parsed, compiled_starter()), await batcher.answer(parsed, other)
    assert (before.cause, after.title) == ("moisture", "Water, and nothing but water")


@pytest.mark.anyio
async def test_when_it_failed_is_weighed_where_it_is_known_when_it_was_installed() -> None:
    batcher, unit = AnswerBatcher(), {**BASES[0]["unit"], "installed_at": "2026-01-01"}
    days = []
    for failed in ("2026-01-03T00:00:00Z", "2026-03-02T00:00:00Z"):
        parsed = parse_case({"unit": unit, "job": {"failed_at": failed}}, compiled_starter())
        answer = await batcher.answer(parsed, compiled_starter())
        days += [value.value for value in answer.derived if value.quantity == "days_in_service"]
    assert days == [2.0, 60.0]
