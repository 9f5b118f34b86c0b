"""From a JSON value to a case: every flaw at once, each at its place, with the likeliest meant word."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.answer import LeftOut
from coldcase.core.case import Case
from coldcase.core.case_reader import parse_case
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.leniency import parse_case_leniently
from coldcase.core.rule_table import Retired
from coldcase.errors import MOST_FLAWS, BadCase, Flaw, as_told
from tests.core.tables import compiled_of, compiled_starter, modest, starter

UNIT = {"compressor_type": "scroll", "motor": "three_phase"}
CONTRACT_EXAMPLE: dict[str, Any] = {
    "job": {"ref": "WO-1184", "closed_at": "2026-03-02T16:40:00Z", "circuit": "plant-3/rack-B"},
    "unit": {
        "ref": "B-2",
        "compressor_type": "scroll",
        "hermeticity": "hermetic",
        "motor": "three_phase",
        "winding_connection": "star",
        "refrigerant": "R-448A",
        "lubricant": "POE",
        "viscosity_grade": 32,
        "application": "low_temperature",
        "oil_charge": {"value": 1.9, "unit": "L"},
        "refrigerant_charge": {"value": 38, "unit": "kg"},
        "rated_voltage_v": 400,
        "rated_current_a": 21.5,
        "compressors_on_circuit": 4,
        "installed_at": "2021-05-04",
    },
    "opening": {"method": "rolling_cutter", "oil": "measured", "oil_sample": "sealed"},
    "observations": {"copper_plating": "heavy", "oil_clarity": "stays_milky", "system_solids": "none", "oil_colour": ["brown", "black"]},
    "readings": {
        "suction_pressure": {"value": 41, "unit": "psig"},
        "suction_temperature": {"value": 2.0, "unit": "degC"},
        "line_voltages_v": [401, 396, 399],
        "insulation": {"resistance_megohm": 12, "winding_temperature": {"value": 25, "unit": "degC"}},
    },
    "oil_results": {
        "water_mg_kg": 310,
        "acid_number_mg_koh_g": "<0.05",
        "iron_mg_kg": 140,
        "viscosity_40c_mm2_s": 29.4,
        "particle_count_iso4406": "20/18/15",
    },
    "evidence": [
        {
            "uri": "https://files.example/wo-1184/plating.jpg",
            "sha256": "0" * 64,
            "finding": "copper_plating",
            "caption": "thrust face",
        }
    ],
    "supersedes": None,
}


def flaws(raw: Any, compiled: CompiledTable | None = None) -> dict[str, Flaw]:
    with pytest.raises(BadCase) as refusal:
        parse_case(raw, compiled or compiled_starter())
    found = {flaw.pointer: flaw for flaw in refusal.value.flaws}
    assert len(found) == len(refusal.value.flaws)
    return found


def only_flaw(raw: Any, compiled: CompiledTable | None = None) -> Flaw:
    (flaw,) = flaws(raw, compiled).values()
    return flaw


def observing(**observations: Any) -> dict[str, Any]:
    return {"unit": UNIT, "observations": observations}


def test_the_whole_example_of_the_contract_is_taken() -> None:
    parsed = parse_case(CONTRACT_EXAMPLE, compiled_starter())
    assert parsed.notes == ()
    assert parsed.raw == CONTRACT_EXAMPLE
    assert parsed.case.observations["oil_colour"] == ["brown", "black"]
    assert parsed.case.oil_results.acid_number_mg_koh_g == "<0.05"
    assert parsed.case.job.closed_at is not None
    assert parsed.case.job.closed_at.isoformat() == "2026-03-02T16:40:00+00:00"


def test_a_unit_of_unknown_motor_and_type_is_case_enough() -> None:
    assert parse_case({"unit": {"compressor_type": "unknown", "motor": "unknown"}}, compiled_starter()).case.observations == {}


FLAWED: dict[str, tuple[Any, str, str, str | None]] = {
    "not an object": ([], "", "A case is a JSON object.", None),
    "no unit": ({}, "/unit", "This member is required.", None),
    "no motor": ({"unit": {"compressor_type": "scroll"}}, "/unit/motor", "This member is required.", None),
    "unit is no object": ({"unit": "scroll"}, "/unit", "Expected 'object', got 'str'.", None),
    "unknown member": ({"unit": UNIT, "observation": {}}, "/observation", "There is no member 'observation' here.", "observations"),
    "unknown member of the unit": ({"unit": {**UNIT, "moter": "x"}}, "/unit/moter", "There is no member 'moter' here.", "motor"),
    "member with a slash and a tilde": ({"unit": UNIT, "a/b~c": 1}, "/a~1b~0c", "There is no member 'a/b~c' here.", None),
    "unknown compressor type": (
        {"unit": {**UNIT, "compressor_type": "scrol"}},
        "/unit/compressor_type",
        "'scrol' is none of scroll, rotary,",
        "scroll",
    ),
    "a kind that is not covered": (
        {"unit": {**UNIT, "compressor_type": "centrifugal"}},
        "/unit/compressor_type",
        "Open-drive, centrifugal and vehicle compressors are not covered: the rule table knows nothing of them.",
        None,
    ),
    "number as text": (
        {"unit": {**UNIT, "rated_voltage_v": "400"}},
        "/unit/rated_voltage_v",
        "A number stands without quotation marks: 400.",
        None,
    ),
    "decimal comma": (
        {"unit": UNIT, "oil_results": {"acid_number_mg_koh_g": "0,05"}},
        "/oil_results/acid_number_mg_koh_g",
        "The decimals stand after a point, not after a comma and a number stands without quotation marks: 0.05.",
        None,
    ),
    "bound with a decimal comma": (
        {"unit": UNIT, "oil_results": {"acid_number_mg_koh_g": "<0,05"}},
        "/oil_results/acid_number_mg_koh_g",
        "The decimals stand after a point, not after a comma: <0.05.",
        None,
    ),
    "unknown pressure unit": (
        {"unit": UNIT, "readings": {"suction_pressure": {"value": 3, "unit": "psi"}}},
        "/readings/suction_pressure/unit",
        "'psi' is none of kPag, kPaa,",
        None,
    ),
    "time without a zone": (
        {"unit": UNIT, "job": {"closed_at": "2026-03-02T16:40:00"}},
        "/job/closed_at",
        "Expected 'datetime' with a timezone component.",
        None,
    ),
    "a label with a control character": (
        {"unit": UNIT, "job": {"ref": "WO\x00"}},
        "/job/ref",
        "A label is one line of characters that can be seen",
        None,
    ),
    "a label that ends its line": (
        {"unit": UNIT, "job": {"ref": "WO\n"}},
        "/job/ref",
        "A label is one line of characters that can be seen",
        None,
    ),
    "unknown finding": (observing(copper_platin="heavy"), "/observations/copper_platin", "The rule table has no finding", "copper_plating"),
    "finding in capitals": (
        observing(**{"Copper Plating": "heavy"}),
        "/observations/Copper Plating",
        "The rule table has no finding",
        "copper_plating",
    ),
    "unknown outcome": (
        observing(copper_plating="havy"),
        "/observations/copper_plating",
        "'Copper plating on steel parts' has no outcome 'havy'; it has none, light, heavy.",
        "heavy",
    ),
    "finding of another machine": (
        {"unit": {"compressor_type": "reciprocating", "motor": "three_phase"}, "observations": {"scroll_wraps": "chipped_or_fractured"}},
        "/observations/scroll_wraps",
        "cannot be found on this motor, connection and compressor type.",
        None,
    ),
    "empty list of outcomes": (
        observing(oil_colour=[]),
        "/observations/oil_colour",
        "An outcome is a code, or a list of codes that could not be told apart.",
        None,
    ),
    "outcome named twice": (observing(oil_colour=["brown", "brown"]), "/observations/oil_colour", "An outcome is named twice.", None),
    "outcome as a number": (observing(oil_colour=3), "/observations/oil_colour", "An outcome is a code, or a list of codes", None),
    "outcome as a truth": (observing(oil_colour=True), "/observations/oil_colour", "An outcome is a code, or a list of codes", None),
    "exhibit of an unknown finding": (
        {"unit": UNIT, "evidence": [{"uri": "a"}, {"uri": "b", "finding": "oil_color"}]},
        "/evidence/1/finding",
        "The rule table has no finding 'oil_color'.",
        "oil_colour",
    ),
    "exhibit without an address": ({"unit": UNIT, "evidence": [{}]}, "/evidence/0/uri", "This member is required.", None),
    "exhibit that is none": ({"unit": UNIT, "evidence": ["photo"]}, "/evidence/0", "An exhibit is a JSON object.", None),
    "supersedes that is no id": ({"unit": UNIT, "supersedes": "WO-1"}, "/supersedes", "Invalid UUID.", None),
    "a bound of another form": (
        {"unit": UNIT, "oil_results": {"water_mg_kg": "5<"}},
        "/oil_results/water_mg_kg",
        "The text is empty",
        None,
    ),
    "one winding resistance of three": (
        {"unit": UNIT, "readings": {"winding_resistances_ohm": [1.0]}},
        "/readings/winding_resistances_ohm",
        "Expected 'array' of length >= 3.",
        None,
    ),
    "three hundred observations": (
        observing(**{f"finding_{i}": "none" for i in range(300)}),
        "/observations",
        "Expected 'object' of length <= 200.",
        None,
    ),
}


@pytest.mark.parametrize(("raw", "pointer", "detail", "suggestion"), FLAWED.values(), ids=FLAWED.keys())
def test_a_flaw_is_named_at_its_place(raw: Any, pointer: str, detail: str, suggestion: str | None) -> None:
    found = flaws(raw)
    assert pointer in found
    assert detail in found[pointer].detail
    assert found[pointer].suggestion == suggestion


MANY = {
    "unit": {"compressor_type": "scrol", "motor": "three_phase", "colour": "red"},
    "job": {"ref": ""},
    "opening": {"method": "grindr", "seen": "parts"},
    "observations": {
        "copper_plating": "havy",
        "oil_clarity": "stays_milky",
        "rust": "present",
        "oil_colour": ["black", "black"],
        "noise": 7,
    },
    "readings": {"run_hours": -1, "altitude_m": 100},
    "oil_results": {"water_mg_kg": None, "iron_mg_kg": "many"},
    "evidence": [{"uri": "a", "finding": "coper_plating"}, {"uri": "a b"}],
    "note": "x",
}
MANY_PLACES = {
    "/unit/compressor_type",
    "/unit/colour",
    "/job/ref",
    "/opening/method",
    "/observations/copper_plating",
    "/observations/rust",
    "/observations/oil_colour",
    "/observations/noise",
    "/readings/run_hours",
    "/oil_results/iron_mg_kg",
    "/evidence/0/finding",
    "/evidence/1/uri",
    "/note",
}


def test_all_flaws_are_named_at_once_and_nothing_else() -> None:
    assert flaws(MANY).keys() == MANY_PLACES


def test_all_bad_observations_of_a_well_formed_case_are_named_at_once() -> None:
    raw = observing(copper_plating="havy", valve_reeds="broken", oil_colour=["brown", "brown"], oil_clarity="stays_milky", rusty="yes")
    assert flaws(raw).keys() == {f"/observations/{code}" for code in ("copper_plating", "valve_reeds", "oil_colour", "rusty")}


def test_a_flaw_elsewhere_hides_no_finding_of_another_machine() -> None:
    raw = {"unit": {"compressor_type": "reciprocating", "motor": "three_phase", "ref": 5}, "observations": {"scroll_wraps": "sound"}}
    assert flaws(raw).keys() == {"/unit/ref", "/observations/scroll_wraps"}


def test_what_a_later_look_finds_impossible_is_named_beside_the_unknown_words() -> None:
    impossible = Flaw("/readings/suction_temperature", "Below absolute zero.")
    with pytest.raises(BadCase) as refusal:
        parse_case({**observing(copper_plating="havy"), "readings": {"run_hours": 5}}, compiled_starter(), lambda case: [impossible])
    assert {flaw.pointer for flaw in refusal.value.flaws} == {"/observations/copper_plating", impossible.pointer}


def lenient(raw: Any, compiled: CompiledTable | None = None) -> tuple[Case, tuple[str, ...]]:
    parsed = parse_case_leniently(raw, compiled or compiled_starter())
    assert parse_case(parsed.raw, compiled or compiled_starter()).case == parsed.case
    return parsed.case, parsed.notes


def test_leniently_what_is_wrong_is_left_out_and_each_is_named() -> None:
    raw = {**MANY, "unit": {**UNIT, "colour": "red"}}
    case, notes = lenient(raw)
    assert {note.removeprefix("Left out ").partition(" (")[0] for note in notes} == MANY_PLACES - {"/unit/compressor_type"}
    assert case.observations == {"oil_clarity": "stays_milky"}
    assert case.readings.altitude_m == 100
    assert case.opening.seen == "parts"
    assert case.opening.method is None


def test_every_flaw_of_a_measurement_is_told() -> None:
    with pytest.raises(BadCase) as refused:
        parse_case({"unit": UNIT, "readings": {"suction_pressure": {"value": "3,2", "unit": "bra", "at": "inlet"}}}, compiled_starter())
    place = "/readings/suction_pressure"
    assert {flaw.pointer for flaw in refused.value.flaws} == {f"{place}/value", f"{place}/unit", f"{place}/at"}


def test_leniently_a_measurement_is_left_out_as_a_whole() -> None:
    parsed = parse_case_leniently({"unit": UNIT, "readings": {"suction_pressure": {"value": "3,2", "unit": "bra"}}}, compiled_starter())
    (left_out,) = parsed.left_out
    assert left_out.pointer == "/readings/suction_pressure"
    assert left_out.sent == '{"value":"3,2","unit":"bra"}'
    assert "value: The decimals stand after a point" in left_out.detail
    assert "unit: 'bra' is none of" in left_out.detail


def test_leniently_the_good_exhibits_stay() -> None:
    case, notes = lenient({"unit": UNIT, "evidence": [{"uri": "a"}, {"uri": "b c"}, 7, {"uri": "d", "finding": "oil_color"}, {"uri": "e"}]})
    assert [exhibit.uri for exhibit in case.evidence] == ["a", "e"]
    assert len(notes) == 3


@pytest.mark.parametrize("raw", [[], {}, {"unit": {"motor": "inverter"}}, {"unit": {**UNIT, "motor": "steam"}}, {"unit": None}])
def test_leniently_a_case_without_a_readable_unit_is_still_refused(raw: Any) -> None:
    with pytest.raises(BadCase):
        parse_case_leniently(raw, compiled_starter())


@pytest.mark.parametrize("name", ["x" * 65, "x" * 5000, "~1/", "", "observations/a", "\x00"])
def test_leniently_members_of_any_name_are_left_out(name: str) -> None:
    raw = {"unit": UNIT, name: 1, "readings": {name: 1}, "observations": {name: "none", "oil_colour": "clear"}}
    case, notes = lenient(raw)
    assert case.observations == {"oil_colour": "clear"}
    assert len(notes) == 3


MANY_UNKNOWN = {f"member_{number}": "x" * 3 for number in range(3000)}


@pytest.mark.parametrize("junk", [MANY_UNKNOWN, {f"{number}{'~' * 300}": "\u0001" * 30 for number in range(100)}, {"x" * 60_000: 1}])
def test_what_is_left_out_is_told_in_bounded_words(junk: dict[str, Any]) -> None:
    parsed = parse_case_leniently({"unit": UNIT, **junk, "readings": junk}, compiled_starter())
    assert parsed.case.unit.motor == "three_phase"
    assert len(parsed.left_out) <= MOST_FLAWS + 1
    assert len(msgspec.json.encode((parsed.left_out, parsed.notes))) < 60_000
    told = 2 * len(junk) - (len(parsed.left_out) - 1)
    if told > 1:
        assert parsed.left_out[-1] == LeftOut("", "", f"{told} more members were left out.")
    assert parsed.notes[-1] == parsed.left_out[-1].detail or told <= 1


def test_what_was_meant_is_looked_for_no_more_often_than_it_is_told() -> None:
    many = flaws({"unit": {**UNIT, **{f"mot{number}or": 1 for number in range(1000)}}})
    assert len(many) == 1000
    assert sum(flaw.suggestion is not None for flaw in many.values()) <= MOST_FLAWS


def test_more_flaws_than_are_told_are_counted() -> None:
    many = tuple(Flaw(f"/{number}", "wrong") for number in range(201))
    assert as_told(many[:200]) == many[:200]
    assert as_told(many) == (*many[:200], Flaw("", "1 more flaws are not listed."))


def test_leniently_a_suspicion_that_no_removal_answers_refuses() -> None:
    raw = {"unit": UNIT, "readings": {"altitude_m": 5}}
    with pytest.raises(BadCase):
        parse_case_leniently(raw, compiled_starter(), lambda case: [Flaw("/readings/run_hours", "More hours than the machine is old.")])


scalars = (
    st.none() | st.booleans() | st.integers(-10, 10) | st.floats(-5, 5) | st.sampled_from(["none", "scroll", "x" * 70, "<5", "", "~/"])
)
names = st.sampled_from([*Case.__struct_fields__, "motor", "value", "uri", "copper_plating", "oil_colour", "x" * 70, "a/b", ""])
junk = st.recursive(scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=4), max_leaves=12)


@modest
@given(st.dictionaries(names, junk, max_size=6))
def test_any_junk_is_refused_with_flaws_and_taken_leniently_once_the_unit_is_right(raw: dict[str, Any]) -> None:
    broken = {**raw, "unit": {"motor": "three_phase"}}
    assert "/unit/motor" not in flaws(broken)
    assert "/unit/compressor_type" in flaws(broken)
    case, _ = lenient({**raw, "unit": UNIT})
    assert case.unit.motor == "three_phase"


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


def test_a_retired_code_may_stand_beside_an_exhibit(later: CompiledTable) -> None:
    assert parse_case({"unit": UNIT, "evidence": [{"uri": "a", "finding": "plating"}]}, later).case.evidence[0].finding == "plating"


def test_an_outcome_named_twice_is_refused_beside_a_retired_one_too(later: CompiledTable) -> None:
    assert only_flaw(observing(oil_colour=["brown", "brown", "dark"]), later).detail == "An outcome is named twice."


def test_a_refrigerant_is_read_however_it_is_spelled():
    parsed = parse_case({"unit": {"compressor_type": "scroll", "motor": "unknown", "refrigerant": "r410a"}}, compiled_starter())
    assert (parsed.case.unit.refrigerant, parsed.notes) == ("R-410A", ())


def test_a_refrigerant_that_is_respelled_is_named() -> None:
    for sent, note in (
        ("propane", ("/unit/refrigerant: 'propane' is read as R-290.",)),
        ("R-507", ("/unit/refrigerant: 'R-507' is read as R-507A.",)),
        ("410A", ("/unit/refrigerant: '410A' is read as R-410A.",)),
        ("r404a", ()),
        (" R 404A ", ()),
        ("R-1234ZE (E)", ()),
    ):
        assert parse_case({"unit": {**UNIT, "refrigerant": sent}}, compiled_starter()).notes == note


def test_blanks_around_a_label_do_not_count() -> None:
    raw = {"unit": {**UNIT, "ref": " B-2", "refrigerant": "R-448A "}, "job": {"ref": "\u00a0TH-1 ", "circuit": " rack B "}}
    parsed = parse_case(raw, compiled_starter())
    assert (parsed.case.job.ref, parsed.case.job.circuit) == ("TH-1", "rack B")
    assert (parsed.case.unit.ref, parsed.case.unit.refrigerant) == ("B-2", "R-448A")
    assert parsed.raw == raw


def test_an_unknown_refrigerant_is_accepted_and_named():
    parsed = parse_case({"unit": {"compressor_type": "scroll", "motor": "unknown", "refrigerant": "R-999"}}, compiled_starter())
    assert parsed.case.unit.refrigerant == "R-999"
    assert "R-999" in parsed.notes[0]


def test_leniently_what_was_left_out_is_quoted_as_it_was_sent() -> None:
    _, notes = lenient({"unit": UNIT, "oil_results": {"iron_mg_kg": "1,4"}})
    assert notes[0].startswith('Left out /oil_results/iron_mg_kg ("1,4"): ')


def test_leniently_a_compressor_that_the_table_does_not_cover_is_still_refused() -> None:
    with pytest.raises(BadCase, match="flaw"):
        parse_case_leniently({"unit": {**UNIT, "hermeticity": "open_drive"}}, compiled_starter())


@pytest.mark.parametrize("time", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
def test_a_stand_in_for_no_time_is_refused(time: str) -> None:
    assert flaws({"unit": UNIT, "job": {"closed_at": time}}).keys() == {"/job/closed_at"}
