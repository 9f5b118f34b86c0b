"""How many questions the case form asks until the cause leads, over all worked cases."""

import statistics
import tomllib
from typing import Any

import pytest

from tests.spec.questions import Asked, went
from tests.told import PLACE, told_text


@pytest.fixture(scope="module")
def pointed() -> list[Asked]:
    return went(points=True)


def test_every_demo_case_leads_within_twelve_questions(pointed):
    counts = {one.name: len(one.asked) for one in pointed if one.led and one.name.startswith("demo")}
    assert len(counts) == 7
    assert max(counts.values()) <= 12


def test_who_points_at_what_there_is_to_tell_is_asked_a_handful(pointed):
    assert all(one.led for one in pointed)
    counts = sorted(len(one.asked) for one in pointed)
    assert len(counts) > 150
    assert statistics.median(counts) <= 4
    assert sum(count <= 12 for count in counts) >= len(counts) - 1


def test_a_question_that_many_can_answer_is_asked_before_one_that_tells_more_and_few_can(monkeypatch):
    by_chance = went(points=False)
    monkeypatch.setattr("tests.spec.questions.told_shares", dict)
    by_gain_alone = went(points=False)

    def within(gone: list[Asked]) -> int:
        return sum(len(one.asked) <= 12 for one in gone if one.led)

    assert statistics.median(len(one.asked) for one in by_chance) <= 9
    assert within(by_chance) > within(by_gain_alone)


def test_what_is_told_is_about_what_the_told_cases_say():
    """It orders questions and nothing else, so a few cases more may wait for the next count."""
    kept, counted = (tomllib.loads(text) for text in (PLACE.read_text("utf-8"), told_text()))

    def share(of: dict[str, Any], code: str) -> float:
        return float(of["findings"].get(code, 0) / of["cases"])

    codes = {*kept["findings"], *counted["findings"]}
    far = [code for code in codes if abs(share(kept, code) - share(counted, code)) > 0.1]
    assert far == [], "python -m tests.told"
