"""Reading leniently: what is wrong is left out as a whole and named; without a readable unit nothing
helps."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.answer import LeftOut
from coldcase.core.case import Case
from coldcase.core.case_reader import NOT_COVERED_TEXT, parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.leniency import parse_case_leniently
from coldcase.errors import MOST_FLAWS, BadCase, Flaw
from tests.core.cases import MANY, MANY_PLACES, UNIT, flaws
from tests.core.tables import compiled_starter, modest


def lenient(raw: Any, compiled: CompiledTable | None = None) -> tuple[Case, tuple[str, ...]]:
    parsed = parse_case_leniently(raw, compiled or compiled_starter())
    assert parse_case(parsed.raw, compiled or compiled_starter()).case == parsed.case
    return parsed.case, parsed.notes


def test_leniently_what_is_wrong_is_left_out_and_each_is_named() -> None:
    raw = {**MANY, "unit": {**UNIT, "colour": "red"}}
    case, notes = lenient(raw)
    wholes = {"/".join(place.split("/")[:3]) for place in MANY_PLACES - {"/unit/compressor_type"}}
    assert {note.removeprefix("Left out ").partition(" (")[0] for note in notes} == wholes
    assert case.observations == {"oil_clarity": "stays_milky"}
    assert case.readings.altitude_m == 100
    assert case.opening.seen == "parts"
    assert case.opening.method is None


def test_leniently_a_measurement_is_left_out_as_a_whole() -> None:
    parsed = parse_case_leniently(
        {"unit": UNIT, "readings": {"suction_pressure": {"value": "3,2", "unit": "bra"}}}, compiled_starter()
    )
    (left_out,) = parsed.left_out
    assert left_out.pointer == "/readings/suction_pressure"
    assert left_out.sent == '{"value":"3,2","unit":"bra"}'
    assert "value: The decimals stand after a point" in left_out.detail
    assert "unit: 'bra' is none of" in left_out.detail
    # A unit in place of the whole measurement would be wrong again, so it is only told.
    assert left_out.detail.endswith("; 'bara' was probably meant.")
    assert left_out.suggestion is None


LEFT_OUT: dict[str, Any] = {
    "/evidence/1": {"evidence": [{"uri": "a"}, {"uri": "b", "finding": "oil_color"}]},
    "/job/ref": {"job": {"ref": "WO\n"}},
    "/observations/oil_colour": {"observations": {"oil_colour": ["brwn", "blak"], "oil_clarity": "clear"}},
    "/oil_results/water_mg_kg": {"oil_results": {"water_mg_kg": "3,2"}},
    "/opening/method": {"opening": {"method": "open"}},
    "/readings/insulation": {
        "readings": {
            "insulation": {"resistance_megohm": 5, "winding_temperature": {"value": 25, "unit": "C"}}
        }
    },
    "/readings/line_voltages_v": {"readings": {"line_voltages_v": [401, "396", "399"]}},
    "/unit/oil_charge": {"unit": {**UNIT, "oil_charge": {"value": 2, "unit": "litres"}}},
    "/unit/winding_connection": {"unit": {**UNIT, "winding_connection": "open"}},
    "/serial": {"serial": 7},
}


@pytest.mark.parametrize(("pointer", "wrong"), LEFT_OUT.items(), ids=LEFT_OUT.keys())
def test_leniently_what_is_left_out_is_named_as_the_whole_that_it_is(
    pointer: str, wrong: dict[str, Any]
) -> None:
    raw = {"unit": UNIT, **wrong}
    parsed = parse_case_leniently(raw, compiled_starter())
    (left_out,) = parsed.left_out
    assert left_out.pointer == pointer
    sent: Any = raw
    for name in pointer.split("/")[1:]:
        sent = sent[int(name)] if isinstance(sent, list) else sent[name]
    assert msgspec.json.decode(left_out.sent) == sent


def test_leniently_both_flaws_of_an_exhibit_are_told() -> None:
    parsed = parse_case_leniently(
        {"unit": UNIT, "evidence": [{"uri": "a b", "finding": "oil_color"}]}, compiled_starter()
    )
    (left_out,) = parsed.left_out
    assert left_out.pointer == "/evidence/0"
    assert "uri: The text is empty" in left_out.detail
    assert (
        "finding: The rule table has no finding 'oil_color'; 'oil_colour' was probably meant."
        in left_out.detail
    )


def test_leniently_the_good_exhibits_stay() -> None:
    case, notes = lenient(
        {
            "unit": UNIT,
            "evidence": [{"uri": "a"}, {"uri": "b c"}, 7, {"uri": "d", "finding": "oil_color"}, {"uri": "e"}],
        }
    )
    assert [exhibit.uri for exhibit in case.evidence] == ["a", "e"]
    assert len(notes) == 3


@pytest.mark.parametrize(
    "raw",
    [
        [],
        {},
        {"unit": None},
        {"unit": {"motor": "inverter"}},
        {"unit": {**UNIT, "motor": "steam"}},
        {"unit": {**UNIT, "compressor_type": "scrol"}},
    ],
)
def test_leniently_a_case_without_a_readable_unit_is_still_refused(raw: Any) -> None:
    with pytest.raises(BadCase):
        parse_case_leniently(raw, compiled_starter())


@pytest.mark.parametrize("name", ["x" * 65, "x" * 5000, "~1/", "", "observations/a", "\x00"])
def test_leniently_members_of_any_name_are_left_out(name: str) -> None:
    raw = {
        "unit": UNIT,
        name: 1,
        "readings": {name: 1},
        "observations": {name: "none", "oil_colour": "clear"},
    }
    case, notes = lenient(raw)
    assert case.observations == {"oil_colour": "clear"}
    assert len(notes) == 3


MANY_UNKNOWN = {f"member_{number}": "x" * 3 for number in range(3000)}


@pytest.mark.parametrize(
    "junk",
    [MANY_UNKNOWN, {f"{number}{'~' * 300}": "\u0001" * 30 for number in range(100)}, {"x" * 60_000: 1}],
)
def test_what_is_left_out_is_told_in_bounded_words(junk: dict[str, Any]) -> None:
    parsed = parse_case_leniently({"unit": UNIT, **junk, "readings": junk}, compiled_starter())
    assert parsed.case.unit.motor == "three_phase"
    assert len(parsed.left_out) <= MOST_FLAWS + 1
    assert len(msgspec.json.encode((parsed.left_out, parsed.notes))) < 60_000
    told = 2 * len(junk) - (len(parsed.left_out) - 1)
    if told > 1:
        assert parsed.left_out[-1] == LeftOut("", "", f"{told} more members were left out.")
    assert parsed.notes[-1] == parsed.left_out[-1].detail or told <= 1


def test_leniently_a_suspicion_that_no_removal_answers_refuses() -> None:
    raw = {"unit": UNIT, "readings": {"altitude_m": 5}}
    with pytest.raises(BadCase):
        parse_case_leniently(
            raw,
            compiled_starter(),
            lambda case: [Flaw("/readings/run_hours", "More hours than the machine is old.")],
        )


scalars = (
    st.none()
    | st.booleans()
    | st.integers(-10, 10)
    | st.floats(-5, 5)
    | st.sampled_from(["none", "scroll", "x" * 70, "<5", "", "~/"])
)


names = st.sampled_from(
    [*Case.__struct_fields__, "motor", "value", "uri", "copper_plating", "oil_colour", "x" * 70, "a/b", ""]
)


junk = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=4),
    max_leaves=12,
)


@modest
@given(st.dictionaries(names, junk, max_size=6))
def test_any_junk_is_refused_with_flaws_and_taken_leniently_once_the_unit_is_right(
    raw: dict[str, Any],
) -> None:
    broken = {**raw, "unit": {"motor": "three_phase"}}
    assert "/unit/motor" not in flaws(broken)
    assert "/unit/compressor_type" in flaws(broken)
    case, _ = lenient({**raw, "unit": UNIT})
    assert case.unit.motor == "three_phase"


def test_leniently_what_was_left_out_is_quoted_as_it_was_sent() -> None:
    _, notes = lenient({"unit": UNIT, "oil_results": {"iron_mg_kg": "1,4"}})
    assert notes[0].startswith('Left out /oil_results/iron_mg_kg ("1,4"): ')


@pytest.mark.parametrize(
    "said", [{"hermeticity": "open_drive"}, {"compressor_type": "centrifugal"}, {"application": "automotive"}]
)
def test_leniently_a_compressor_that_the_table_does_not_cover_is_still_refused(said: dict[str, str]) -> None:
    with pytest.raises(BadCase) as refused:
        parse_case_leniently({"unit": {**UNIT, **said}}, compiled_starter())
    assert [flaw.detail for flaw in refused.value.flaws] == [NOT_COVERED_TEXT]
