"""Codes of an earlier rule table are read under a later one, with a note."""

from typing import Any

import msgspec
import pytest

from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.leniency import parse_case_leniently
from coldcase.core.rule_table import Retired
from tests.core.cases import UNIT, flaws, observing, only_flaw
from tests.core.tables import compiled_of, starter

RETIRED = [
    Retired(kind="finding", code="plating", renamed_to="copper_plating"),
    Retired(kind="finding", code="smell_of_shop"),
    Retired(kind="outcome", finding="oil_colour", code="dark", renamed_to="black"),
    Retired(kind="outcome", finding="oil_colour", code="sooty", renamed_to="black"),
    Retired(kind="outcome", finding="oil_colour", code="greenish"),
]


@pytest.fixture(scope="module", name="later")
def _later() -> CompiledTable:
    """A later table, compiled, in which some codes were renamed or dropped."""
    return compiled_of(msgspec.structs.replace(starter(), retired=RETIRED))


@pytest.mark.parametrize(
    ("sent", "read"),
    [
        ({"plating": "heavy"}, {"copper_plating": "heavy"}),
        ({"smell_of_shop": "yes", "oil_colour": "clear"}, {"oil_colour": "clear"}),
        ({"oil_colour": "dark"}, {"oil_colour": "black"}),
        ({"oil_colour": "greenish"}, {}),
        ({"oil_colour": ["brown", "dark"]}, {"oil_colour": ["brown", "black"]}),
        ({"oil_colour": ["dark", "sooty"]}, {"oil_colour": ["black"]}),
        ({"oil_colour": ["brown", "greenish"]}, {}),
        ({"plating": "none", "copper_plating": "heavy"}, {"copper_plating": "heavy"}),
        ({"copper_plating": "heavy", "plating": "none"}, {"copper_plating": "heavy"}),
    ],
)
def test_codes_of_an_earlier_table_are_read_under_this_one_with_a_note(
    sent: dict[str, Any], read: dict[str, Any], later: CompiledTable
) -> None:
    parsed = parse_case({"unit": UNIT, "observations": sent}, later)
    assert parsed.case.observations == read
    assert parsed.notes
    assert all("is retired; " in note for note in parsed.notes)
    assert parsed.raw["observations"] == sent


def test_a_note_on_a_retired_code_says_what_became_of_it(later: CompiledTable) -> None:
    parsed = parse_case({"unit": UNIT, "observations": {"plating": "heavy", "smell_of_shop": "yes"}}, later)
    assert parsed.notes == (
        "/observations/plating: 'plating' is retired; read as 'copper_plating'.",
        "/observations/smell_of_shop: 'smell_of_shop' is retired; it is no longer weighed.",
    )


def test_a_retired_code_is_no_flaw_beside_other_flaws(later: CompiledTable) -> None:
    raw = {
        "unit": {**UNIT, "ref": 1},
        "observations": {"plating": "heavy", "oil_colour": "dark"},
        "evidence": [{"uri": "a", "finding": "plating"}],
    }
    assert flaws(raw, later).keys() == {"/unit/ref"}


def test_a_retired_outcome_is_no_flaw_beside_a_wrong_one(later: CompiledTable) -> None:
    raw = {**observing(oil_colour=["dark", "blak"]), "unit": {**UNIT, "ref": 1}}
    assert flaws(raw, later).keys() == {"/unit/ref", "/observations/oil_colour/1"}


def test_a_retired_code_may_stand_beside_an_exhibit(later: CompiledTable) -> None:
    assert (
        parse_case({"unit": UNIT, "evidence": [{"uri": "a", "finding": "plating"}]}, later)
        .case.evidence[0]
        .finding
        == "plating"
    )


def test_an_outcome_named_twice_is_refused_beside_a_retired_one_too(later: CompiledTable) -> None:
    assert (
        only_flaw(observing(oil_colour=["brown", "brown", "dark"]), later).detail
        == "An outcome is named twice."
    )


@pytest.mark.parametrize("sent", [{"plating": "havy"}, {"plating": "havy", "oil_clarity": 3}])
def test_a_wrong_outcome_of_a_retired_code_stands_where_it_was_sent(
    sent: dict[str, Any], later: CompiledTable
) -> None:
    flaw = flaws(observing(**sent), later)["/observations/plating"]
    assert flaw.suggestion == "heavy"
    assert parse_case_leniently(observing(**sent), later).case.observations == {}


def test_a_wrong_outcome_beside_retired_ones_stands_where_it_was_sent(later: CompiledTable) -> None:
    assert (
        only_flaw(observing(oil_colour=["dark", "sooty", "blak"]), later).pointer
        == "/observations/oil_colour/2"
    )
