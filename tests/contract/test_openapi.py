"""The OpenAPI document: current, complete, and served as it is committed."""

import re
from collections import Counter
from pathlib import Path

import msgspec
import pytest

from coldcase.app import create_app
from coldcase.core.case import Opening, Unit
from coldcase.core.rule_table import ALL_EFFORTS
from coldcase.errors import ColdcaseError
from coldcase.importing.running import Stopped
from coldcase.settings import Settings
from coldcase.web import openapi, problems
from coldcase.web.openapi_shapes import structs_within, texts
from coldcase.web.problems import PROBLEM_KINDS, Problem
from coldcase.web.routes import ROUTES
from coldcase.web.vocabulary import choices

COMMITTED = Path(__file__).parents[2] / "openapi" / "openapi.json"


@pytest.fixture(scope="module")
def document():
    return openapi.document(create_app(Settings()).routes)


def parts(part, place=()):
    """Every object of a document, with the way that leads to it."""
    if isinstance(part, dict):
        yield place, part
        for name, inner in part.items():
            yield from parts(inner, (*place, name))
    elif isinstance(part, list):
        for number, inner in enumerate(part):
            yield from parts(inner, (*place, number))


def schemas_of(document):
    """Every schema, those within examples left out."""
    return [(place, part) for place, part in parts(document) if not {"examples", "example"} & set(place)]


def components_within(document, part):
    """The names of all components that a part of the document needs."""
    found, waiting = set(), [part]
    while waiting:
        refs = {
            inner["$ref"].rsplit("/", 1)[1]
            for _, inner in parts(waiting.pop())
            if inner.get("$ref", "").startswith("#/components/schemas/")
        }
        waiting += [document["components"]["schemas"][name] for name in refs - found]
        found |= refs
    return found


def calls(document):
    return [call for methods in document["paths"].values() for call in methods.values()]


def test_the_committed_document_is_current():
    assert COMMITTED.read_bytes() == openapi.document_text(create_app(Settings()).routes), (
        "run `coldcase openapi > openapi/openapi.json`"
    )


def test_the_service_serves_the_committed_document(http):
    assert http.get("/openapi.json").content == COMMITTED.read_bytes()


def test_every_route_but_pages_for_people_is_described(document):
    described = {call["operationId"] for methods in document["paths"].values() for call in methods.values()}

    assert described == {route.opt["spec"].operation for route in ROUTES if not route.opt["spec"].page}


def test_every_problem_is_a_problem_document_and_every_kind_is_answered_somewhere(document):
    told = set()
    for methods in document["paths"].values():
        for call in methods.values():
            for status, answer in call["responses"].items():
                if status >= "400":
                    assert list(answer["content"]) == ["application/problem+json"]
                    told |= {code for code in PROBLEM_KINDS if f"`{code}`" in answer["description"]}

    # No operation has a wrong method, and a line of an import is no request.
    assert set(PROBLEM_KINDS) - told == {"method_not_allowed", "bad_line"}


def test_every_reference_leads_somewhere_and_every_component_is_needed(document):
    schemas = document["components"]["schemas"]

    assert components_within(document, document["paths"]) == set(schemas)
    assert schemas["Case"]["additionalProperties"] is False
    assert schemas["Case"]["required"] == ["unit"]


def test_every_enum_has_a_name_and_is_in_the_order_of_the_vocabulary(document):
    schemas = document["components"]["schemas"]
    unnamed = [place for place, part in schemas_of(document) if "enum" in part and len(place) != 3]
    assert unnamed == [("components", "schemas", "RuleTable", "properties", "format")]

    for name, part in (("Unit", Unit), ("Opening", Opening)):
        for choice in choices(part):
            told = components_within(document, schemas[name]["properties"][choice.member])
            named = [value for enum in sorted(told) for value in schemas[enum].get("enum", ())]
            values = choice.units or choice.values or []
            # Spellings of earlier forms are still taken, and come after.
            assert named[: len(values)] == values or values == [True, False]
    assert schemas["Effort"]["enum"] == list(ALL_EFFORTS)
    assert schemas["ProblemType"]["enum"] == [f"/problems/{code}" for code in PROBLEM_KINDS]
    assert schemas["Problem"]["properties"]["type"]["$ref"].endswith("/ProblemType")


def test_no_two_enums_have_the_same_values(document):
    enums = [frozenset(part["enum"]) for _, part in schemas_of(document) if "enum" in part]

    assert len(enums) == len(set(enums))


def test_no_schema_of_a_body_has_a_default(document):
    """Generators turn a member with a default into one that must be sent."""
    bodies = [
        *document["components"]["schemas"].values(),
        *(call.get("requestBody") for call in calls(document)),
    ]

    assert [place for place, part in schemas_of(bodies) if "default" in part] == []


def test_of_an_answer_each_member_that_is_always_there_is_required(document):
    schemas = document["components"]["schemas"]
    sent = components_within(document, [call.get("requestBody") for call in calls(document)])
    missing = {
        name: set(schema["properties"]) - set(schema.get("required", ()))
        for name, schema in schemas.items()
        if name not in sent and set(schema.get("properties", ())) - set(schema.get("required", ()))
    }

    # A row of a rule table leaves out what it does not say, and so do flaws and changes.
    rows = components_within(document, schemas["RuleTable"]) | {"RuleTable"}
    kept = components_within(document, schemas["Answer"]) | components_within(
        document, schemas["BacktestResult"]
    )
    told = {name for name in missing if name not in rows | kept}
    assert told == {
        *("AnswerWithCodes", "DecisionRecord", "Answer"),  # codes that nobody asked for; earlier engines
        *("Complaint", "FoundFlaw", "Problem", "Change", "ProposalSummary", "PriorStrength"),
    }
    assert missing["AnswerWithCodes"] == missing["DecisionRecord"] == {"crosswalk"}
    assert missing["Answer"] == {"left_out", "refused_because", "leads"}


def test_every_member_and_every_parameter_says_what_it_means(document):
    schemas = document["components"]["schemas"]
    silent = [
        *(
            (name, member)
            for name, schema in schemas.items()
            for member, part in schema.get("properties", {}).items()
            if not part.get("description")
        ),
        *(name for name, schema in schemas.items() if not schema.get("description") and "enum" not in schema),
        *(
            (call["operationId"], parameter["name"])
            for call in calls(document)
            for parameter in call["parameters"]
            if not parameter.get("description")
        ),
        *(place for place, part in parts(document["paths"]) if "headers" in part and not _told(part)),
    ]

    assert silent == []


def _told(answer):
    return answer["description"] and all(header["description"] for header in answer["headers"].values())


def test_each_text_is_of_a_member_that_there_is_and_a_sentence():
    specs = [route.opt["spec"] for route in ROUTES]
    kinds = [kind for spec in specs for bodies in spec.answers.values() for kind in bodies.values()]
    kinds += [Problem, *(spec.body for spec in specs), *(spec.query for spec in specs)]
    known = {
        part.__name__: {field.encode_name for field in msgspec.structs.fields(part)}
        for kind in structs_within(kinds)
        for part in kind.__mro__
        if issubclass(part, msgspec.Struct) and part is not msgspec.Struct
    }
    queries = [known[spec.query.__name__] for spec in specs if spec.query]
    named = {route.opt["spec"].operation: set(re.findall(r"{(\w+):", *route.paths)) for route in ROUTES}
    known |= named | {"path": set().union(*named.values()), "query": set().union(*queries)}

    stale = {name: set(members) - set(known.get(name, ())) for name, members in texts().items()}
    assert {name: members for name, members in stale.items() if members} == {}
    assert [text for members in texts().values() for text in members.values() if text[-1] not in ".:"] == []


def test_the_page_for_people_names_every_call_and_problem_and_loads_only_what_is_ours(http, document):
    page = http.get("/docs").text

    assert all(path in page for path in document["paths"])
    assert all(f'id="{name}"' in page for name in document["components"]["schemas"])
    assert all(f'id="problem-{code}"' in page for code in PROBLEM_KINDS)
    assert [source for source in re.findall(r'src="([^"]*)"', page) if not source.startswith("/pages/")] == []
    assert re.findall(r"<script(?! src=)", page) == []
    assert "@import" not in page


def test_a_code_of_several_errors_has_one_meaning():
    """Which of their sentences stood in the document would hang on what else was imported."""
    assert Stopped.code == problems.Stopping.code
    shared = {code for code, errors in Counter(kind.code for kind in families()).items() if errors > 1}
    assert shared & set(PROBLEM_KINDS) <= set(problems._DETAIL) | {"error"}


def families():
    """Every error that a request may be told of."""
    waiting = [ColdcaseError]
    while waiting:
        yield (kind := waiting.pop())
        waiting += kind.__subclasses__()
