"""The OpenAPI document: current, complete, and served as it is committed."""

from pathlib import Path

import pytest

from coldcase.app import ROUTES, create_app
from coldcase.settings import Settings
from coldcase.web import openapi
from coldcase.web.problems import PROBLEM_KINDS

COMMITTED = Path(__file__).parents[2] / "openapi" / "openapi.json"


@pytest.fixture(scope="module")
def document():
    return openapi.document(create_app(Settings()).routes)


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


def test_every_reference_leads_somewhere(document):
    def references(part):
        if isinstance(part, dict):
            yield from [part["$ref"]] if isinstance(part.get("$ref"), str) else []
            part = list(part.values())
        for member in part if isinstance(part, list) else []:
            yield from references(member)

    schemas = document["components"]["schemas"]
    assert {name.rsplit("/", 1)[1] for name in references(document)} <= set(schemas)
    assert schemas["Case"]["additionalProperties"] is False
    assert schemas["Case"]["required"] == ["unit"]


def test_the_page_for_people_names_every_call_and_loads_nothing(http, document):
    page = http.get("/docs").text

    assert all(path in page for path in document["paths"])
    assert all(f'id="{name}"' in page for name in document["components"]["schemas"])
    assert "<script" not in page
    assert 'src="' not in page
    assert "@import" not in page
