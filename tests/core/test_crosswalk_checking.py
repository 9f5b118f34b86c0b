"""What a crosswalk may say of a client's own words and codes."""

from contextlib import suppress
from typing import Any

import pytest

from coldcase.core.crosswalk_checking import BadCrosswalk, parse_crosswalk
from coldcase.core.crosswalk_reading import RowReader
from coldcase.core.own_words import parse_own_words
from coldcase.errors import BadCase
from tests.core.tables import compiled_of, compiled_starter, finding, table
from tests.core.test_crosswalks import PLATING, changed


@pytest.fixture(scope="module")
def compiled():
    return compiled_starter()


WRONG_CROSSWALKS = {
    "no object": ([], "", None),
    "nothing in it": ({}, "", None),
    "an unknown member": ({"outbound": {"moisture": "W"}, "inbond": 1}, "/inbond", "inbound"),
    "an unknown cause": ({"outbound": {"moistur": "W"}}, "/outbound/moistur", "moisture"),
    "a code that is none": ({"outbound": {"moisture": [1]}}, "/outbound/moisture", None),
    "a code that is yes": ({"outbound": {"moisture": {"shop": True}}}, "/outbound/moisture", None),
    "codes within codes": ({"outbound": {"moisture": {"a": {"b": 1}}}}, "/outbound/moisture", None),
    "no codes": ({"outbound": {}}, "/outbound", None),
    "a name that is none": ({"outbound": {"Water!": "W"}}, "/outbound/Water!", None),
    "no text for a name": ({"inbound": {"members": {"\x07": PLATING}}}, "/inbound/members", None),
    "no members": ({"inbound": {"members": {}}}, "/inbound/members", None),
    "a member that means nothing": (changed(X={}), "/inbound/members/X", None),
    "a member that is no object": (changed(X="/job/ref"), "/inbound/members/X", None),
    "an unknown pointer": (
        changed(X={"to": "/unit/refrigerent"}),
        "/inbound/members/X/to",
        "/unit/refrigerant",
    ),
    "an unknown finding": (
        changed(X={"to": "/observations/coper_plating"}),
        "/inbound/members/X/to",
        "/observations/copper_plating",
    ),
    "an unknown finding of a word": (
        changed(X={"words": {"a": {"coper_plating": "heavy"}}}),
        "/inbound/members/X/words/a/coper_plating",
        "copper_plating",
    ),
    "an unknown outcome": (
        changed(X={**PLATING, "words": {"a": "hevy"}}),
        "/inbound/members/X/words/a",
        "heavy",
    ),
    "one word to two outcomes": (
        changed(X={**PLATING, "words": {"copper": ["light", "heavy"]}}),
        "/inbound/members/X/words/copper",
        None,
    ),
    "one word twice but for capitals": (
        changed(X={**PLATING, "words": {"Copper": "light", "copper": "heavy"}}),
        "/inbound/members/X/words/copper",
        None,
    ),
    "a blank that is no outcome": (
        changed(X={**PLATING, "blank": "nothing"}),
        "/inbound/members/X/blank",
        None,
    ),
    "signs of what takes one outcome": (
        changed(X={**PLATING, "words": {"a": {"seen": ["heavy"]}}}),
        "/inbound/members/X/words/a",
        None,
    ),
    "a quantity without its unit": (
        changed(X={"to": "/readings/suction_pressure"}),
        "/inbound/members/X/unit",
        None,
    ),
    "a unit of something else": (
        changed(X={"to": "/readings/suction_pressure", "unit": "barG"}),
        "/inbound/members/X/unit",
        "barg",
    ),
    "a unit where none is taken": (
        changed(X={"to": "/job/ref", "unit": "K"}),
        "/inbound/members/X/unit",
        None,
    ),
    "two members to one place": (
        changed(X={"to": "/job/ref"}, Y={"to": "/job/ref"}),
        "/inbound/members/Y/to",
        None,
    ),
    "a word of another member's": (
        changed(X={"to": "/unit/motor", "words": {"3": "three_phse"}}),
        "/inbound/members/X/words/3",
        "three_phase",
    ),
    "an unknown rule": (changed(X={**PLATING, "wrods": {}}), "/inbound/members/X/wrods", "words"),
    "a date without a year": (
        {"inbound": {"members": {"X": PLATING}, "dates": "DD.MM."}},
        "/inbound/dates",
        "DD.MM.YYYY",
    ),
    "a constant that cannot be": (
        {"inbound": {"members": {"X": PLATING}, "constants": {"/unit/motor": "3ph"}}},
        "/inbound/constants/~1unit~1motor",
        "three_phase",
    ),
    "a constant nowhere": (
        {"inbound": {"members": {"X": PLATING}, "constants": {"/unit/mtor": "unknown"}}},
        "/inbound/constants/~1unit~1mtor",
        "/unit/motor",
    ),
}


@pytest.mark.parametrize("wrong", WRONG_CROSSWALKS)
def test_a_bad_crosswalk_is_refused_by_name(wrong, compiled):
    raw, pointer, suggestion = WRONG_CROSSWALKS[wrong]
    with pytest.raises(BadCrosswalk) as refused:
        parse_crosswalk(raw, compiled)
    [flaw] = refused.value.flaws
    assert (flaw.pointer, flaw.suggestion) == (pointer, suggestion)


def test_a_word_for_two_outcomes_is_told_so(compiled):
    with pytest.raises(BadCrosswalk) as refused:
        parse_crosswalk(WRONG_CROSSWALKS["one word to two outcomes"][0], compiled)
    assert "cannot stand for two outcomes of 'Copper plating" in refused.value.flaws[0].detail


RETIRING = compiled_of(
    table(
        {"leak": 99, "unlisted": 1},
        {
            "drip": finding(["no", "yes"], [90, 10]),
            "drier": finding([], [])
            | {
                "kind": "several",
                "outcomes": [{"code": code, "title": code.capitalize()} for code in ("wet", "torn")],
                "background": [5, 5],
            },
        },
        retired=[
            {"kind": "finding", "code": "gone"},
            {"kind": "finding", "code": "older_drip", "renamed_to": "drip"},
            {"kind": "finding", "code": "older_drier", "renamed_to": "drier"},
            {"kind": "outcome", "finding": "drip", "code": "soaked"},
        ],
    )
)
MEANINGS: list[Any] = [
    *("yes", "soaked", "wet", "", 5, None, True),
    *(["yes"], ["yes", "no"], [], [["yes"]]),
    *({}, {"seen": ["wet"]}, {"not_seen": ["wet"]}, {"not_seen": []}, {"seen": 5}, {"odd": 1}),
]


@pytest.mark.parametrize("code", ["drip", "drier", "gone", "older_drip", "older_drier"])
def test_what_is_kept_can_be_read_whatever_became_of_its_findings(code):
    """A row ends in a case or in its flaws, also where two members speak of one finding."""
    kept = 0
    for one in MEANINGS:
        for other in MEANINGS:
            members = {
                "One": {"words": {"w": {code: one}}},
                "Other": {"to": f"/observations/{code}", "words": {"w": other}},
            }
            try:
                crosswalk = parse_crosswalk({"inbound": {"members": members}}, RETIRING)
            except BadCrosswalk:
                continue
            assert crosswalk.inbound is not None
            kept += 1
            for row in ({"One": "w", "Other": "w"}, {"Other": ["w", "w"]}):
                with suppress(BadCase):
                    parse_own_words(row, RowReader(crosswalk.inbound), RETIRING, crosswalk=("form", 1))
    assert kept


def test_of_a_finding_that_is_gone_a_word_must_still_mean_an_outcome():
    members = {"One": {"to": "/observations/gone", "words": {"w": 5, "x": "yes"}}}
    with pytest.raises(BadCrosswalk) as refused:
        parse_crosswalk({"inbound": {"members": members}}, RETIRING)
    assert [flaw.pointer for flaw in refused.value.flaws] == ["/inbound/members/One/words/w"]
