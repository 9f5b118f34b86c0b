"""The examples of the OpenAPI document: there for every answer, as its schema says, and what the service
answers."""

import json

import jsonschema
import pytest

from coldcase.app import create_app
from coldcase.settings import Settings
from coldcase.web import openapi
from tests.examples import FOLDER, files, steady, told

WITHOUT = {"text/html", "application/vnd.apache.parquet"}
"""A page is looked at, and a file of columns is no text."""


@pytest.fixture(scope="module")
def document():
    return openapi.document(create_app(Settings()).routes)


def answers(document):
    """Every body that is answered: operation, status, media type and what is said of it."""
    for methods in document["paths"].values():
        for call in methods.values():
            for status, answer in call["responses"].items():
                for media, body in answer.get("content", {}).items():
                    yield call["operationId"], status, media, body


def examples_of(document, body):
    for one in body.get("examples", {}).values():
        whole = document["components"]["examples"][one["$ref"].rpartition("/")[2]] if "$ref" in one else one
        yield whole["value"]


def test_every_answer_and_every_body_that_is_sent_has_an_example(document):
    silent = [
        (operation, status, media)
        for operation, status, media, body in answers(document)
        if media not in WITHOUT and not list(examples_of(document, body))
    ]
    unsent = [
        call["operationId"]
        for methods in document["paths"].values()
        for call in methods.values()
        for body in call.get("requestBody", {}).get("content", {}).values()
        if not body.get("examples")
    ]

    assert (silent, unsent) == ([], [])


def test_every_example_is_as_its_schema_says(document):
    validators = {}
    bodies = [(one[:3], one[3]) for one in answers(document) if "json" in one[2] and "ndjson" not in one[2]]
    bodies += [
        ((call["operationId"], "sent", media), body)
        for methods in document["paths"].values()
        for call in methods.values()
        for media, body in call.get("requestBody", {}).get("content", {}).items()
        if "json" in media and "ndjson" not in media
    ]

    wrong = []
    for place, body in bodies:
        schema = json.dumps(body["schema"])
        if schema not in validators:
            whole = {**body["schema"], "components": document["components"]}
            validators[schema] = jsonschema.Draft202012Validator(whole)
        for value in examples_of(document, body):
            wrong += [(place, error.message) for error in validators[schema].iter_errors(value)]
    assert wrong == []


def test_a_problem_s_example_is_of_its_kind(document):
    examples = document["components"]["examples"]

    assert {f"/problems/{code}": one["value"]["type"] for code, one in examples.items()} == {
        kind: kind for kind in document["components"]["schemas"]["ProblemType"]["enum"]
    }


@pytest.mark.slow
def test_the_examples_are_what_the_service_answers(service_database):
    database = service_database
    again = {
        name: steady(name, content) for name, content in files(told(database.service_url, database.owner_url))
    }

    kept = {file.name: steady(file.name, json.loads(file.read_text())) for file in FOLDER.glob("*.json")}
    assert set(again) == set(kept)
    assert [name for name in kept if again[name] != kept[name]] == [], "run `python -m tests.examples`"
