"""Form fields and the JSON of a case: there and back, whatever is in it."""

from datetime import datetime
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase import classifying
from coldcase.core.signs import engine_codes
from coldcase.errors import BadCase
from coldcase.shipped import demo_cases, starter_table
from coldcase.web.pages.case_fields import PARTS, FormField, form_fields
from coldcase.web.pages.case_form import case_from_form, field_of, form_from_case
from coldcase.web.pages.case_readings import read_for
from coldcase.web.pages.case_words import HINTS, LABELS
from tests.core.tables import compiled_starter

TABLE = starter_table()
FINDINGS = {code: row for code, row in TABLE.findings.items() if row.gate == type(row.gate)()}


def signs_of(code: str) -> list[str] | None:
    row = TABLE.findings.get(code)
    return [outcome.code for outcome in row.outcomes] if row and row.kind == "several" else None


def again(case: dict[str, Any]) -> dict[str, Any]:
    return case_from_form(form_from_case(case, signs_of), signs_of)


NUMBERS = st.one_of(st.integers(0, 10**6), st.decimals(0, 10**6, places=3, allow_nan=False).map(float))
WORDS = st.text(st.characters(codec="utf-8", categories=["L", "N", "P"]), min_size=1, max_size=20)
TIMES = st.datetimes(min_value=datetime(2000, 1, 1)).map(  # noqa: DTZ001  # UTC is said below
    lambda at: at.replace(microsecond=0).isoformat() + "Z"
)


def values(made: FormField) -> st.SearchStrategy[Any]:
    """What a case may hold where a field stands."""
    if made.kind == "flag":
        return st.booleans()
    if made.kind == "choice":
        return st.sampled_from([value for value, _ in made.values])
    if made.kind == "quantity":
        units = st.sampled_from([unit for unit, _ in made.units])
        return st.one_of(
            st.fixed_dictionaries({"value": NUMBERS, "unit": units}),
            st.fixed_dictionaries({"from": NUMBERS, "to": NUMBERS, "unit": units}),
        )
    if made.kind == "figure":
        kinds: list[st.SearchStrategy[Any]] = (
            [st.lists(NUMBERS, min_size=2, max_size=3)] if made.list_ != "no" else []
        )
        kinds += [NUMBERS] if made.list_ != "must" else []
        if made.ranged:
            kinds.append(
                st.fixed_dictionaries({"from": NUMBERS, "to": NUMBERS, "unit": st.just(made.ranged)})
            )
        return st.one_of(kinds)
    if made.kind == "time":
        return TIMES
    return st.dates().map(str) if made.kind == "day" else WORDS


@st.composite
def observations(draw) -> dict[str, Any]:
    said = {}
    for code in draw(st.lists(st.sampled_from(sorted(TABLE.findings)), unique=True, max_size=8)):
        outcomes = [outcome.code for outcome in TABLE.findings[code].outcomes]
        named = draw(st.lists(st.sampled_from(outcomes), unique=True, min_size=1, max_size=3))
        if TABLE.findings[code].kind == "several":
            cut = draw(st.integers(0, len(named)))
            value: Any = {"seen": named[:cut], "not_seen": named[cut:]}
        else:
            value = {"outcome": named if len(named) > 1 else named[0]}
        value |= draw(
            st.fixed_dictionaries(
                {},
                optional={
                    "known": st.sampled_from(["measured", "told", "assumed"]),
                    "since": WORDS,
                    "disputed_by": st.fixed_dictionaries({"outcome": st.just(outcomes[0]), "by": WORDS}),
                },
            )
        )
        value = {key: words for key, words in value.items() if words}
        said[code] = value["outcome"] if set(value) == {"outcome"} else value
    return said


@st.composite
def cases(draw) -> dict[str, Any]:
    case: dict[str, Any] = {}
    for made in draw(st.lists(st.sampled_from(list(form_fields().values())), unique=True, max_size=12)):
        place = case
        for name in made.path[:-1]:
            place = place.setdefault(name, {})
        place[made.path[-1]] = draw(values(made))
    case["observations"] = draw(observations())
    case["evidence"] = draw(
        st.lists(
            st.fixed_dictionaries({"uri": WORDS}, optional={"caption": WORDS, "finding": WORDS}), max_size=3
        )
    )
    return {name: part for name, part in case.items() if part}


@settings(max_examples=300)
@given(cases())
def test_a_case_comes_back_out_of_its_form(case: dict[str, Any]):
    assert again(case) == case


FIELD_NAMES = st.sampled_from(
    [
        *form_fields(),
        *(made.unit_name for made in form_fields().values() if made.units),
        *(f"o.{code}{rest}" for code in TABLE.findings for rest in ("", ".or", ".seen", ".not", ".known")),
        *("o.burn_signs.rest", "e.0.uri", "e.2.caption", "e.1.finding", "supersedes", "o.x.y.z", "o."),
    ]
)


@settings(max_examples=300)
@given(
    st.dictionaries(
        FIELD_NAMES, st.lists(st.one_of(WORDS, st.text(max_size=8), NUMBERS.map(str)), max_size=3)
    )
)
def test_whatever_a_browser_sends_is_read_and_says_the_same_when_it_is_sent_again(form: dict[str, list[str]]):
    said = case_from_form(form, signs_of)
    assert again(said) == said


@settings(max_examples=100)
@given(cases())
def test_every_flaw_of_a_case_has_a_field_to_stand_beside(case: dict[str, Any]):
    case = {**case, "unit": {"compressor_type": "scroll", "motor": "three_phase", **case.get("unit", {})}}
    try:
        classifying.case_of(case, compiled_starter())
    except BadCase as error:
        flawed = {field_of(flaw.pointer) for flaw in error.flaws}
    else:
        flawed = set()
    form = form_from_case(case, signs_of)
    assert flawed <= {*form, *(".".join(name.split(".")[:2]) for name in form if name.startswith("o."))}


@pytest.mark.parametrize("name", demo_cases())
def test_a_demo_case_says_the_same_out_of_its_form(name: str):
    case = demo_cases()[name].case
    sent, back = (classifying.case_of(each, compiled_starter()).case for each in (case, again(case)))
    assert sent == back


@pytest.mark.parametrize(
    ("said", "value"),
    [
        ({"o.oil_colour": ["brown"], "o.oil_colour.or": ["black"]}, ["brown", "black"]),
        ({"o.oil_colour": [""], "o.oil_colour.or": ["black"]}, "black"),
        ({"o.oil_colour": ["brown"], "o.oil_colour.or": ["brown"]}, "brown"),
        ({"o.oil_colour": ["brown"], "o.oil_colour.known": ["told"]}, {"outcome": "brown", "known": "told"}),
        ({"o.oil_colour": [""], "o.oil_colour.known": ["told"]}, None),
        (
            {"o.burn_signs.seen": ["one_group"], "o.burn_signs.rest": ["yes"]},
            {
                "seen": ["one_group"],
                "not_seen": [code for code in signs_of("burn_signs") or () if code != "one_group"],
            },
        ),
    ],
)
def test_an_observation_is_said_as_any_client_says_it(said: dict[str, list[str]], value: Any):
    assert case_from_form(said, signs_of).get("observations", {}).get(next(iter(said)).split(".")[1]) == value


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("readings.line_voltages_v", "401 396 399", [401, 396, 399]),
        ("readings.line_voltages_v", "401/396/399", [401, 396, 399]),
        ("readings.line_voltages_v", "398 to 401", {"from": 398, "to": 401, "unit": "V"}),
        ("readings.winding_resistances_ohm", "1.2", [1.2]),
        ("readings.insulation.resistance_megohm", ">1000", ">1000"),
        ("oil_results.water_mg_kg", "0,05", "0,05"),
        ("job.failed_at", "2026-03-02T16:40", "2026-03-02T16:40:00Z"),
        ("opening.cleaned_before", "false", False),
    ],
)
def test_a_reading_is_taken_as_it_is_typed(name: str, text: str, value: Any):
    found: Any = case_from_form({name: [text]}, signs_of)
    for part in name.split("."):
        found = found[part]
    assert found == value


def test_the_form_has_a_field_for_every_member_of_a_case():
    members = {
        f"{part}.{field.encode_name}" for part in PARTS for field in msgspec.structs.fields(PARTS[part])
    }
    assert members == {".".join(made.path[:2]) for made in form_fields().values()}
    assert not {*LABELS, *HINTS} - {*form_fields()}


def test_every_question_that_a_limit_can_answer_has_fields_for_what_is_read():
    known = frozenset(form_fields())
    for limit in TABLE.limits:
        assert read_for(TABLE.limits, limit.finding, known), limit.finding


def test_signs_are_those_of_the_table():
    assert len(engine_codes("burn_signs", TABLE.findings)) == len(signs_of("burn_signs") or ())
