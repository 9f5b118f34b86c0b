"""What holds for every request: ids, methods, media types, sizes, capacity, surprises."""

import asyncio
import dataclasses
import json
from urllib.parse import unquote

import httpx
import pytest
from litestar import get
from litestar.response import Response

from coldcase.app import create_app
from coldcase.settings import Settings
from coldcase.web.problems import PROBLEM_KINDS

pytestmark = pytest.mark.anyio


@pytest.mark.parametrize(
    ("method", "path", "status", "code"),
    [
        ("GET", "/nowhere", 404, "not_found"),
        ("GET", "/v2/vocabulary", 404, "not_found"),
        ("GET", "/v1/decisions/not-an-id", 404, "not_found"),
        ("POST", "/v1/classifications/more", 404, "not_found"),
        ("DELETE", "/v1/vocabulary", 405, "method_not_allowed"),
        ("PATCH", "/v1/decisions/0198c0de-0000-7000-8000-000000000000", 405, "method_not_allowed"),
        ("GET", "/v1/classifications", 405, "method_not_allowed"),
        ("GET", "/v1/vocabulary?form=1", 400, "bad_request"),
    ],
)
async def test_a_wrong_turn_is_a_problem_document(caller, method, path, status, code):
    answered = await caller.request(method, path)

    assert answered.status_code == status
    assert answered.headers["Content-Type"] == "application/problem+json"
    body = answered.json()
    assert (body["type"], body["status"], body["request_id"]) == (
        f"/problems/{code}",
        status,
        answered.headers["X-Request-Id"],
    )
    assert ("Allow" in answered.headers) == (status == 405)


@pytest.mark.parametrize(
    ("path", "methods"),
    [
        ("/v1/vocabulary", "GET, HEAD, OPTIONS"),
        ("/v1/classifications", "OPTIONS, POST"),
        ("/v1/decisions/0198c0de-0000-7000-8000-000000000000", "GET, HEAD, OPTIONS"),
    ],
)
async def test_options_names_the_methods_of_a_path(caller, path, methods):
    answered = await caller.options(path)

    assert answered.status_code == 204
    assert answered.headers["Allow"] == methods


async def test_head_is_get_without_the_body(caller):
    whole, head = await caller.get("/v1/vocabulary"), await caller.head("/v1/vocabulary")

    assert head.status_code == 200
    assert head.content == b""
    assert head.headers["Content-Length"] == str(len(whole.content))
    assert head.headers["ETag"] == whole.headers["ETag"]


@pytest.mark.parametrize(
    ("sent", "kept"), [("job-77.b_1", True), ("a b", False), ("x" * 65, False), ("", False), ("<b>", False)]
)
async def test_a_sane_request_id_is_kept_and_another_replaced(caller, sent, kept):
    answered = await caller.get("/health/live", headers={"X-Request-Id": sent})

    assert (answered.headers["X-Request-Id"] == sent) == kept
    assert answered.headers["X-Request-Id"]


@pytest.mark.parametrize(
    "headers",
    [
        {"Content-Type": "text/plain"},
        {"Content-Type": ""},
        {"Content-Type": "application/json; charset=latin-1"},
        {"Content-Type": "application/x-ndjson"},
        {"Content-Type": "application/json", "Content-Encoding": "gzip"},
    ],
)
async def test_only_plain_json_is_read(caller, case, headers):
    answered = await caller.post("/v1/classifications", content=json.dumps(case), headers=headers)

    assert answered.status_code == 415


@pytest.mark.parametrize(
    "kind", ["application/json", "application/json; charset=utf-8", 'Application/JSON;charset="UTF-8"']
)
async def test_json_may_say_that_it_is_utf_8(caller, case, kind):
    answered = await caller.post(
        "/v1/classifications/preview", content=json.dumps(case), headers={"Content-Type": kind}
    )

    assert answered.status_code == 200


@pytest.mark.parametrize(
    "path", ["/v1/vocabulary", "/v1/decisions", "/v1/rule-tables", "/v1/rule-tables/current"]
)
async def test_what_nobody_can_produce_is_not_acceptable(caller, path):
    answered = await caller.get(path, headers={"Accept": "image/png"})

    assert answered.status_code == 406
    assert answered.headers["Content-Type"] == "application/problem+json"


async def test_an_unacceptable_answer_is_refused_before_anything_is_recorded(caller, case, service):
    before = await service.count("decision")

    answered = await caller.post("/v1/classifications", json=case, headers={"Accept": "text/html"})

    assert answered.status_code == 406
    assert await service.count("decision") == before


@pytest.mark.parametrize("chunked", [False, True])
async def test_a_body_beyond_64_kib_is_too_large_however_it_comes(caller, chunked):
    body = (
        b'{"unit": {"compressor_type": "scroll", "motor": "three_phase"}, "job": {"ref": "'
        + b"x" * 65536
        + b'"}}'
    )

    async def pieces():
        for start in range(0, len(body), 8192):
            yield body[start : start + 8192]

    answered = await caller.post(
        "/v1/classifications",
        content=pieces() if chunked else body,
        headers={"Content-Type": "application/json"},
    )

    assert answered.status_code == 413
    assert answered.json()["type"] == "/problems/too_large"


async def test_a_surprise_is_told_without_its_trace_and_logged_with_it(service, caller, capsys, monkeypatch):
    def explode(_):
        raise RuntimeError("a secret of ours")

    monkeypatch.setattr(type(service.app.state.services.metrics), "text", explode)
    answered = await caller.get("/metrics")

    assert answered.status_code == 500
    assert answered.json()["type"] == "/problems/internal"
    assert "secret" not in answered.text
    logged = capsys.readouterr()
    assert "a secret of ours" in logged.out + logged.err
    assert answered.headers["X-Request-Id"] in logged.out + logged.err


async def test_past_its_capacity_the_service_says_so_at_once_and_health_still_answers(service):
    slow, release = asyncio.Event(), asyncio.Event()

    @get("/slow")
    async def wait() -> Response[bytes]:
        slow.set()
        await release.wait()
        return Response(b"done")

    app = create_app(Settings(most_in_flight=1), extra_routes=[wait])
    crowded = type(service)(app, service.owner_url).http()
    first = asyncio.create_task(crowded.get("/slow"))
    await slow.wait()

    second = await crowded.get("/docs")
    health = await crowded.get("/health/live")
    release.set()

    assert (second.status_code, second.headers["Retry-After"], second.json()["type"]) == (
        503,
        "1",
        "/problems/overloaded",
    )
    assert second.json()["request_id"] == second.headers["X-Request-Id"]
    assert health.status_code == 200
    assert (await first).content == b"done"
    assert (await crowded.get("/slow")).status_code == 200
    await crowded.aclose()


async def test_every_problem_that_a_route_can_answer_can_be_looked_up(caller):
    for code, kind in PROBLEM_KINDS.items():
        told = await caller.get(f"/problems/{code}")
        assert told.status_code == 200
        assert (told.json()["type"], told.json()["status"]) == (f"/problems/{code}", kind.status)
    assert (await caller.get("/problems/rust")).status_code == 404


async def test_metrics_count_by_route_and_can_be_closed(service, caller):
    await caller.get("/v1/decisions/0198c0de-0000-7000-8000-000000000000")
    counted = (await caller.get("/metrics")).text
    shut = type(service)(create_app(Settings(metrics="closed")), service.owner_url)
    shut.app.state.services = dataclasses.replace(service.app.state.services, metrics_open=False)

    assert 'coldcase_http_requests_total{method="GET",route="/v1/decisions/{id}",status="404"}' in counted
    assert (await shut.http().get("/metrics")).status_code == 404


CALLER = "Authorization, Cookie"
BOTH = f"Accept, {CALLER}"


@pytest.mark.parametrize(
    ("asked", "accept", "varies", "cache"),
    [
        ("GET /v1/vocabulary", "*/*", CALLER, "private, no-cache"),
        ("GET /v1/decisions", "*/*", CALLER, "private, no-store"),
        ("GET /v1/decisions/0198c0de-0000-7000-8000-000000000000", "*/*", BOTH, "private, no-store"),
        ("GET /v1/decisions/export", "text/csv", BOTH, "private, no-store"),
        ("HEAD /docs", "*/*", None, "public, no-cache"),
        ("GET /v1/nothing", "*/*", None, "no-store"),
        ("GET /v1//decisions", "*/*", None, "no-store"),
        ("OPTIONS /v1/decisions", "*/*", CALLER, "private, no-store"),
    ],
)
async def test_every_answer_tells_browsers_and_caches_to_make_nothing_more_of_it(
    caller, asked, accept, varies, cache
):
    answered = await caller.request(*asked.split(), headers={"Accept": accept})

    policy = answered.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert (answered.headers["X-Content-Type-Options"], answered.headers["Referrer-Policy"]) == (
        "nosniff",
        "same-origin" if asked == "HEAD /docs" else "no-referrer",
    )
    assert answered.headers.get("Vary") == varies
    assert answered.headers.get_list("Cache-Control") == [cache]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/", 401),
        ("/health/live", 200),
        ("/health/live/", 404),
        ("//health/live", 404),
        ("/health//live", 404),
        ("/health/./live", 404),
        ("/health/%6cive", 404),
        ("/health%2Flive", 404),
        ("/health/live%20", 404),
        ("/health/live;x=1", 404),
        ("/docs?", 200),
    ],
)
async def test_a_path_has_one_spelling(service, path, status):
    sent = []

    async def send(message):
        sent.append(message)

    raw, _, query = path.encode().partition(b"?")
    scope = {
        "type": "http",
        "method": "GET",
        "path": unquote(raw.decode()),
        "raw_path": raw,
        "query_string": query,
        "headers": [],
    }
    await service.app(
        {**scope, "http_version": "1.1", "scheme": "http", "server": None, "client": None, "root_path": ""},
        None,
        send,
    )

    assert sent[0]["status"] == status


async def test_a_place_is_given_back_when_the_answer_is_made_and_not_when_it_is_read(service):
    reading, read = asyncio.Event(), asyncio.Event()

    async def unread(message):
        reading.set()
        await read.wait()

    app = create_app(Settings(most_in_flight=1))
    scope = {
        "type": "http",
        "method": "GET",
        "path": "/problems/busy",
        "raw_path": b"/problems/busy",
        "query_string": b"",
        "headers": [],
    }
    first = asyncio.create_task(
        app(
            {
                **scope,
                "http_version": "1.1",
                "scheme": "http",
                "server": None,
                "client": None,
                "root_path": "",
            },
            None,
            unread,
        )
    )
    await reading.wait()

    assert (await type(service)(app, service.owner_url).http().get("/problems/busy")).status_code == 200
    read.set()
    await first
    assert app.gateway.in_flight == 0


async def test_with_a_port_of_their_own_metrics_are_there_and_nothing_else(service):
    app = create_app(Settings(metrics_port=9100))
    app.state.services = service.app.state.services
    apart, main = (
        httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url=f"http://coldcase.example:{port}")
        for port in (9100, 8000)
    )

    assert [(await apart.get(path)).status_code for path in ("/metrics", "/health/live")] == [200, 404]
    assert [(await main.get(path)).status_code for path in ("/metrics", "/health/live")] == [404, 200]
    await apart.aclose()
    await main.aclose()


async def test_a_header_that_comes_several_times_is_one_list(caller, case):
    wanted = [("Prefer", "respond-async"), ("Prefer", "handling=lenient"), ("Prefer", "wait=1")]
    answered = await caller.post(
        "/v1/classifications/preview", json={**case, "colour": "red"}, headers=wanted
    )

    assert (answered.status_code, answered.headers["Preference-Applied"]) == (200, "handling=lenient")
