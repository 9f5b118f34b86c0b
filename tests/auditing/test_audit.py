"""Events and seals over HTTP: paged, and each client sees what is its own."""

import asyncio
import re
from functools import partial
from typing import get_args

import psycopg
import pytest
from sqlalchemy import select, text
from sqlalchemy.engine import make_url

from coldcase.auditing import sealing
from coldcase.clock import now
from coldcase.core.rule_table import table_digest
from coldcase.db import embedded, events, keys
from coldcase.db.events import Actor
from coldcase.db.tables import api_key
from coldcase.shipped import starter_table
from tests.auditing.conftest import SCOPES, cases, plain

pytestmark = pytest.mark.anyio


@pytest.fixture(scope="module")
async def auditor(service):
    """A client with three verdicts and two seals over what is on record."""
    caller = await service.caller(*SCOPES, client="Butter Store")
    for one in cases(3):
        id_ = (await caller.post("/v1/classifications", json=one)).json()["id"]
        await caller.post(f"/v1/decisions/{id_}/verdicts", json={"cause": "moisture", "basis": "field"})
        async with service.app.state.services.transaction() as conn:
            await sealing.seal(conn)
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
    found = await pages(auditor, "/v1/audit-events?limit=2")

    assert [event["id"] for event in found] == sorted((event["id"] for event in found), reverse=True)
    assert [event["action"] for event in found if event["action"].startswith("verdict")] == [
        "verdict.recorded"
    ] * 3
    assert {"key.created", "rule_table.publish"} <= {event["action"] for event in found}
    only = await pages(auditor, "/v1/audit-events?action=rule_table.publish")
    assert [event["subject"] for event in only] == ["1"]


async def test_events_are_found_by_person_and_time(service, auditor):
    secret, _ = await service.key(*SCOPES, client="Butter Store", person="bench-9")
    clerk = service.http(secret)
    id_ = (await clerk.post("/v1/classifications", json=cases(1)[0])).json()["id"]
    await clerk.post(f"/v1/decisions/{id_}/verdicts", json={"cause": "moisture", "basis": "field"})

    [event] = await pages(clerk, "/v1/audit-events?person=bench-9")
    assert (event["action"], event["person"]) == ("verdict.recorded", "bench-9")
    at = event["at"].replace("+00:00", "Z")
    [same] = await pages(auditor, f"/v1/audit-events?from={at}&action=verdict.recorded")
    assert same == event
    before = await pages(auditor, f"/v1/audit-events?to={at}&limit=2")
    assert event["id"] not in {each["id"] for each in before}
    assert len(before) > 2
    # Who acted on the record as a whole is not told to one client; so it cannot be asked for either.
    assert await pages(auditor, "/v1/audit-events?person=starter") == []
    office = await service.caller("audit:read", "decisions:read:all", client="Head Office")
    found = await pages(office, "/v1/audit-events?person=starter")
    assert {event["action"] for event in found} == {
        "rule_table.draft",
        "rule_table.approve",
        "rule_table.publish",
    }


WRONG_FILTERS = {
    "action=rule_table.publsh": ("action", "rule_table.publish"),
    "action=": ("action", None),
    "person=%00": ("person", None),
    "person=": ("person", None),
    "subject=A b": ("subject", None),
    "from=yesterday": ("from", None),
    "to=2026-03-01": ("to", None),
    "from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z": ("to", None),
    "by=bench": ("by", None),
    "person=a&person=b": ("person", None),
}


@pytest.mark.parametrize("query", WRONG_FILTERS)
async def test_a_wrong_filter_of_events_is_refused_by_name(auditor, query):
    told = await auditor.get(f"/v1/audit-events?{query}")
    assert told.status_code == 400
    [error] = told.json()["errors"]
    assert (error["pointer"], error.get("suggestion")) == WRONG_FILTERS[query]


WRITERS = (
    "SELECT prosrc FROM pg_proc WHERE pronamespace = 'public'::regnamespace AND prosrc LIKE '%audit_event%'"
)


async def test_every_action_that_the_database_writes_can_be_asked_for(service):
    sources = await service.as_owner(lambda conn: conn.scalars(text(WRITERS)))
    # What ends in an underscore is only the beginning of one.
    written = {word for source in sources for word in re.findall(r"'([a-z_]+\.[a-z_]*[a-z])'", source)}
    assert "verdict.recorded" in written
    assert {word for word in written if not word.startswith("coldcase.")} <= set(get_args(events.EventAction))


async def test_a_clients_events_are_not_shown_to_another(service, auditor):
    stranger = await service.caller("audit:read", client="Milk Store")
    seen = {event["id"] for event in await pages(stranger, "/v1/audit-events")}
    own = {
        event["id"]
        for event in await pages(auditor, "/v1/audit-events")
        if event["action"].startswith(("verdict", "key"))
    }
    assert own
    assert seen.isdisjoint(own)
    office = await service.caller("audit:read", "decisions:read:all", client="Head Office")
    assert own <= {event["id"] for event in await pages(office, "/v1/audit-events?limit=500")}


async def test_events_of_a_key_name_its_client(service):
    secret, key = await service.key("audit:read", "preview", client="Curd Store", person="bench-3")
    [event] = await pages(service.http(secret), f"/v1/audit-events?subject={key.id}")

    assert event["action"] == "key.created"
    told = event["details"]
    assert (told["client"], told["client_id"], told["scopes"], told["expires_at"]) == (
        "Curd Store",
        key.client_id,
        ["audit:read", "preview"],
        None,
    )
    assert "bench-3" not in str(event)
    known = select(api_key.c.id).where(api_key.c.secret_sha256 == bytes.fromhex(told["secret"]))
    assert await service.as_owner(lambda conn: conn.scalar(known)) is None
    await service.as_owner(lambda conn: keys.revoke_key(conn, key.id, now=now()))
    office = await service.caller("audit:read", "decisions:read:all", client="Head Office")
    revoked, created = await pages(office, f"/v1/audit-events?subject={key.id}")
    assert (revoked["action"], created) == ("key.revoked", event)
    assert {name: value for name, value in revoked["details"].items() if name != "revoked_at"} == told


async def test_a_published_table_is_named_by_version_and_digest(auditor):
    [event] = await pages(auditor, "/v1/audit-events?action=rule_table.publish")
    table = starter_table()
    assert event["details"] == {"event": 3, "version": 1, "digest": table_digest(table)}


async def test_what_was_done_to_the_whole_record_does_not_say_from_where(service, auditor):
    by_hand = Actor(person="operator-1", remote="command line, root@plant")
    note = partial(
        events.write_event, action="guards.mended", subject="record", details={"count": 7}, actor=by_hand
    )
    await service.as_owner(note)
    office = await service.caller("audit:read", "decisions:read:all", client="Head Office")
    place = "/v1/audit-events?action=guards.mended"

    [seen], [whole] = await pages(auditor, place), await pages(office, place)

    assert (whole["person"], whole["remote"], whole["details"]) == (
        "operator-1",
        "command line, root@plant",
        {"count": 7},
    )
    assert seen == {**whole, "person": None, "remote": None, "details": {}}


async def test_seals_form_a_chain(auditor):
    seals = await pages(auditor, "/v1/audit-seals?limit=2")

    assert [seal["number"] for seal in seals] == list(range(1, len(seals) + 1))
    assert [seal["previous"] for seal in seals] == ["00" * 32, *(seal["head"] for seal in seals[:-1])]


async def test_verification_over_http(service, auditor):
    head = (await pages(auditor, "/v1/audit-seals"))[0]["head"]
    told = (await auditor.post(f"/v1/audit-seals/verify?expect={head}")).json()
    assert (told["good"], told["troubles"], told["wrong"]) == (True, [], 0)
    other = (await auditor.post(f"/v1/audit-seals/verify?expect={'0' * 64}")).json()
    assert (other["good"], [discrepancy["what"] for discrepancy in other["troubles"]]) == (
        False,
        ["expected"],
    )
    assert (await auditor.post("/v1/audit-seals/verify?expect=abc")).status_code == 400


async def test_counts_over_all_clients_are_told_to_who_reads_all_only(service, auditor):
    office = await service.caller("audit:read", "decisions:read:all", client="Head Office")
    counted = ("records", "unsealed", "taken_out", "erased")
    own, whole = [(await caller.post("/v1/audit-seals/verify")).json() for caller in (auditor, office)]
    assert [own[name] for name in counted] == [None] * 4
    assert whole["records"] > 0
    assert all(isinstance(whole[name], int) for name in counted)
    assert {seal["count"] for seal in await pages(auditor, "/v1/audit-seals")} == {None}
    assert sum(seal["count"] for seal in await pages(office, "/v1/audit-seals")) == whole["records"]


async def test_a_second_verification_of_the_same_service_is_told_at_once(service, auditor, postgres):
    superuser = postgres.url(embedded.SUPERUSER, make_url(service.owner_url).database)
    with psycopg.connect(plain(superuser)) as other:
        other.execute("LOCK TABLE audit_seal IN ACCESS EXCLUSIVE MODE")
        running = asyncio.create_task(auditor.post("/v1/audit-seals/verify"))
        while not service.app.state.services.verifying.locked():
            await asyncio.sleep(0)
        assert (await auditor.post("/v1/audit-seals/verify")).status_code == 429
    await running
    assert (await auditor.post("/v1/audit-seals/verify")).status_code == 200


async def test_one_verification_runs_at_a_time(service, auditor):
    with psycopg.connect(plain(service.owner_url)) as other:
        other.execute("SELECT pg_advisory_xact_lock(hashtext('coldcase verify'))")
        told = await auditor.post("/v1/audit-seals/verify")
    assert (told.status_code, told.headers["Retry-After"]) == (429, "1")


async def test_a_trouble_with_another_clients_record_is_not_told_by_name(service, auditor):
    stranger = await service.caller(*SCOPES, client="Whey Store")
    office = await service.caller("audit:read", "decisions:read:all", client="Head Office")
    id_ = (await stranger.post("/v1/classifications", json=cases(1)[0])).json()["id"]
    async with service.app.state.services.transaction() as conn:
        await sealing.seal(conn)
    with psycopg.connect(
        plain(service.owner_url).replace("coldcase_owner", "postgres"), autocommit=True
    ) as conn:
        conn.execute("SET session_replication_role = replica")
        conn.execute("UPDATE decision SET confidence = 1 WHERE id = %s", [id_])
    told = (await auditor.post("/v1/audit-seals/verify")).json()
    assert (told["good"], told["wrong"], told["troubles"]) == (False, 1, [])
    for caller in (stranger, office):
        assert [
            discrepancy["record"]
            for discrepancy in (await caller.post("/v1/audit-seals/verify")).json()["troubles"]
        ] == [id_]


async def test_a_young_decision_is_not_sealed_yet(service, auditor):
    id_ = (await auditor.post("/v1/classifications", json=cases(1)[0])).json()["id"]
    told = await auditor.get(f"/v1/decisions/{id_}/inclusion")
    assert (told.status_code, told.json()["type"], told.headers["Retry-After"]) == (
        404,
        "/problems/not_sealed",
        "60",
    )
    async with service.app.state.services.transaction() as conn:
        made = await sealing.seal(conn)
    proof = (await auditor.get(f"/v1/decisions/{id_}/inclusion")).json()
    assert (proof["decision"], proof["head"]) == (id_, made.head.hex())


@pytest.mark.parametrize("body", [b'{"expect":"00"}', b"{}", b"null", b" "])
async def test_a_body_is_refused_where_it_would_be_ignored(auditor, body):
    told = await auditor.post(
        "/v1/audit-seals/verify", content=body, headers={"Content-Type": "application/json"}
    )
    assert (told.status_code, told.json()["type"]) == (400, "/problems/bad_request")
    says = "This call takes no body; `expect` belongs in the query: `?expect=`."
    assert told.json()["errors"] == [{"pointer": "", "detail": says}]

    id_ = (await auditor.post("/v1/classifications", json=cases(1)[0])).json()["id"]
    replay = await auditor.post(f"/v1/decisions/{id_}/replay", content=body)
    assert (replay.status_code, replay.json()["errors"]) == (
        400,
        [{"pointer": "", "detail": "This call takes no body."}],
    )


async def test_a_body_in_empty_pieces_is_none(auditor):
    async def nothing():
        for _ in range(3):
            yield b""

    assert (await auditor.post("/v1/audit-seals/verify", content=nothing())).status_code == 200


@pytest.mark.parametrize(
    "harm",
    [
        "DELETE FROM audit_seal_member WHERE seal = {seal} AND position = {position}",
        "UPDATE audit_seal_member SET position = 99999 WHERE seal = {seal} AND position = {position}",
        "UPDATE audit_seal SET root = sha256('') WHERE number = {seal}",
        "UPDATE decision SET confidence = 1 WHERE id = '{own}'",
    ],
)
async def test_what_no_longer_matches_its_seal_is_not_proved(service, auditor, harm):
    """Each of three decisions under one seal; harmed is the seal itself, or what stands in it."""
    ids = [(await auditor.post("/v1/classifications", json=one)).json()["id"] for one in cases(3)]
    async with service.app.state.services.transaction() as conn:
        await sealing.seal(conn)
    with psycopg.connect(
        plain(service.owner_url).replace("coldcase_owner", "postgres"), autocommit=True
    ) as conn:
        seal, position = conn.execute(
            "SELECT seal, position FROM audit_seal_member WHERE record = %s", [ids[1]]
        ).fetchone()
        conn.execute("SET session_replication_role = replica")
        assert conn.execute(harm.format(seal=seal, position=position, own=ids[2])).rowcount == 1

    for _ in range(2):
        told = await auditor.get(f"/v1/decisions/{ids[2]}/inclusion")
        assert (told.status_code, told.json()["type"]) == (409, "/problems/not_as_sealed")
        assert "no longer matches its seal" in told.json()["detail"]
