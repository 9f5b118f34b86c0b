"""Every operation of the API, tried by the wrong client and with every scope missing: no leak, no 500.

The matrix is made from the route table, so a new operation is in it from its first day.
"""

import json
from itertools import chain

import pytest

from coldcase.app import create_app
from coldcase.auditing import sealing
from coldcase.db.keys import ALL_SCOPES as EVERY_SCOPE
from coldcase.settings import Settings
from coldcase.web.route import FORM
from tests.auditing.conftest import cases

pytestmark = pytest.mark.anyio

MARK = "only-tern-haven-knows-this"
OPERATIONS = {
    (min(handler.http_methods), route.path_format): handler.opt["spec"]
    for route in create_app(Settings()).routes
    for handler in getattr(route, "route_handlers", ())
    if "spec" in handler.opt
}
GUARDED = {operation: spec for operation, spec in OPERATIONS.items() if spec.scopes}


@pytest.fixture(scope="module")
async def owned(service):
    """What one client has: a decision with a marked job, a verdict with a marked note; and the ids to try."""
    caller = await service.caller(*EVERY_SCOPE, client="Tern Haven")
    case = cases(2)[1]
    case["job"] = {"ref": MARK, "circuit": MARK}
    decision = (await caller.post("/v1/classifications", json=case)).json()["id"]
    given = {"cause": "moisture", "basis": "teardown", "note": MARK}
    verdict = (await caller.post(f"/v1/decisions/{decision}/verdicts", json=given)).json()["id"]
    async with service.app.state.services.transaction() as conn:
        await sealing.seal(conn)
    return {"id": decision, "verdict": verdict}


def body_for(operation, owned):
    spec = OPERATIONS[operation]
    if spec.body is None:
        return {}
    sent = {
        "giveVerdict": {"cause": "moisture", "basis": "field"},
        "classify": {**cases(1)[0], "supersedes": owned["id"]},
        "answerRemark": {"answer": "We look at it."},
        "shareDecision": {},
        "shareRuleTable": {},
    }.get(spec.operation, cases(1)[0])
    forms = {"shareReport": "days=1", "shareTable": "days=1", "answerRemarkByForm": "answer=We+look+at+it."}
    content = forms.get(spec.operation, "") if spec.body_media == (FORM,) else json.dumps(sent)
    return {"content": content, "headers": {"Content-Type": spec.body_media[0]}}


def place(path, owned):
    return (
        path.replace("{id}", owned["id"])
        .replace("{version}", "1")
        .replace("{code}", "moisture")
        .replace("{sheet}", "limits")
        .replace("{name}", "form")
        .replace("{link}", owned["id"])
    )


async def attempt(caller, operation, owned):
    method, path = operation
    return await caller.request(method, place(path, owned), **body_for(operation, owned))


async def test_another_clients_key_with_every_scope_of_its_own_learns_nothing(service, owned):
    scopes = [scope for scope in EVERY_SCOPE if not scope.endswith(":all")]
    stranger = await service.caller(*scopes, client="Milk Store")
    wrong = []
    for operation, spec in GUARDED.items():
        answered = await attempt(stranger, operation, owned)
        if answered.status_code >= 500 or MARK in answered.text or owned["verdict"] in answered.text:
            wrong.append(told(operation, answered))
        elif "{id}" in operation[1]:
            if answered.status_code != 404:
                wrong.append(told(operation, answered))
        elif spec.operation == "classify":
            if (answered.status_code, answered.json()["type"]) != (422, "/problems/supersedes_unknown"):
                wrong.append(told(operation, answered))
        elif owned["id"] in answered.text:
            wrong.append(told(operation, answered))
    assert wrong == []


@pytest.mark.parametrize("scope", EVERY_SCOPE)
async def test_a_key_without_the_scope_is_turned_away(service, owned, scope):
    caller = await service.caller(scope, client="Tern Haven")
    wrong = []
    for operation, spec in GUARDED.items():
        if scope not in spec.scopes:
            answered = await attempt(caller, operation, owned)
            turned_away = (answered.status_code, answered.json()["type"]) == (403, "/problems/scope_missing")
            if not turned_away or MARK in answered.text:
                wrong.append(told(operation, answered))
    assert wrong == []


@pytest.mark.parametrize("scope", EVERY_SCOPE)
async def test_any_one_of_its_scopes_lets_a_key_in(service, owned, scope):
    caller = await service.caller(scope, client="Tern Haven")
    wrong = []
    for operation, spec in GUARDED.items():
        if scope in spec.scopes:
            answered = await attempt(caller, operation, owned)
            if answered.status_code in (401, 403) or answered.status_code >= 500:
                wrong.append(told(operation, answered))
    assert wrong == []


@pytest.mark.parametrize("authorization", [None, "Bearer", "Bearer nonsense", "Basic dGVybjpoYXZlbg=="])
async def test_nobody_without_a_key_is_let_in(service, owned, authorization):
    caller = service.http()
    if authorization is not None:
        caller.headers["Authorization"] = authorization
    wrong = []
    for operation in GUARDED:
        answered = await attempt(caller, operation, owned)
        if (answered.status_code, MARK in answered.text) != (401, False):
            wrong.append(told(operation, answered))
    assert wrong == []


def told(operation, answered):
    """What a failure says of an answer that should have been another."""
    return " ".join(operation), answered.status_code, answered.text[:300]


def test_the_matrix_covers_every_operation_and_nothing_else_is_open():
    open_to_all = {path for (_, path), spec in OPERATIONS.items() if not spec.scopes}
    assert open_to_all == {
        "/health/live",
        "/health/ready",
        "/metrics",
        "/openapi.json",
        "/docs",
        "/problems/{code}",
        "/login",
        "/pages/{digest}/{name}",
        "/shared/{address}",
    }
    assert set(chain.from_iterable(spec.scopes for spec in GUARDED.values())) <= set(EVERY_SCOPE)
    assert all(path.startswith("/v1/") != spec.page for (_, path), spec in GUARDED.items())
