"""Getting in with a browser: a key for a session, and nothing else that a cookie could be made of."""

import asyncio
from datetime import timedelta
from urllib.parse import parse_qs, urlsplit

import pytest
from sqlalchemy import text

from coldcase.app import create_app
from coldcase.clock import now
from coldcase.db import keys
from coldcase.settings import Settings
from coldcase.web import sessions
from tests.web.conftest import EVERY_SCOPE, Service

pytestmark = pytest.mark.anyio

BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,*/*;q=0.8"}


async def log_in(service, secret, next_="/", **headers):
    browser = service.http()
    browser.headers.update(BROWSER)
    answered = await browser.post("/login", data={"key": secret, "next": next_}, headers=headers)
    return browser, answered


@pytest.fixture
async def browser(service):
    secret, _ = await service.key()
    browser, answered = await log_in(service, secret)
    assert answered.status_code == 303, answered.text
    return browser


def token_of(browser):
    return browser.cookies[sessions.COOKIE]


async def test_a_key_becomes_a_cookie_that_does_not_hold_it(service):
    secret, _ = await service.key()
    _, answered = await log_in(service, secret, "/decisions?status=coded")

    assert (answered.status_code, answered.headers["Location"]) == (303, "/decisions?status=coded")
    cookie = answered.headers["Set-Cookie"]
    name, _, rest = cookie.partition("=")
    assert name == "coldcase_session"
    assert {"HttpOnly", "SameSite=Lax", "Path=/", "Max-Age=43200"} <= set(rest.split("; "))
    assert secret not in cookie
    assert secret.removeprefix("cc_")[:12] not in cookie
    assert answered.headers["Cache-Control"] == "no-store"


async def test_over_https_the_cookie_is_secure_and_bound_to_the_host(service):
    secret, _ = await service.key()
    answered = await service.http().post("https://coldcase.example/login", data={"key": secret})

    assert answered.headers["Set-Cookie"].startswith("__Host-coldcase_session=")
    assert "; Secure" in answered.headers["Set-Cookie"]


async def test_a_session_opens_what_its_key_opens_and_no_more(service, case):
    secret, _ = await service.key("decisions:read")
    browser, _ = await log_in(service, secret)

    assert (await browser.get("/v1/decisions")).json() is not None
    assert (await browser.get("/v1/audit-events", headers={"Accept": "application/json"})).status_code == 403
    token = sessions.form_token(token_of(browser))
    refused = await browser.post(
        "/v1/classifications", json=case, headers={"X-Form-Token": token, "Accept": "*/*"}
    )
    assert (refused.status_code, refused.json()["type"]) == (403, "/problems/scope_missing")


@pytest.mark.parametrize("key", ["cc_nobody", "", " ", "x" * 200])
async def test_a_key_that_opens_nothing_is_said_to(service, key):
    browser, answered = await log_in(service, key)

    assert answered.status_code == 401
    assert "This key opens nothing" in answered.text
    assert "Set-Cookie" not in answered.headers
    assert (await browser.get("/decisions")).status_code == 303


@pytest.mark.parametrize(
    "next_",
    [
        "https://evil.example/",
        "//evil.example/",
        "/\\evil.example/",
        "javascript:alert(1)",
        "evil",
        "/\t/x",
        "",
    ],
)
async def test_logging_in_leads_to_places_of_this_service_alone(service, next_):
    secret, _ = await service.key()
    browser, answered = await log_in(service, secret, next_)

    if next_:
        assert answered.status_code == 400
        assert "Set-Cookie" not in answered.headers
        assert (await browser.get("/login", params={"next": next_})).status_code == 400
    else:
        assert answered.headers["Location"] == "/"


async def test_a_person_without_a_session_is_led_to_the_login_page_and_back(service):
    browser = service.http()
    led = await browser.get("/decisions?status=coded", headers=BROWSER)

    assert led.status_code == 303
    assert parse_qs(urlsplit(led.headers["Location"]).query) == {"next": ["/decisions?status=coded"]}
    shown = await browser.get(led.headers["Location"], headers=BROWSER)
    assert '<input type="hidden" name="next" value="/decisions?status=coded">' in shown.text


@pytest.mark.parametrize(
    ("sent", "accept"), [(None, "*/*"), (None, "application/json"), ("Bearer cc_no", BROWSER["Accept"])]
)
async def test_a_program_without_a_key_is_told_so(service, sent, accept):
    headers = {"Accept": accept} | ({"Authorization": sent} if sent else {})
    answered = await service.http().get("/v1/vocabulary", headers=headers)

    assert answered.status_code in (401, 406)


@pytest.mark.parametrize(
    "forged",
    ["", "x", "A" * 43, "A" * 5000, "../../etc/passwd", '"quoted"', "a; coldcase_session=b", "\x01", "%00"],
)
async def test_a_cookie_that_nobody_was_given_opens_nothing(service, forged):
    answered = await service.http().get("/v1/vocabulary", headers={"Cookie": f"coldcase_session={forged}"})

    assert answered.status_code == 401


async def test_a_key_is_no_cookie_and_a_cookie_no_key(service, browser):
    secret, _ = await service.key()

    as_cookie = await service.http().get("/v1/vocabulary", headers={"Cookie": f"coldcase_session={secret}"})
    as_key = await service.http(token_of(browser)).get("/v1/vocabulary")
    assert (as_cookie.status_code, as_key.status_code) == (401, 401)


async def test_what_the_record_keeps_of_a_session_opens_nothing(service, browser):
    async def read(conn):
        found = await conn.execute(
            text("SELECT encode(token_sha256, 'hex'), encode(token_sha256, 'base64') FROM web_session")
        )
        return [word for row in found for word in row]

    for kept in await service.as_owner(read):
        answered = await service.http().get("/v1/vocabulary", headers={"Cookie": f"coldcase_session={kept}"})
        assert answered.status_code == 401


async def test_logging_out_ends_the_session_everywhere(service, browser):
    token = token_of(browser)
    left = await browser.post("/logout", data={"form_token": sessions.form_token(token)})

    assert (left.status_code, left.headers["Location"]) == (303, "/login")
    assert "Max-Age=0" in left.headers["Set-Cookie"]
    answered = await service.http().get("/v1/vocabulary", headers={"Cookie": f"coldcase_session={token}"})
    assert answered.status_code == 401


async def test_a_session_ends_with_its_key_within_two_seconds(service):
    secret, made = await service.key()
    browser, _ = await log_in(service, secret)
    assert (await browser.get("/v1/vocabulary")).status_code == 200

    await service.as_owner(lambda conn: keys.revoke_key(conn, made.id, now=now()))

    async with asyncio.timeout(2):
        while (await browser.get("/v1/vocabulary", headers={"Accept": "*/*"})).status_code != 401:
            await asyncio.sleep(0.01)


async def test_a_session_lasts_no_longer_than_its_key(service):
    secret, _ = await service.key(expires_at=now() + timedelta(seconds=90))
    _, answered = await log_in(service, secret)

    (age,) = (part for part in answered.headers["Set-Cookie"].split("; ") if part.startswith("Max-Age"))
    assert 0 < int(age.partition("=")[2]) <= 90


async def test_a_session_ends_by_itself_and_is_swept(service):
    secret, _ = await service.key()
    browser, _ = await log_in(service, secret)
    past = "UPDATE web_session SET expires_at = now() - interval '1 second'"
    await service.as_owner(lambda conn: conn.execute(text(past)))

    async with asyncio.timeout(2):
        while (await browser.get("/v1/vocabulary", headers={"Accept": "*/*"})).status_code != 401:
            await asyncio.sleep(0.05)
    await log_in(service, secret)
    assert await service.count("web_session") == 1


async def test_a_session_is_known_on_every_replica_and_so_is_its_end(service_database):
    apps = [
        create_app(Settings(database_url=service_database.service_url, warm_properties=False))
        for _ in range(2)
    ]
    async with apps[0].lifespan(), apps[1].lifespan():
        first, second = (Service(app, service_database.owner_url) for app in apps)
        secret, _ = await first.key()
        browser, _ = await log_in(first, secret)
        token = token_of(browser)
        other = second.http()
        other.headers.update({"Cookie": f"coldcase_session={token}"})
        assert (await other.get("/v1/vocabulary")).status_code == 200

        await browser.post("/logout", data={"form_token": sessions.form_token(token)})

        async with asyncio.timeout(2):
            while (await other.get("/v1/vocabulary")).status_code != 401:
                await asyncio.sleep(0.05)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),
        ({"X-Form-Token": "0" * 64}, 403),
        ({"X-Form-Token": "right"}, 201),
        ({"X-Form-Token": "right", "Sec-Fetch-Site": "same-origin"}, 201),
        ({"X-Form-Token": "right", "Sec-Fetch-Site": "cross-site"}, 403),
        ({"X-Form-Token": "right", "Sec-Fetch-Site": "same-site"}, 403),
        ({"X-Form-Token": "right", "Origin": "http://coldcase.example"}, 201),
        ({"X-Form-Token": "right", "Origin": "http://evil.example"}, 403),
        ({"X-Form-Token": "right", "Origin": "null"}, 403),
    ],
)
async def test_what_changes_something_has_to_come_from_a_page_of_ours(browser, case, headers, status):
    if headers.get("X-Form-Token") == "right":
        headers = headers | {"X-Form-Token": sessions.form_token(token_of(browser))}
    answered = await browser.post("/v1/classifications", json=case, headers={"Accept": "*/*", **headers})

    assert answered.status_code == status
    if status == 403:
        assert answered.json()["type"] == "/problems/foreign_request"


async def test_a_form_token_is_of_one_session_alone(service, browser, case):
    secret, _ = await service.key()
    other, _ = await log_in(service, secret)
    token = sessions.form_token(token_of(other))
    answered = await browser.post("/v1/classifications", json=case, headers={"X-Form-Token": token})

    assert answered.status_code == 403


@pytest.mark.parametrize("headers", [{"Sec-Fetch-Site": "cross-site"}, {"Origin": "http://evil.example"}])
async def test_nobody_is_logged_in_from_elsewhere(service, headers):
    secret, _ = await service.key()
    _, answered = await log_in(service, secret, **headers)

    assert answered.status_code == 403
    assert "Set-Cookie" not in answered.headers


async def test_a_browser_is_told_in_words_what_is_wrong(browser):
    missing = await browser.get("/v1/decisions/0198c0de-0000-7000-8000-000000000000")
    nowhere = await browser.get("/nowhere")
    wrong = await browser.get("/decisions?from=yesterday&colour=red")

    assert [one.status_code for one in (missing, nowhere, wrong)] == [404, 404, 400]
    for answered in (missing, nowhere, wrong):
        assert answered.headers["Content-Type"].startswith("text/html")
        assert "<h1>" in answered.text
    assert "colour" in wrong.text
    told = await browser.get("/nowhere", headers={"Accept": "application/json"})
    assert told.headers["Content-Type"] == "application/problem+json"


async def test_the_first_page_shows_the_places_that_the_key_opens(service):
    reader, _ = await log_in(service, (await service.key("decisions:read"))[0])
    auditor, _ = await log_in(service, (await service.key("audit:read"))[0])

    assert '<a href="/decisions">' in (await reader.get("/")).text
    assert '<a href="/decisions">' not in (await auditor.get("/")).text


async def test_a_page_runs_no_script_and_takes_no_style_but_its_own(browser):
    answered = await browser.get("/")

    policy = dict(
        part.strip().split(" ", 1) for part in answered.headers["Content-Security-Policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["form-action"] == "'self'"
    assert policy["style-src"].startswith("'sha256-")
    assert "unsafe" not in answered.headers["Content-Security-Policy"]
    assert answered.headers["Cache-Control"] == "private, no-store"
    assert answered.headers["Vary"] == "Accept, Authorization, Cookie"


async def test_files_of_pages_are_kept_for_ever_under_an_address_of_their_content(service, browser):
    path = (await browser.get("/")).text.partition('<link rel="icon" href="')[2].partition('"')[0]
    answered = await service.http().get(path)

    assert (answered.status_code, answered.headers["Content-Type"]) == (200, "image/svg+xml")
    assert "immutable" in answered.headers["Cache-Control"]
    assert (await service.http().get("/pages/0000000000000000/mark.svg")).status_code == 404


async def test_reports_are_searched_and_only_the_clients_own_are_found(service, case):
    mine, _ = await log_in(service, (await service.key(*EVERY_SCOPE, client="North Shore Dairy"))[0])
    theirs, _ = await log_in(service, (await service.key(*EVERY_SCOPE, client="Harbour Fish"))[0])
    case["job"]["ref"] = "<b>TH</b>-9"
    token = sessions.form_token(token_of(mine))
    place = (await mine.post("/v1/classifications", json=case, headers={"X-Form-Token": token})).headers[
        "Location"
    ]

    found = (
        await mine.get("/decisions", params={"job_ref": "<b>TH</b>-9", "cause": "", "from": "2026-01-01"})
    ).text
    assert f'href="{place}"' in found
    assert "<b>TH</b>" not in found
    assert place not in (await theirs.get("/decisions")).text
    assert place not in (await mine.get("/decisions?to=2025-01-01")).text
