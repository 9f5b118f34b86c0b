"""Events and seals over HTTP: paged, and each client sees what is its own."""

from datetime import timedelta

import psycopg
import pytest

from coldcase.auditing import sealing
from coldcase.classifying import now
from tests.auditing.conftest import SCOPES, cases, plain

pytestmark = pytest.mark.anyio


@pytest.fixture(scope="module")
async def auditor(service):
    """A client with three verdicts and two seals over what is on record."""
    caller = await service.caller(*SCOPES, client="Butter Store")
    for one in cases(3):
        id_ = (await caller.post("/v1/classifications", json=one)).json()["id"]
        await caller.post(f"/v1/decisions/{id_}/verdicts", json={"cause": "moisture", "basis": "field"})
        async with service.app.state.house.transaction() as conn:
            await sealing.seal(conn, now=now())
    return caller


async def pages(caller, place):
    found = []
    while place:
        page = await caller.get(place)
        assert page.status_code == 200, page.text
        found += page.json()["items"]
        place = page.links["next"]["url"] if "next" in page.links else None
        assert (place is None) == (page.json()["next"] is None)
    return found


async def test_events_come_newest_first_and_page_by_page(auditor):
    events = await pages(auditor, "/v1/audit-events?limit=2")

    assert [event["id"] for event in events] == sorted((event["id"] for event in events), reverse=True)
    assert [event["action"] for event in events if event["action"].startswith("verdict")] == ["verdict.recorded"] * 3
    assert {"key.created", "rule_table.publish"} <= {event["action"] for event in events}
    only = await pages(auditor, "/v1/audit-events?action=rule_table.publish")
    assert [event["subject"] for event in only] == ["1"]


async def test_a_clients_events_are_not_shown_to_another(service, auditor):
    stranger = await service.caller("audit:read", client="Milk Store")
    seen = {event["id"] for event in await pages(stranger, "/v1/audit-events")}
    own = {event["id"] for event in await pages(auditor, "/v1/audit-events") if event["action"].startswith(("verdict", "key"))}
    assert own
    assert seen.isdisjoint(own)
    office = await service.caller("audit:read", "decisions:read:all", client="Head Office")
    assert own <= {event["id"] for event in await pages(office, "/v1/audit-events?limit=500")}


async def test_seals_form_a_chain(auditor):
    seals = await pages(auditor, "/v1/audit-seals?limit=2")

    assert [seal["number"] for seal in seals] == list(range(1, len(seals) + 1))
    assert [seal["previous"] for seal in seals] == ["00" * 32, *(seal["head"] for seal in seals[:-1])]


async def test_verification_over_http(service, auditor):
    head = (await pages(auditor, "/v1/audit-seals"))[0]["head"]
    told = (await auditor.post(f"/v1/audit-seals/verify?expect={head}")).json()
    assert (told["good"], told["troubles"], told["wrong"]) == (True, [], 0)
    other = (await auditor.post(f"/v1/audit-seals/verify?expect={'0' * 64}")).json()
    assert (other["good"], [trouble["what"] for trouble in other["troubles"]]) == (False, ["expected"])
    assert (await auditor.post("/v1/audit-seals/verify?expect=abc")).status_code == 400


async def test_one_verification_runs_at_a_time(service, auditor):
    with psycopg.connect(plain(service.owner_url)) as other:
        other.execute("SELECT pg_advisory_xact_lock(hashtext('coldcase verify'))")
        told = await auditor.post("/v1/audit-seals/verify")
    assert (told.status_code, told.headers["Retry-After"]) == (429, "1")


async def test_a_trouble_with_another_clients_record_is_not_told_by_name(service, auditor):
    stranger = await service.caller(*SCOPES, client="Whey Store")
    office = await service.caller("audit:read", "decisions:read:all", client="Head Office")
    id_ = (await stranger.post("/v1/classifications", json=cases(1)[0])).json()["id"]
    async with service.app.state.house.transaction() as conn:
        await sealing.seal(conn, now=now() + timedelta(seconds=1))
    with psycopg.connect(plain(service.owner_url).replace("coldcase_owner", "postgres"), autocommit=True) as conn:
        conn.execute("SET session_replication_role = replica")
        conn.execute("UPDATE decision SET confidence = 1 WHERE id = %s", [id_])
    told = (await auditor.post("/v1/audit-seals/verify")).json()
    assert (told["good"], told["wrong"], told["troubles"]) == (False, 1, [])
    for caller in (stranger, office):
        assert [trouble["record"] for trouble in (await caller.post("/v1/audit-seals/verify")).json()["troubles"]] == [id_]


async def test_a_young_decision_is_not_sealed_yet(service, auditor):
    id_ = (await auditor.post("/v1/classifications", json=cases(1)[0])).json()["id"]
    told = await auditor.get(f"/v1/decisions/{id_}/inclusion")
    assert (told.status_code, told.json()["type"], told.headers["Retry-After"]) == (404, "/problems/not_sealed", "60")
    async with service.app.state.house.transaction() as conn:
        made = await sealing.seal(conn, now=now())
    proof = (await auditor.get(f"/v1/decisions/{id_}/inclusion")).json()
    assert (proof["decision"], proof["head"]) == (id_, made.head.hex())
