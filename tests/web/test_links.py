"""Links: one page for somebody without a key, for a time, and nothing else."""

import asyncio
import base64
from datetime import timedelta

import pytest
from sqlalchemy import text

from coldcase.clock import now
from coldcase.db import keys
from coldcase.web import sessions
from tests.web.conftest import EVERY_SCOPE

pytestmark = pytest.mark.anyio


@pytest.fixture
async def decision(caller, case):
    return (await caller.post("/v1/classifications", json=case)).headers["Location"]


async def shared(caller, place, **members):
    made = await caller.post(f"{place}/links", json=members)
    assert made.status_code == 201, made.text
    return made


def code_of(answered):
    return answered.status_code, answered.json()["type"].rpartition("/")[2]


async def test_a_link_shows_the_report_to_whoever_has_it(service, caller, decision):
    made = await shared(caller, decision)
    link = made.json()

    assert (link["kind"], link["works"], link["revoked_at"]) == ("decision", True, None)
    assert made.headers["Location"] == f"{decision}/links/{link['id']}"
    shown = await service.http().get(link["path"])
    assert (shown.status_code, shown.headers["Content-Type"]) == (200, "text/html; charset=utf-8")
    assert "TH-1184" in shown.text
    assert shown.headers["Cache-Control"] == "no-store"
    assert shown.headers["X-Robots-Tag"] == "noindex, nofollow"
    assert (await caller.get(f"{decision}/links")).json() == {"items": [link], "next": None}


async def test_it_opens_nothing_else(service, caller, decision):
    address = (await shared(caller, decision)).json()["path"].rpartition("/")[2]

    for headers in (
        {"Authorization": f"Bearer {address}"},
        {"Cookie": f"coldcase_session={address}"},
        {},
    ):
        for path in (decision, f"{decision}/links", "/v1/decisions", "/v1/vocabulary"):
            assert (await service.http().get(path, headers=headers)).status_code == 401


async def test_no_key_is_in_it_and_it_cannot_be_made_up(service, caller, decision):
    path = (await shared(caller, decision)).json()["path"]
    raw = base64.urlsafe_b64decode(path.rpartition("/")[2] + "=")
    assert caller.headers["Authorization"].removeprefix("Bearer cc_").encode() not in path.encode()

    for forged in (
        raw[:16] + bytes(16),
        raw[:31] + bytes([raw[31] ^ 1]),
        bytes([raw[0] ^ 1]) + raw[1:],
        raw[:16],
        raw + b"x",
        b"",
    ):
        address = base64.urlsafe_b64encode(forged).decode().rstrip("=") or "-"
        assert code_of(await service.http().get(f"/shared/{address}")) == (404, "not_found")
    for odd in ("x", f"{path.rpartition('/')[2]}=", "a" * 43, "A" * 5000):
        assert (await service.http().get(f"/shared/{odd}")).status_code == 404


async def test_it_ends_by_itself(service, caller, decision):
    path = (await shared(caller, decision)).json()["path"]
    past = "UPDATE page_link SET expires_at = now() - interval '1 second'"
    await service.as_owner(lambda conn: conn.execute(text(past)))

    assert code_of(await service.http().get(path)) == (404, "not_found")
    (listed,) = (await caller.get(f"{decision}/links")).json()["items"]
    assert listed["works"] is False


async def test_it_is_revoked_at_once_and_for_good(service, caller, decision):
    made = await shared(caller, decision)
    for _ in range(2):
        assert (await caller.delete(made.headers["Location"])).status_code == 204
        assert (await service.http().get(made.json()["path"])).status_code == 404
    (listed,) = (await caller.get(f"{decision}/links")).json()["items"]
    assert listed["revoked_at"] is not None


async def test_it_ends_with_the_revocation_of_the_key_that_made_it(service, case):
    secret, key = await service.key()
    caller = service.http(secret)
    place = (await caller.post("/v1/classifications", json=case)).headers["Location"]
    path = (await shared(caller, place)).json()["path"]
    await service.as_owner(lambda conn: keys.revoke_key(conn, key.id, now=now()))

    assert (await service.http().get(path)).status_code == 404


async def test_another_client_neither_makes_nor_sees_nor_ends_it(service, caller, decision):
    made = await shared(caller, decision)
    other = await service.caller(client="Harbour Fish")

    assert code_of(await other.post(f"{decision}/links", json={})) == (404, "not_found")
    assert code_of(await other.get(f"{decision}/links")) == (404, "not_found")
    assert code_of(await other.delete(made.headers["Location"])) == (404, "not_found")
    assert (await service.http().get(made.json()["path"])).status_code == 200


async def test_it_takes_the_scope_of_the_page(service, caller, decision):
    writer = await service.caller("decisions:write")
    reader = await service.caller("decisions:read")

    assert code_of(await writer.post(f"{decision}/links", json={})) == (403, "scope_missing")
    assert (await reader.post(f"{decision}/links", json={})).status_code == 201
    assert code_of(await reader.post("/v1/rule-tables/1/links", json={})) == (403, "scope_missing")


@pytest.mark.parametrize(
    ("members", "pointer"),
    [
        ({"expires_at": "2026-01-01T00:00:00Z"}, "/expires_at"),
        ({"expires_at": "2096-01-01T00:00:00Z"}, "/expires_at"),
        ({"expires_at": "tomorrow"}, "/expires_at"),
        ({"expires_at": "2096-01-01T00:00:00"}, "/expires_at"),
        ({"days": 3}, "/days"),
        ([], ""),
    ],
)
async def test_what_is_wrong_with_it_is_told(caller, decision, members, pointer):
    refused = await caller.post(f"{decision}/links", json=members)

    assert code_of(refused) == (422, "bad_link")
    assert refused.json()["errors"][0]["pointer"] == pointer


async def test_a_retry_gives_the_first_link_again(caller, decision):
    key = {"Idempotency-Key": f"share {decision}".replace(" ", "-").replace("/", "-")}
    first = await caller.post(f"{decision}/links", json={}, headers=key)
    again = await caller.post(f"{decision}/links", json={}, headers=key)
    end = (now() + timedelta(days=2)).isoformat()
    otherwise = await caller.post(f"{decision}/links", json={"expires_at": end}, headers=key)

    assert (first.status_code, again.status_code) == (201, 200)
    assert again.headers["Answer-Repeated"] == "true"
    assert again.json() == first.json()
    assert code_of(otherwise) == (422, "key_reused")


async def test_the_audit_events_tell_of_its_making_and_its_end(service, caller, decision):
    made = await shared(caller, decision)
    await caller.delete(made.headers["Location"])
    auditor = await service.caller("audit:read")

    for action in ("link.revoked", "link.made"):
        (event, *_) = (await auditor.get("/v1/audit-events", params={"action": action})).json()["items"]
        assert event["subject"] == decision.rpartition("/")[2]
        assert event["details"]["link"] == made.json()["id"]
        assert made.json()["path"].rpartition("/")[2] not in str(event)


async def test_a_rule_table_is_shared_without_what_was_said_of_it(service, caller):
    remark = {"pointer": "/findings/copper_plating", "text": "only-for-us"}
    assert (await caller.post("/v1/rule-tables/1/remarks", json=remark)).status_code == 201
    made = (await shared(caller, "/v1/rule-tables/1")).json()
    shown = await service.http().get(made["path"])

    assert (made["kind"], shown.status_code) == ("rule_table", 200)
    assert "Rule table 1" in shown.text
    assert "only-for-us" not in shown.text


async def test_a_comparison_is_shared_and_a_changed_draft_is_not(service, caller):
    made = (await shared(caller, "/v1/rule-tables/1", against=1)).json()
    shown = await service.http().get(made["path"])

    assert (made["kind"], made["against"]) == ("diff", 1)
    assert (shown.status_code, "Nothing differs" in shown.text) == (200, True)
    changed = "UPDATE page_link SET digest = 'sha256:other' WHERE kind = 'diff'"
    await service.as_owner(lambda conn: conn.execute(text(changed)))
    assert "changed since" in (await service.http().get(made["path"])).json()["detail"]
    assert code_of(await caller.post("/v1/rule-tables/1/links", json={"against": 99})) == (404, "not_found")


async def test_made_up_addresses_do_not_ask_the_record(service, monkeypatch):
    await service.http().get("/shared/" + "a" * 43)
    monkeypatch.setattr("coldcase.web.sharing.links.find_link", None)
    answers = await asyncio.gather(*(service.http().get(f"/shared/{n:043d}") for n in range(50)))

    assert {answered.status_code for answered in answers} == {404}


async def test_people_make_and_revoke_links_on_a_page(service, case):
    secret, _ = await service.key(*EVERY_SCOPE)
    browser = service.http()
    await browser.post("/login", data={"key": secret})
    token = {"form_token": sessions.form_token(browser.cookies[sessions.COOKIE])}
    headers = {"X-Form-Token": token["form_token"]}
    id_ = (await browser.post("/v1/classifications", json=case, headers=headers)).json()["id"]
    place = f"/decisions/{id_}/links"

    assert (await browser.post(place, data={"days": "7"})).status_code == 403
    assert (await browser.post(place, data={"days": "0", **token})).status_code == 400
    assert (await browser.post(place, data={"days": "7", **token})).headers["Location"] == place
    page = (await browser.get(place)).text
    path = "/shared/" + page.partition("/shared/")[2].partition("<")[0]
    assert (await service.http().get(path)).status_code == 200
    action = page.partition(f'action="{place}/')[2].partition('"')[0]
    assert (await browser.post(f"{place}/{action}", data=token)).status_code == 303
    assert (await service.http().get(path)).status_code == 404


async def test_a_form_sent_twice_at_once_makes_one_link(service, case):
    secret, _ = await service.key(*EVERY_SCOPE)
    browser = service.http(secret)
    decision = (await browser.post("/v1/classifications", json=case)).headers["Location"]
    for place in (decision.removeprefix("/v1"), "/tables/1"):
        page = (await browser.get(f"{place}/links")).text
        key = page.partition('name="key" value="')[2].partition('"')[0]
        sent = {"days": "7", "key": key}
        both = await asyncio.gather(*(browser.post(f"{place}/links", data=sent) for _ in range(2)))

        assert [one.status_code for one in both] == [303, 303]
        after = (await browser.get(f"{place}/links")).text
        assert after.count("/shared/") == page.count("/shared/") + 1
        assert key not in after
        assert code_of(await browser.post(f"{place}/links", data=sent | {"days": "8"})) == (422, "key_reused")
