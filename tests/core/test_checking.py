"""A rule table's flaws: each kind, at its place, all at once; the starter table has none."""

from collections.abc import Callable

import pytest

from coldcase.core.checking import flaws, read_table
from coldcase.core.rule_table import from_document
from coldcase.errors import BadRuleTable
from tests.core.damages import DAMAGES, PLATING, Document
from tests.core.tables import starter, starter_document


def found(document: Document) -> list[tuple[str, str]]:
    return [(flaw.pointer, flaw.detail) for flaw in flaws(from_document(document))]


def test_the_starter_table_has_no_flaw() -> None:
    assert list(flaws(starter())) == []


def test_a_table_without_flaws_is_read() -> None:
    assert read_table(starter_document()) == starter()


@pytest.mark.parametrize(("damage", "pointer", "detail"), DAMAGES.values(), ids=DAMAGES.keys())
def test_a_damaged_table_names_the_damage_at_its_place(
    damage: Callable[[Document], None], pointer: str, detail: str
) -> None:
    document = starter_document()
    damage(document)
    named = found(document)
    assert any(place == pointer and detail in text for place, text in named), named


@pytest.mark.parametrize("code", ["unlisted", "undetermined"])
def test_the_service_keeps_its_own_codes(code: str) -> None:
    document = starter_document()
    document["causes"][code] = document["causes"]["moisture"]
    assert (f"/causes/{code}", "This code is kept for the service itself.") in found(document)


def test_a_finding_of_one_outcome_tells_nothing() -> None:
    document = starter_document()
    row = document["findings"]["copper_plating"]
    row |= {"outcomes": row["outcomes"][:1], "background": [100], "per_hundred": {}}
    assert (f"{PLATING}/outcomes", "A finding has at least two outcomes, each named once.") in found(document)


def test_all_flaws_of_a_table_are_named_at_once() -> None:
    document = starter_document()
    damages = [
        "row too low",
        "unknown station",
        "group without a finding",
        "chain step that nothing shows",
        "discount of nothing",
        "bands that fall",
    ]
    for name in damages:
        DAMAGES[name][0](document)
    with pytest.raises(BadRuleTable) as refusal:
        read_table(document)
    assert {flaw.pointer for flaw in refusal.value.flaws} >= {DAMAGES[name][1] for name in damages}
