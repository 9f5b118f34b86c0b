"""A client's own words: what a row in these words is read as."""

import string
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.case_reader import parse_case
from coldcase.core.crosswalk import own_codes
from coldcase.core.crosswalk_checking import parse_crosswalk
from coldcase.core.crosswalk_reading import RowReader
from coldcase.core.crosswalk_targets import case_targets
from coldcase.core.own_words import parse_own_words
from coldcase.errors import BadCase
from tests.core.tables import compiled_starter

FORM = """
title = "Job form of the creamery"

[outbound]
moisture = { shop = "W-07", mechanism = "2.2", cause = 31 }
oil_loss = "L-01"

[inbound]
decimal = ","
dates = "DD.MM.YYYY"
utc_offset = "+01:00"
blanks = ["-", "n/a"]
ignore = ["Technician"]

[inbound.constants]
"/unit/motor" = "three_phase"
"/opening/method" = "rolling_cutter"

[inbound.members]
"Job" = { to = "/job/ref" }
"Closed" = { to = "/job/closed_at" }
"Kind" = { to = "/unit/compressor_type", words = { "Scr" = "scroll", "Pist" = "reciprocating" } }
"Gas" = { to = "/unit/refrigerant" }
"Fitted" = { to = "/unit/installed_at" }
"Cleaned?" = { to = "/opening/cleaned_before", words = { "J" = true, "N" = false } }
"Oil" = { words = { "milk" = { oil_clarity = "stays_milky", oil_body = ["thin"] } } }
"Suction" = { to = "/readings/suction_pressure", unit = "barg" }
"TAN" = { to = "/oil_results/acid_number_mg_koh_g" }
"U12" = { to = "/readings/line_voltages_v/0" }
"U23" = { to = "/readings/line_voltages_v/1" }

[inbound.members."Copper"]
to = "/observations/copper_plating"
words = { "a lot" = "heavy", "plenty" = "heavy", "some" = "light" }
blank = "none"

[inbound.members."Scrolls"]
to = "/observations/scroll_signs"
separator = ";"
words.SCRATCH = "flanks_scored"
words.BROKEN = "wraps_broken"
words.fine = { not_seen = ["flanks_scored", "wraps_broken"] }
"""


FORM_RAW = tomllib.loads(FORM)
ROW = {
    "Job": "WO-7",
    "Closed": "2.3.2026",
    "Kind": " scr ",
    "Gas": "R-448A",
    "Fitted": "04.05.2021",
    "Cleaned?": "n",
    "Copper": "Plenty",
    "Oil": "milk",
    "Scrolls": "scratch; broken",
    "Suction": "2,85",
    "TAN": "<0,05",
    "U12": "401",
    "U23": "396",
    "Technician": "bench-2",
}
OURS = {
    "job": {"ref": "WO-7", "closed_at": "2026-03-02T00:00:00+01:00"},
    "unit": {
        "compressor_type": "scroll",
        "motor": "three_phase",
        "refrigerant": "R-448A",
        "installed_at": "2021-05-04",
    },
    "opening": {"method": "rolling_cutter", "cleaned_before": False},
    "observations": {
        "copper_plating": "heavy",
        "oil_clarity": "stays_milky",
        "oil_body": ["thin"],
        "scroll_signs": ["flanks_scored", "wraps_broken"],
    },
    "readings": {
        "suction_pressure": {"value": 2.85, "unit": "barg"},
        "line_voltages_v": [401, 396],
    },
    "oil_results": {"acid_number_mg_koh_g": "<0.05"},
}


@pytest.fixture(scope="module")
def compiled():
    return compiled_starter()


@pytest.fixture(scope="module")
def reader():
    return reader_of(FORM_RAW)


def reader_of(raw):
    inbound = parse_crosswalk(raw, compiled_starter()).inbound
    assert inbound is not None
    return RowReader(inbound)


def read(row, reader, compiled, **options):
    return parse_own_words(row, reader, compiled, crosswalk=("form", 3), **options)


def test_a_row_of_text_is_read_as_our_case(reader, compiled):
    parsed = read(ROW, reader, compiled)
    assert parsed.raw == OURS
    assert parsed.case == parse_case(OURS, compiled).case
    assert parsed.own_words == ("form", 3, ROW)


def test_figures_flags_and_lists_of_json_are_read_as_text_is(reader, compiled):
    row = {**ROW, "Suction": 2.85, "U12": 401, "U23": 396, "Scrolls": ["Scratch", "BROKEN"]}
    assert read(row, reader, compiled).raw == OURS


BARE = {"Kind": "Scr"}
BLANKS = {
    "nothing sent is nothing looked at": ({}, None),
    "a blank is none where the crosswalk says so": ({"Copper": ""}, "none"),
    "blanks alone": ({"Copper": "  "}, "none"),
    "null": ({"Copper": None}, "none"),
    "a word for it": ({"Copper": "N/A"}, "none"),
    "a blank of another member means nothing": ({"Oil": "", "Scrolls": "-", "Suction": ""}, None),
}


@pytest.mark.parametrize("blank", BLANKS)
def test_what_a_blank_means(blank, reader, compiled):
    row, found = BLANKS[blank]
    case = read(BARE | row, reader, compiled).raw
    assert case.get("observations", {}) == ({} if found is None else {"copper_plating": found})
    assert "readings" not in case


def test_a_constant_stands_only_where_no_member_says_otherwise(compiled):
    scrolls = {"to": "/observations/scroll_signs", "words": {"y": "flanks_scored"}}
    form = changed(Motor={"to": "/unit/motor"}, Scrolls=scrolls)
    constants = FORM_RAW["inbound"]["constants"] | {"/observations/scroll_signs": "wraps_broken"}
    form["inbound"]["constants"] = constants
    reader = reader_of(form)
    said = reader.read(BARE | {"Motor": "single_phase", "Scrolls": "y"}, compiled).case
    assert said["unit"]["motor"] == "single_phase"
    assert said["observations"] == {"scroll_signs": ["flanks_scored"]}
    unsaid = reader.read(BARE, compiled).case
    assert unsaid["unit"]["motor"] == "three_phase"
    assert unsaid["observations"] == {"scroll_signs": ["wraps_broken"]}


def test_one_word_may_stand_for_signs_that_are_not_there(reader, compiled):
    found = read(BARE | {"Scrolls": "fine"}, reader, compiled).case.observations["scroll_signs"]
    assert set(found.not_seen) == {"flanks_scored", "wraps_broken"}


WRONG_ROWS = {
    "an unknown member": ({"Coper": "some"}, "/Coper", "Copper", "knows no member 'Coper'"),
    "an unknown word": ({"Copper": "sme"}, "/Copper", "some", "none of a lot, plenty, some"),
    "a figure that is none": ({"Suction": "much"}, "/Suction", None, "no number"),
    "a point where a comma stands": ({"Suction": "2.85"}, "/Suction", "2,85", "after a comma"),
    "a bound where none is taken": ({"Suction": "<2"}, "/Suction", None, "limit"),
    "an impossible date": ({"Fitted": "31.02.2021"}, "/Fitted", None, "no such time"),
    "a date of another form": ({"Fitted": "2021-05-04"}, "/Fitted", None, "DD.MM.YYYY"),
    "an object": ({"Job": {"ref": 7}}, "/Job", None, "text, a number"),
    "several where one is taken": ({"Job": ["WO-1", "WO-2"]}, "/Job", None, "One value"),
    "a gap in a list": ({"U23": "396"}, "/U23", None, "no gaps"),
    "what our case refuses": ({"Job": "a\nb"}, "/Job", None, "one line"),
    "twice but for capitals": ({"copper": "some", "Copper ": "some"}, "/Copper ", None, "twice"),
    "a name with a slash": ({"a/b": 1}, "/a~1b", None, "knows no member"),
}


@pytest.mark.parametrize("wrong", WRONG_ROWS)
def test_a_bad_row_is_refused_by_the_clients_own_names(wrong, reader, compiled):
    row, pointer, suggestion, detail = WRONG_ROWS[wrong]
    with pytest.raises(BadCase) as refused:
        read(BARE | row, reader, compiled)
    [flaw] = refused.value.flaws
    assert (flaw.pointer, flaw.suggestion) == (pointer, suggestion)
    assert detail in flaw.detail


def test_every_flaw_is_told_at_once_and_what_follows_from_one_is_not(reader, compiled):
    row = {"Kind": "Scrw", "Copper": "sme", "Suction": "x", "Job": "a\nb"}
    with pytest.raises(BadCase) as refused:
        read(row, reader, compiled)
    assert [flaw.pointer for flaw in refused.value.flaws] == ["/Kind", "/Copper", "/Suction", "/Job"]


def test_what_is_missing_is_asked_of_the_member_that_gives_it(reader, compiled):
    with pytest.raises(BadCase) as refused:
        read({}, reader, compiled)
    assert [(flaw.pointer, flaw.detail) for flaw in refused.value.flaws] == [
        ("/Kind", "This member is required.")
    ]
    with pytest.raises(BadCase, match="flaw"):
        read([], reader, compiled)


def test_what_cannot_be_on_the_machine_is_named_by_its_member(reader, compiled):
    with pytest.raises(BadCase) as refused:
        read({"Kind": "Pist", "Scrolls": "Broken"}, reader, compiled)
    [flaw] = refused.value.flaws
    assert flaw.pointer == "/Scrolls"


def test_leniently_what_is_wrong_is_left_out_under_its_own_name(reader, compiled):
    row = BARE | {"Copper": "sme", "Suction": "1,5", "Gass": "R-22", "Job": "a\nb"}
    parsed = read(row, reader, compiled, lenient=True)
    assert {(one.pointer, one.sent) for one in parsed.left_out} == {
        ("/Copper", '"sme"'),
        ("/Gass", '"R-22"'),
        ("/Job", '"a\\nb"'),
    }
    assert [note for note in parsed.notes if note.startswith("Left out /Copper")]
    assert parsed.raw["readings"] == {"suction_pressure": {"value": 1.5, "unit": "barg"}}
    with pytest.raises(BadCase):
        read({"Kind": "Scrw"}, reader, compiled, lenient=True)


def changed(**members):
    return {
        "inbound": {**FORM_RAW["inbound"], "members": {"Kind": {"to": "/unit/compressor_type"}, **members}}
    }


PLATING = {"to": "/observations/copper_plating"}


def test_two_members_may_say_the_same_of_one_finding_and_not_otherwise(compiled):
    two = changed(
        A={**PLATING, "words": {"y": "heavy"}},
        B={"words": {"p": {"copper_plating": "light"}, "q": {"copper_plating": "heavy"}}},
    )
    reader = reader_of(two)
    assert read({"Kind": "scroll", "A": "y", "B": "q"}, reader, compiled).raw["observations"] == {
        "copper_plating": "heavy"
    }
    with pytest.raises(BadCase) as refused:
        read({"Kind": "scroll", "A": "y", "B": "p"}, reader, compiled)
    assert (refused.value.flaws[0].pointer, "'A' says otherwise" in refused.value.flaws[0].detail) == (
        "/B",
        True,
    )


def test_codes_go_out_as_the_client_wrote_them(compiled):
    crosswalk = parse_crosswalk(FORM_RAW, compiled)
    assert own_codes(crosswalk, "moisture") == {"shop": "W-07", "mechanism": "2.2", "cause": 31}
    assert own_codes(crosswalk, "oil_loss") == "L-01"
    assert own_codes(crosswalk, "wear_out") is None


def test_every_member_of_a_case_can_be_filled():
    targets = case_targets()
    assert {
        "/supersedes",
        "/job/note",
        "/readings/insulation/resistance_megohm",
        "/readings/capacitor/kind",
    } <= set(targets)
    assert {"/readings/winding_resistances_ohm/2", "/oil_results/sampled_at"} <= set(targets)
    assert targets["/readings/suction_pressure"].choices[0] == "kPag"
    assert {part.split("/")[1] for part in targets} == {
        "supersedes",
        "job",
        "unit",
        "opening",
        "readings",
        "oil_results",
    }


NAMES = st.text(string.ascii_letters + "äéß /~", min_size=1, max_size=12).filter(str.strip)


@given(st.data())
def test_the_same_case_in_own_words_and_in_ours_is_the_same(data):
    compiled = compiled_starter()
    codes = sorted(compiled.table.findings)
    chosen = data.draw(st.lists(st.sampled_from(codes), unique=True, max_size=8))
    names = data.draw(st.lists(NAMES, min_size=8, max_size=8, unique_by=lambda name: name.strip().casefold()))
    ours: dict[str, Any] = {"unit": {"compressor_type": "unknown", "motor": "unknown"}, "observations": {}}
    members: dict[str, Any] = {}
    row: dict[str, str] = {}
    for name, code in zip(names, chosen, strict=False):
        finding = compiled.table.findings[code]
        outcomes = [outcome.code for outcome in finding.outcomes]
        words = {f"{place}. {outcome.upper()}": outcome for place, outcome in enumerate(outcomes)}
        members[name] = {"to": f"/observations/{code}", "words": words, "separator": "|"}
        if finding.kind == "several":
            said = data.draw(st.lists(st.sampled_from(sorted(words)), min_size=1, unique=True))
            ours["observations"][code] = [words[word] for word in said]
        else:
            said = [data.draw(st.sampled_from(sorted(words)))]
            ours["observations"][code] = words[said[0]]
        row[name] = "|".join(said)
    members["the machine's pressure"] = {"to": "/readings/suction_pressure", "unit": "kPaa"}
    value = data.draw(st.decimals(50, 900, places=2))
    row["the machine's pressure"] = str(value).replace(".", ",")
    ours["readings"] = {"suction_pressure": {"value": float(value), "unit": "kPaa"}}
    constants = {"/unit/compressor_type": "unknown", "/unit/motor": "unknown"}
    raw = {"inbound": {"members": members, "constants": constants, "decimal": ","}}
    reader = reader_of(raw)
    assert read(row, reader, compiled).case == parse_case(ours, compiled).case


def test_the_documents_example_is_one():
    told = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
    example = told.split("```toml\n", 1)[1].split("```", 1)[0]
    crosswalk = parse_crosswalk(tomllib.loads(example), compiled_starter())
    assert own_codes(crosswalk, "oil_loss") == "L-01"
