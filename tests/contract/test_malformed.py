"""Well over a thousand bodies that are no case: each is told what is wrong, none is recorded, none is a
surprise."""

import importlib.util
from pathlib import Path

import pytest

from coldcase.web.problems import PROBLEM_KINDS

_spec = importlib.util.spec_from_file_location("malformed", Path(__file__).with_name("malformed.py"))
assert _spec is not None
malformed = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(malformed)

BODIES = list(malformed.bodies())
REFUSALS = {
    f"/problems/{code}": PROBLEM_KINDS[code].status
    for code in ("malformed", "too_large", "unsupported_media_type", "bad_case")
}


def test_there_are_well_over_a_thousand_of_them():
    assert len({(body, tuple(headers.items())) for _, body, headers in BODIES}) > 1000


@pytest.mark.parametrize("path", ["/v1/classifications", "/v1/classifications/preview"])
def test_each_is_refused_in_words_and_none_is_recorded(http, live, path):
    before = live.decisions()

    wrong = [
        problem
        for what, body, headers in BODIES
        if (problem := complaint(http.post(path, content=body, headers=headers), what))
    ]

    assert wrong == []
    assert live.decisions() == before


@pytest.mark.parametrize("path", ["/v1/classifications", "/v1/classifications/preview"])
def test_read_leniently_each_is_taken_or_refused_in_words(http, path):
    lenient = {"Prefer": "handling=lenient"}
    taken, wrong = 0, []
    for what, body, headers in BODIES:
        answered = http.post(path, content=body, headers=headers | lenient)
        if answered.status_code in (200, 201):
            taken += 1
        elif problem := complaint(answered, what):
            wrong.append(problem)

    assert wrong == []
    assert taken > 400


def complaint(answered, what: str) -> str | None:
    """What is wrong with a refusal."""
    if answered.headers["Content-Type"] != "application/problem+json":
        return f"{what}: {answered.status_code} {answered.text[:100]}"
    body = answered.json()
    if REFUSALS.get(body["type"]) != answered.status_code or body["status"] != answered.status_code:
        return f"{what}: {answered.status_code} {body}"
    if (answered.status_code == 422) != bool(body.get("errors")):
        return f"{what}: flaws are not listed: {body}"
    return None


def test_the_case_that_they_are_made_from_is_a_good_one(http):
    assert http.post("/v1/classifications/preview", json=malformed.GOOD).status_code == 200
