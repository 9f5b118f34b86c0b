"""The JSON Schema of a case against the service itself: what the service takes, the schema allows; what the
schema allows and the service refuses is of a few kinds, which no schema can tell."""

import json
import re
import tomllib
from pathlib import Path

import jsonschema
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase.classifying import case_of
from coldcase.core.case import Insulation, OilResults, Opening, Readings, Unit
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import Retired, table_digest
from coldcase.errors import BadCase, Flaw
from coldcase.shipped import demo_cases, starter_table
from coldcase.web.case_schema import case_schema
from coldcase.web.vocabulary import choices
from tests.web.drafting import as_person, draft

TESTS = Path(__file__).parents[1]
RETIRED = [
    Retired(kind="finding", code="copper_deposit", renamed_to="copper_plating"),
    Retired(kind="finding", code="paint_colour"),
    Retired(kind="outcome", finding="copper_plating", code="thick", renamed_to="heavy"),
    Retired(kind="outcome", finding="copper_plating", code="odd"),
    Retired(kind="outcome", finding="winding_burn", code="aux_winding", renamed_to="start_winding"),
]
TABLE = msgspec.structs.replace(starter_table(), retired=RETIRED)
COMPILED = compile_table(TABLE, version=1, digest=table_digest(TABLE))
SCHEMA = case_schema(COMPILED)
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def cases_within(value):
    """Every `case` in a document of tests."""
    if isinstance(value, dict):
        if isinstance(value.get("case"), dict):
            yield value["case"]
        value = list(value.values())
    for part in value if isinstance(value, list) else []:
        yield from cases_within(part)


def plain(case):
    """As JSON has it: TOML has times of its own."""
    return json.loads(json.dumps(case, default=lambda time: time.isoformat().replace("+00:00", "Z")))


LINES = [*TESTS.glob("data/*.jsonl"), *TESTS.glob("cases/*.jsonl")]
KNOWN = [
    *(demo.case for demo in demo_cases().values()),
    *(
        plain(case)
        for file in TESTS.glob("spec/*.toml")
        for case in cases_within(tomllib.loads(file.read_text("utf-8")))
    ),
    *(
        case
        for file in LINES
        for line in file.read_text("utf-8").splitlines()
        for case in cases_within(json.loads(line))
    ),
]


def refusal(case, compiled: CompiledTable = COMPILED) -> tuple[Flaw, ...]:
    try:
        case_of(case, compiled)
    except BadCase as error:
        return error.flaws
    return ()


def allowed(case) -> bool:
    return VALIDATOR.is_valid(case)


def test_it_is_a_schema_of_the_dialect_and_names_the_rule_table():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)

    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert SCHEMA["$id"] == f"urn:coldcase:case:{COMPILED.digest}"
    assert set(re.findall(r'"\$ref": "#/\$defs/([^"]+)"', json.dumps(SCHEMA))) == set(SCHEMA["$defs"])


def test_every_case_of_the_tests_and_the_demo_that_the_service_takes_is_allowed():
    taken = [case for case in KNOWN if not refusal(case)]

    assert len(taken) > 300
    assert [error.message for case in taken for error in VALIDATOR.iter_errors(case)] == []


def test_findings_and_outcomes_say_what_they_are():
    finding, outcome = SCHEMA["$defs"]["copper_plating"], SCHEMA["$defs"]["copper_plating__outcome"]
    row = TABLE.findings["copper_plating"]

    assert (finding["title"], finding["description"]) == (row.title, row.question)
    current, retired = outcome["anyOf"]
    assert current["enum"] == [one.code for one in row.outcomes]
    assert all(f"`{one.code}`: {one.title}" in current["description"] for one in row.outcomes)
    assert (retired["enum"], retired["deprecated"]) == (["thick", "odd"], True)
    members = SCHEMA["properties"]["observations"]["properties"]
    assert set(members) == {*TABLE.findings, "copper_deposit", "paint_colour"}
    assert {name for name, member in members.items() if member.get("deprecated")} == {
        "copper_deposit",
        "paint_colour",
    }
    replaced = {code for code, row in TABLE.findings.items() if row.succeeded_by}
    assert {code for code in TABLE.findings if SCHEMA["$defs"][code].get("deprecated")} == replaced != set()


UNIT = {"compressor_type": "scroll", "motor": "three_phase"}


@pytest.mark.parametrize(
    "case",
    [
        {"unit": UNIT, "observations": {"copper_platting": "heavy"}},
        {"unit": UNIT, "observations": {"copper_plating": "hevy"}},
        {"unit": UNIT, "observations": {"copper_plating": {"seen": ["heavy"]}}},
        {"unit": UNIT, "observations": {"copper_plating": ["heavy", "heavy"]}},
        {"unit": UNIT, "observations": {"copper_plating": {"known": "seen"}}},
        {"unit": UNIT, "observations": {"burn_signs": {"known": "seen"}}},
        {"unit": UNIT, "observations": {"burn_signs": {"seen": None, "not_seen": None}}},
        {"unit": UNIT, "observations": {"winding_burn": "start_winding"}},
        {"unit": UNIT, "observations": {"winding_burn": ["spot", "aux_winding"]}},
        {
            "unit": UNIT | {"motor": "single_phase"},
            "observations": {"burn_signs": {"not_seen": ["one_group"]}},
        },
        {"unit": UNIT, "readings": {"suction_superheat": {"value": 4, "unit": "degC"}}},
        {"unit": UNIT, "readings": {"start_voltage_v": {"from": 300, "to": 320, "unit": "A"}}},
        {"unit": UNIT, "readings": {"suction_pressure": {"value": 4, "to": 5, "unit": "barg"}}},
        {"unit": UNIT, "readings": {"barometric_pressure": {"from": 0.9, "to": 1, "unit": "bara"}}},
        {"unit": UNIT | {"oil_charge": {"from": 1, "to": 2, "unit": "L"}}},
        {"unit": UNIT, "evidence": [{"uri": "x:y", "finding": "no_finding"}]},
        {"unit": UNIT, "colour": "blue"},
        {"unit": {"motor": "three_phase"}},
    ],
    ids=json.dumps,
)
def test_what_the_schema_can_tell_is_refused_by_both(case):
    assert refusal(case)
    assert not allowed(case)


@pytest.mark.parametrize(
    "observations",
    [
        {"copper_deposit": "thick"},
        {"copper_plating": ["odd", "light"]},
        {"paint_colour": {"outcome": "any", "known": "told"}},
        {"burn_signs": ["one_spot"]},
        {"burn_signs": {"seen": ["one_spot"], "not_seen": None, "disputed_by": {"outcome": "all_alike"}}},
    ],
    ids=json.dumps,
)
def test_what_was_retired_and_what_says_more_is_taken_by_both(observations):
    case = {"unit": UNIT, "observations": observations}

    assert (refusal(case), allowed(case)) == ((), True)


CODES = [*TABLE.findings, "copper_deposit", "paint_colour", "no_such_finding"]
JUNK = st.sampled_from(
    [None, None, 1, 2.5, "<5", True, -1, 1e13, "", "x", "a\nb", [], [1, 2], ["x", "x"], {}, {"value": 1}]
)
NUMBERS = st.sampled_from([0.5, 1, 2.5, 40, -300])
PARTS = {"readings": Readings, "oil_results": OilResults, "unit": Unit, "opening": Opening}
CHOICES = {name: {one.member: one for one in choices(part)} for name, part in PARTS.items()}


@st.composite
def quantities(draw, units):
    shape = draw(st.sampled_from([["value"], ["value"], ["from", "to"], ["value", "to"], ["from"]]))
    unit = st.sampled_from([*units * 5, "V", "K", "degC", "barg", "no_unit"])
    return {name: draw(NUMBERS) for name in shape} | {"unit": draw(unit)}


@st.composite
def values(draw, part, member):
    """What a member may hold, mostly."""
    known = CHOICES[part].get(member)
    if known is None or draw(st.integers(0, 4)) == 0:
        return draw(JUNK)
    if known.values:
        return draw(st.sampled_from([*known.values, "other"]))
    return draw(quantities(known.units)) if known.units else draw(NUMBERS)


@st.composite
def observations(draw, code):
    """What may be said of a finding: its own words, mostly."""
    row = TABLE.findings.get(code)
    own = [one.code for one in row.outcomes] if row else ["any"]
    word = st.sampled_from([*own * 5, "thick", "odd", "aux_winding", "none", "hevy"])
    words = st.lists(
        word, min_size=draw(st.sampled_from([0, 1, 1, 1])), max_size=3, unique=draw(st.booleans())
    )
    some = st.one_of(word, words)
    says = draw(st.sampled_from(["outcome"] if row is None or row.kind == "one" else ["seen", "not_seen"]))
    more = {
        "outcome": some,
        "seen": words,
        "not_seen": st.one_of(words, st.none()),
        "known": st.sampled_from(["seen", "told", "guessed", None]),
        "since": st.sampled_from(["yesterday", " ", None]),
        "disputed_by": st.one_of(st.none(), st.fixed_dictionaries({"outcome": some}, optional={"by": JUNK})),
    }
    also = draw(st.sets(st.sampled_from(sorted(more)), max_size=2))
    detail = st.fixed_dictionaries({name: more[name] for name in {says, *also}})
    return draw(st.one_of(word, word, words, detail, detail, JUNK))


@st.composite
def changed(draw):
    """A known case with a few things otherwise."""
    case = json.loads(json.dumps(draw(st.sampled_from(KNOWN))))
    for _ in range(draw(st.integers(1, 2))):
        where = draw(
            st.sampled_from(["observations", "observations", "machine", *PARTS, "insulation", "evidence"])
        )
        if where == "observations":
            code = draw(st.sampled_from([*case.get(where, {}), *CODES]))
            case.setdefault(where, {})[code] = draw(observations(code))
        elif where == "machine":
            member = draw(st.sampled_from(["motor", "compressor_type", "winding_connection"]))
            case["unit"][member] = draw(values("unit", member))
        elif where in PARTS:
            member = draw(st.sampled_from([*PARTS[where].__struct_fields__, "colour"]))
            case.setdefault(where, {})[member] = draw(values(where, member))
        elif where == "insulation":
            member = draw(st.sampled_from(Insulation.__struct_fields__))
            units = ["megohm", "degC", "V"]
            made = draw(st.one_of(quantities(units), NUMBERS, JUNK))
            case.setdefault("readings", {})[where] = {member: made}
        else:
            named = draw(st.sampled_from([*CODES, "Bad", None]))
            case[where] = [{"uri": draw(st.sampled_from(["a:b", "a:c", "a b"])), "finding": named}]
    if draw(st.integers(0, 5)) == 0:
        name = draw(st.sampled_from([*case, "supersedes", "job", "colour"]))
        case[name] = draw(JUNK)
    return case


NO_SCHEMA_CAN_TELL = re.compile(
    "cannot be seen and not seen|A range rises|absolute zero|perfect vacuum|air pressure|whole sample"
    "|ISO 4406|after the job was closed|not believable|Invalid (RFC3339|date|UUID)"
    "|cannot be found on this motor|cannot be '"
)
"""Values that contradict each other or are impossible in themselves, forms that a schema only notes; and a
motor, a connection and a type that rule out together what none does alone."""


@settings(max_examples=800)
@given(changed())
def test_what_the_service_takes_is_allowed_and_what_is_allowed_is_refused_for_few_reasons_only(case):
    flaws, valid = refusal(case), allowed(case)

    assert valid or flaws, f"{case}\n{next(VALIDATOR.iter_errors(case), None)}"
    if valid:
        assert [flaw for flaw in flaws if NO_SCHEMA_CAN_TELL.search(flaw.detail) is None] == []


@pytest.mark.anyio
async def test_it_is_answered_for_each_version_and_not_sent_again_to_whoever_has_it(own):
    author = await as_person(own, "bench-1", "tables:draft", "tables:read", "preview")
    clerk = await own.caller("decisions:write")
    current = await clerk.get("/v1/vocabulary/schema")
    assert current.status_code == 200
    assert current.json()["$id"] == f"urn:coldcase:case:{table_digest(starter_table())}"
    assert current.headers["Cache-Control"] == "private, no-cache"
    tag = {"If-None-Match": current.headers["ETag"]}
    again = await clerk.get("/v1/vocabulary/schema?rule_table=1", headers=tag)
    assert (again.status_code, again.content) == (304, b"")

    title = {"findings": {"copper_plating": {"title": "Copper on steel"}}}
    await draft(author, title)
    drafted = await author.get("/v1/vocabulary/schema?rule_table=2", headers=tag)
    assert drafted.json()["$defs"]["copper_plating"]["title"] == "Copper on steel"
    assert (await clerk.get("/v1/vocabulary/schema?rule_table=2")).status_code == 403
    assert (await clerk.get("/v1/vocabulary/schema?rule_table=9")).status_code == 404
    assert (await clerk.get("/v1/vocabulary/schema?rule_table=x")).status_code == 400
    assert (await own.http().get("/v1/vocabulary/schema")).status_code == 401
