"""A rule table of another shape: each flaw at its place, beside all that is wrong with what can be read, and
none that is not there."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.checking import read_table
from coldcase.core.pointers import value_at
from coldcase.core.unknown_words import escaped
from coldcase.errors import BadRuleTable
from tests.core.damages import DAMAGES, Document, drop, put
from tests.core.tables import modest, starter_document


def found(document: Any) -> list[tuple[str, str]]:
    with pytest.raises(BadRuleTable) as refusal:
        read_table(document)
    return [(flaw.pointer, flaw.detail) for flaw in refusal.value.flaws]


@pytest.mark.parametrize(
    ("damage", "pointer"),
    [
        (put("groups", "copper", "rho", value=1.5), "/groups"),
        (put("temperature", value="hot"), "/temperature"),
        (put("format", value=2), "/format"),
        (put("discounts", 0, "keep", value=-1), "/discounts/0/keep"),
        (put("findings", "copper_plating", "colour", value="red"), "/findings"),
        (drop("coding", "coded"), "/coding"),
    ],
)
def test_a_table_of_another_shape_is_refused_where_it_departs(
    damage: Callable[[Document], None], pointer: str
) -> None:
    document = starter_document()
    damage(document)
    assert all(place.startswith(pointer) for place, _ in found(document))


def test_all_flaws_of_shape_are_named_of_one_row_too() -> None:
    document = starter_document()
    document["cautions"] = [{"text": "", "becase": "Common practice."}]
    document["limits"][0]["bands"][0]["below"] = "three"
    document["limits"][0]["basis"] = 7
    document["findings"]["oil_colour"]["outcomes"][1]["code"] = "Brown Oil"
    document["groups"]["Old Age"] = document["groups"]["copper"]
    document["colour"] = "red"
    del document["format"]
    assert {place for place, _ in found(document)} >= {
        "/format",
        "/groups/Old Age",
        "/limits/0/bands/0/below",
        "/limits/0/basis",
        "/findings/oil_colour/outcomes/1/code",
        "/cautions/0/text",
        "/cautions/0/becase",
        "/cautions/0/basis",
        "/colour",
    }


@pytest.mark.parametrize(
    ("place", "member", "missing"),
    [
        ("/limits/0", "quantity", True),
        ("/findings/oil_side_signs", "kind", False),
        ("/causes/moisture", "contrast", False),
    ],
)
def test_a_misspelt_member_is_named_with_what_was_meant(place: str, member: str, missing: bool) -> None:
    document = starter_document()
    row = value_at(document, place)
    row[f"{member}s"] = row.pop(member)
    with pytest.raises(BadRuleTable) as refusal:
        read_table(document)
    assert [(flaw.pointer, flaw.suggestion) for flaw in refusal.value.flaws] == [
        (f"{place}/{member}s", member),
        *([(f"{place}/{member}", None)] if missing else []),
    ]


@pytest.mark.parametrize(("damage", "pointer", "detail"), DAMAGES.values(), ids=DAMAGES.keys())
def test_a_flaw_of_shape_hides_no_other(
    damage: Callable[[Document], None], pointer: str, detail: str
) -> None:
    document = starter_document()
    document["temperature"] = "hot"
    document["cautions"].append({"text": "Mind the edges."})
    document["findings"]["copper_plating"]["effort"] = "opne"
    document["causes"]["moisture"]["summary"] = 7
    damage(document)
    named = found(document)
    assert any(place == pointer and detail in text for place, text in named), named
    assert {"/temperature", "/findings/copper_plating/effort", "/causes/moisture/summary"} <= {
        place for place, _ in named
    }


def places(value: Any, here: str = "") -> Iterator[str]:
    """Of everything that stands in a document."""
    yield here
    for name, one in value.items() if isinstance(value, dict) else ():
        yield from places(one, f"{here}/{escaped(name)}")
    for index, one in enumerate(value) if isinstance(value, list) else ():
        yield from places(one, f"{here}/{index}")


PLACES = sorted(places(starter_document()))
BY_DEPTH = [[place for place in PLACES if place.count("/") == depth] for depth in range(8)]


@given(st.sampled_from([level for level in BY_DEPTH if level]).flatmap(st.sampled_from))
@modest
def test_what_cannot_be_read_brings_no_other_flaw_with_it(place: str) -> None:
    document = starter_document()
    value = value_at(document, place)
    # No member of a table takes these.
    wrong = 7.5 if isinstance(value, (str, bool)) else "?"
    if place == "":
        assert found(wrong)[0][0] == ""
        return
    holder_place, _, name = place.rpartition("/")
    holder = value_at(document, holder_place)
    key = int(name) if isinstance(holder, list) else name.replace("~1", "/").replace("~0", "~")
    holder[key] = wrong
    named = [pointer for pointer, _ in found(document)]
    assert named == [place], (place, named)
