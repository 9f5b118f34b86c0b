"""How a rule table changes: drafted, edited, checked, compared; approved by another person, published, taken
back."""

import asyncio
import json
import time

import msgspec
import pytest

from coldcase.app import create_app
from coldcase.core.rule_table import canonical_table, from_document, table_digest
from coldcase.settings import Settings
from coldcase.shipped import starter_table
from tests.web.conftest import Service
from tests.web.drafting import EVERYTHING, MERGE, WARMER, as_person, decide, draft, problem, published

pytestmark = pytest.mark.anyio


async def test_the_whole_way_and_back(own, author, approver, case):
    place, copied = await draft(author, note="Less sure.")
    assert copied == f'"{table_digest(starter_table())}"'
    edited = await author.patch(
        f"{place}/content", content=json.dumps(WARMER), headers={**MERGE, "If-Match": copied}
    )
    tag = edited.headers["ETag"]
    assert edited.json() | {"created_at": None} == {
        "version": 2,
        "digest": tag.strip('"'),
        "state": "draft",
        "current": False,
        "based_on": 1,
        "note": "Less sure.",
        "created_at": None,
    }
    assert (await author.get(f"{place}/check")).json() == {
        "version": 2,
        "digest": tag.strip('"'),
        "flaws": [],
    }
    diff = (await approver.get(f"{place}/diff")).json()
    assert [change["pointer"] for one in diff["diff"]["stations"] for change in one["changes"]] == [
        "/temperature"
    ]
    before = (await author.post("/v1/classifications/preview", json=case)).json()

    assert (await decide(approver, place, "approve", tag)).json()["state"] == "approved"
    answered = await decide(approver, place, "publish", tag, instead_of=1)

    assert (answered.json()["state"], answered.json()["current"]) == ("published", True)
    after = (await author.post("/v1/classifications/preview", json=case)).json()
    assert (before["rule_table"]["version"], after["rule_table"]["version"]) == (1, 2)
    assert after["confidence"] < before["confidence"]
    assert (await author.get("/v1/rule-tables/current")).json()["digest"] == tag.strip('"')

    first = (await author.get("/v1/rule-tables/1")).json()["digest"]
    back = await decide(approver, "/v1/rule-tables/1", "publish", first)

    assert back.json()["current"] is True
    again = (await author.post("/v1/classifications/preview", json=case)).json()
    assert again["ranking"] == before["ranking"]
    assert (await decide(approver, place, "withdraw")).json()["state"] == "withdrawn"
    assert problem(await decide(approver, place, "publish", tag)) == (409, "not_approved")


async def test_each_step_is_an_event_that_names_client_version_and_digest(own, author, approver):
    _, tag = await published(author, approver, WARMER)
    auditor = await as_person(own, "auditor", "audit:read", "decisions:read:all")

    events = (await auditor.get("/v1/audit-events", params={"subject": "2"})).json()["items"]

    steps = {f"rule_table.{step}" for step in ("draft", "edit", "approve", "publish")}
    tables = [event for event in reversed(events) if event["action"] in steps]
    assert [event["action"].removeprefix("rule_table.") for event in tables] == [
        "draft",
        "edit",
        "approve",
        "publish",
    ]
    assert [event["person"] for event in tables] == ["bench-1", "bench-1", "bench-2", "bench-2"]
    assert {(event["details"]["client"], event["details"]["version"]) for event in tables} == {
        ("Tern Haven", 2)
    }
    digests = [event["details"]["digest"] for event in tables]
    assert digests[0] == table_digest(starter_table())
    assert set(digests[1:]) == {tag.strip('"')}
    assert [event["request_id"] is not None for event in tables] == [True] * 4

    stranger = await own.caller("audit:read", client="Butter Store")
    seen = (await stranger.get("/v1/audit-events", params={"subject": "2"})).json()["items"]
    assert {event["details"]["digest"] for event in seen} == set(digests)
    assert "Tern Haven" not in json.dumps(seen)


async def test_nobody_approves_a_draft_of_their_own(own, author, approver):
    place, tag = await draft(author, WARMER)
    assert problem(await decide(author, place, "approve", tag)) == (403, "own_draft")
    same_person = await as_person(own, " Bench-1 ")
    assert problem(await decide(same_person, place, "approve", tag)) == (403, "own_draft")
    edited = await approver.patch(
        f"{place}/content", content='{"temperature": 2.5}', headers={**MERGE, "If-Match": tag}
    )
    assert problem(await decide(approver, place, "approve", edited.headers["ETag"])) == (403, "own_draft")


async def test_a_key_without_a_person_approves_nothing_and_leaves_drafts_that_nobody_can(
    own, author, approver
):
    nameless = await own.caller(*EVERYTHING)
    place, tag = await draft(author, WARMER)
    assert problem(await decide(nameless, place, "approve", tag)) == (403, "person_needed")
    place, tag = await draft(nameless, WARMER)
    assert problem(await decide(approver, place, "approve", tag)) == (403, "own_draft")


async def test_what_is_not_approved_as_it_is_now_is_not_published(author, approver):
    place, tag = await draft(author, WARMER)
    assert problem(await decide(approver, place, "publish", tag)) == (409, "not_approved")
    assert (await decide(approver, place, "approve", tag)).status_code == 200
    assert problem(await decide(approver, place, "approve", tag)) == (409, "wrong_state")

    edited = await author.patch(
        f"{place}/content", content='{"temperature": 2.5}', headers={**MERGE, "If-Match": tag}
    )

    assert edited.json()["state"] == "draft"
    assert problem(await decide(approver, place, "publish", tag)) == (409, "digest_stale")
    assert problem(await decide(approver, place, "approve", tag)) == (409, "digest_stale")
    assert problem(await decide(approver, place, "publish", edited.headers["ETag"])) == (409, "not_approved")


async def test_what_changes_nothing_leaves_the_approval(author, approver):
    place, tag = await draft(author, WARMER)
    await decide(approver, place, "approve", tag)
    same = await author.patch(
        f"{place}/content", content=json.dumps(WARMER), headers={**MERGE, "If-Match": tag}
    )
    assert (same.json()["state"], same.headers["ETag"]) == ("approved", tag)


async def test_a_published_table_stays_as_it_is(author, approver):
    place, tag = await published(author, approver, WARMER)
    for version in (place, "/v1/rule-tables/1"):
        answered = await author.put(f"{version}/content", json={}, headers={"If-Match": "*"})
        assert problem(answered) == (409, "wrong_state")
    assert problem(await decide(approver, place, "approve", tag)) == (409, "wrong_state")
    assert problem(await decide(approver, place, "withdraw")) == (409, "still_current")
    assert problem(await decide(approver, place, "publish", tag)) == (409, "not_current")


async def test_what_is_not_there_is_not_found(author, approver):
    missing = "/v1/rule-tables/77"
    digest = "sha256:" + "0" * 64
    for answered in (
        await author.post("/v1/rule-tables", json={"based_on": 77}),
        await author.put(f"{missing}/content", json={}, headers={"If-Match": "*"}),
        await author.get(f"{missing}/check"),
        await author.get(f"{missing}/diff"),
        await author.get("/v1/rule-tables/1/diff", params={"against": 77}),
        await author.get("/v1/rule-tables/zero/check"),
        await decide(approver, missing, "approve", digest),
        await decide(approver, missing, "publish", digest),
        await decide(approver, missing, "withdraw"),
    ):
        assert problem(answered) == (404, "not_found")


async def test_drafts_are_for_those_who_make_or_approve_them(own, author):
    place, _ = await draft(author)
    reader = await as_person(own, "reader", "tables:read", "preview")
    for path in (place, f"{place}/check", f"{place}/diff", f"/v1/rule-tables/1/diff?against={place[-1]}"):
        assert problem(await reader.get(path)) == (403, "scope_missing")
    assert (await reader.get("/v1/rule-tables/1/diff?against=1")).status_code == 200
    assert [row["state"] for row in (await reader.get("/v1/rule-tables")).json()["items"]] == [
        "draft",
        "published",
    ]
    assert problem(await reader.post("/v1/rule-tables", json={"based_on": 1})) == (403, "scope_missing")
    assert problem(await decide(reader, place, "withdraw")) == (403, "scope_missing")


async def test_the_difference_in_plain_text_is_for_people(author):
    place, _ = await draft(author, WARMER)
    answered = await author.get(f"{place}/diff", headers={"Accept": "text/plain"})
    assert answered.headers["Content-Type"] == "text/plain; charset=utf-8"
    assert "  setting changed: /temperature: " in answered.text


async def test_content_that_is_on_record_is_not_approved_again(author, approver):
    place, tag = await draft(author)
    assert problem(await decide(approver, place, "approve", tag)) == (409, "already_on_record")


async def test_a_withdrawn_table_comes_back_by_an_approval(author, approver):
    place, tag = await published(author, approver, WARMER)
    first = (await author.get("/v1/rule-tables/1")).headers["ETag"]
    await decide(approver, "/v1/rule-tables/1", "publish", first)
    await decide(approver, place, "withdraw")
    assert problem(await decide(approver, place, "withdraw")) == (409, "wrong_state")
    assert problem(await decide(author, place, "approve", tag)) == (403, "own_draft")
    assert (await decide(approver, place, "approve", tag)).status_code == 200
    assert (await decide(approver, place, "publish", tag)).json()["current"] is True


async def test_a_withdrawn_draft_is_edited_no_more(author, approver):
    place, tag = await draft(author, WARMER)
    assert (await decide(approver, place, "withdraw")).json()["state"] == "withdrawn"
    answered = await author.put(f"{place}/content", json={}, headers={"If-Match": tag})
    assert problem(answered) == (409, "wrong_state")


async def test_of_two_who_publish_at_once_one_wins(author, approver):
    ready = []
    for warmth in (2.5, 3.0):
        place, tag = await draft(author, {"temperature": warmth})
        assert (await decide(approver, place, "approve", tag)).status_code == 200
        ready.append((place, tag))

    answers = await asyncio.gather(
        *(decide(approver, place, "publish", tag, instead_of=1) for place, tag in ready)
    )

    assert sorted(answered.status_code for answered in answers) == [200, 409]
    lost = next(answered for answered in answers if answered.status_code == 409)
    assert problem(lost) == (409, "not_current")
    assert "Rule table 1 is no longer the current one" in lost.json()["detail"]


async def test_every_replica_answers_by_the_published_table_within_two_seconds(service_database, case):
    apps = [
        create_app(Settings(database_url=service_database.service_url, warm_properties=False))
        for _ in range(2)
    ]
    async with apps[0].lifespan(), apps[1].lifespan():
        replicas = [Service(app, service_database.owner_url) for app in apps]
        secrets = [
            (await replicas[0].key(*EVERYTHING, person=person))[0] for person in ("bench-1", "bench-2")
        ]
        author, approver = (replicas[0].http(secret) for secret in secrets)
        other = replicas[1].http(secrets[0])
        place, tag = await published(author, approver, WARMER)
        since = time.monotonic()
        answered = []
        async with asyncio.timeout(2):
            while not answered or answered[-1].json()["rule_table"]["version"] != 2:
                answered.append(await other.post("/v1/classifications/preview", json=case))
                # A call in the process may be answered without ever waiting; the listener needs its turn.
                await asyncio.sleep(0.01)
        assert time.monotonic() - since < 2
        assert {one.status_code for one in answered} == {200}
        listed = (await other.get("/v1/rule-tables")).json()["items"]
        assert [(row["version"], row["current"]) for row in listed] == [(2, True), (1, False)]
        assert (await other.get("/health/ready")).json()["rule_table"] == 2
        assert (await other.get(place)).headers["ETag"] == tag


async def test_an_approved_draft_that_is_edited_is_previewed_as_it_is_now(author, approver, case):
    place, tag = await draft(author, WARMER)
    await decide(approver, place, "approve", tag)
    ask = {"params": {"rule_table": 2}, "json": case}
    first = (await author.post("/v1/classifications/preview", **ask)).json()
    edited = await author.patch(
        f"{place}/content", content='{"temperature": 5.0}', headers={**MERGE, "If-Match": tag}
    )
    second = (await author.post("/v1/classifications/preview", **ask)).json()
    assert first["rule_table"]["digest"] == tag.strip('"')
    assert second["rule_table"]["digest"] == edited.headers["ETag"].strip('"')
    assert second["confidence"] < first["confidence"]


async def test_what_was_published_is_the_document_that_its_digest_names(author, approver):
    document = msgspec.json.decode(canonical_table(starter_table())) | {"closed": [], "temperature": 3}
    document["links"] = []
    place, tag = await draft(author, content=document)
    assert tag == f'"{table_digest(from_document(document))}"'
    await decide(approver, place, "approve", tag)
    await decide(approver, place, "publish", tag)
    content = (await author.get(place)).json()["content"]
    assert "closed" not in content
    assert canonical_table(from_document(content)) == canonical_table(from_document(document))


async def test_ready_says_whether_the_starter_table_is_on_record(own):
    ready = (await own.http().get("/health/ready")).json()
    assert ready["starter_table"] == {"digest": table_digest(starter_table()), "on_record": True}
