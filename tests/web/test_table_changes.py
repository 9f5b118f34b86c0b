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


@pytest.mark.parametrize(
    ("headers", "refused"),
    [
        ({}, (428, "precondition_required")),
        ({"If-Match": '"sha256:of-another"'}, (412, "precondition_failed")),
        ({"If-Match": "W/{tag}"}, (412, "precondition_failed")),
        ({"If-Match": "no quotes"}, (400, "bad_request")),
        ({"If-Match": "{tag}", "Content-Type": "text/plain"}, (415, "unsupported_media_type")),
    ],
)
@pytest.mark.parametrize("method", ["PUT", "PATCH"])
async def test_a_draft_is_changed_by_who_has_seen_it(author, method, headers, refused):
    place, tag = await draft(author)
    media = {"PUT": "application/json", "PATCH": MERGE["Content-Type"]}[method]
    sent = {"Content-Type": media} | {name: value.replace("{tag}", tag) for name, value in headers.items()}
    answered = await author.request(method, f"{place}/content", content="{}", headers=sent)
    assert problem(answered) == refused
    assert (await author.get(place)).headers["ETag"] == tag


async def test_a_patch_is_no_put_and_the_other_way_round(author):
    place, tag = await draft(author)
    for method, media in (("PATCH", "application/json"), ("PUT", MERGE["Content-Type"])):
        answered = await author.request(
            method, f"{place}/content", content="{}", headers={"Content-Type": media, "If-Match": tag}
        )
        assert problem(answered) == (415, "unsupported_media_type")


async def test_of_two_edits_of_the_same_draft_one_is_told(author):
    place, tag = await draft(author)
    answers = await asyncio.gather(
        *(
            author.patch(
                f"{place}/content",
                content=json.dumps({"temperature": 2 + number}),
                headers={**MERGE, "If-Match": f'"sha256:other", {tag}'},
            )
            for number in (1, 2)
        )
    )
    assert sorted(answered.status_code for answered in answers) == [200, 412]


async def test_a_flawed_draft_is_kept_checked_and_never_approved(author, approver, case):
    place, tag = await draft(author, {"base_rates": {"unlisted": None}, "temperature": "hot"})
    flaws = (await author.get(f"{place}/check")).json()["flaws"]
    assert "/temperature" in {flaw["pointer"] for flaw in flaws}
    for answered in (
        await decide(approver, place, "approve", tag),
        await author.get(f"{place}/diff"),
        await author.post("/v1/classifications/preview", params={"rule_table": 2}, json=case),
    ):
        assert problem(answered) == (422, "bad_rule_table")
        assert "/temperature" in {flaw["pointer"] for flaw in answered.json()["errors"]}
    whole = await author.put(
        f"{place}/content", json={"content": {"anything": True}}, headers={"If-Match": tag}
    )
    assert (await author.get(place)).json()["content"] == {"anything": True}
    meaning = await draft(author, {"base_rates": {"unlisted": None}})
    assert [flaw["pointer"] for flaw in (await author.get(f"{meaning[0]}/check")).json()["flaws"]] == [
        "/base_rates"
    ]
    assert problem(await decide(approver, meaning[0], "approve", meaning[1])) == (422, "bad_rule_table")
    assert whole.status_code == 200


@pytest.mark.parametrize(
    "body", [{}, {"based_on": 0}, {"based_on": 1, "content": []}, {"based_on": 1, "x": 1}, []]
)
async def test_a_draft_that_cannot_be_read_is_refused_with_every_flaw(author, body):
    answered = await author.post("/v1/rule-tables", json=body)
    assert problem(answered) == (422, "bad_table_request")
    assert answered.json()["errors"]


async def test_a_number_without_a_spelling_is_refused(author):
    answered = await author.post("/v1/rule-tables", json={"based_on": 1, "content": {"n": 2**60}})
    assert problem(answered) == (422, "bad_table_request")


async def test_a_table_has_four_mebibytes_at_most(author):
    place, tag = await draft(author)
    fits = {"text": "x" * 4_000_000}
    answered = await author.put(f"{place}/content", json=fits, headers={"If-Match": tag})
    assert answered.status_code == 200
    tag = answered.headers["ETag"]
    for size in (4 * 1024 * 1024, 5 * 1024 * 1024):
        large = await author.put(f"{place}/content", json={"text": "x" * size}, headers={"If-Match": tag})
        assert problem(large) == (413, "too_large")
    grown = await author.patch(
        f"{place}/content", content=json.dumps({"more": "x" * 1_000_000}), headers={**MERGE, "If-Match": tag}
    )
    assert problem(grown) == (413, "too_large")
    small = await decide(author, place, "approve", "sha256:" + "0" * 64, filler="x" * 70_000)
    assert problem(small) == (413, "too_large")


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


async def test_the_same_key_makes_one_draft(author):
    sent = {"json": {"based_on": 1, "note": "once"}, "headers": {"Idempotency-Key": "draft-1"}}
    answers = await asyncio.gather(*(author.post("/v1/rule-tables", **sent) for _ in range(3)))
    assert sorted(one.status_code for one in answers) == [200, 200, 201]
    assert len({one.content for one in answers}) == 1
    assert {one.headers["Location"] for one in answers} == {"/v1/rule-tables/2"}
    other = {**sent, "json": {"based_on": 1, "note": "twice"}}
    assert problem(await author.post("/v1/rule-tables", **other)) == (422, "key_reused")
    refused = {**sent, "json": {"based_on": 77}, "headers": {"Idempotency-Key": "draft-2"}}
    assert problem(await author.post("/v1/rule-tables", **refused)) == (404, "not_found")
    assert (await author.post("/v1/rule-tables", **{**refused, "json": {"based_on": 1}})).status_code == 201
    edited = await author.patch(
        "/v1/rule-tables/2/content",
        content=json.dumps(WARMER),
        headers={**MERGE, "If-Match": answers[0].headers["ETag"]},
    )
    again = await author.post("/v1/rule-tables", **sent)
    assert (again.status_code, again.headers["ETag"]) == (200, edited.headers["ETag"])


async def test_a_client_has_so_many_open_drafts_and_no_more(service_database):
    settings = Settings(database_url=service_database.service_url, warm_properties=False, most_open_drafts=2)
    app = create_app(settings)
    async with app.lifespan():
        own = Service(app, service_database.owner_url)
        author, approver = await as_person(own, "bench-1"), await as_person(own, "bench-2")
        stranger = await own.caller(*EVERYTHING, client="Butter Store")
        await draft(stranger)
        first, _ = await draft(author)
        kept = {"json": {"based_on": 1}, "headers": {"Idempotency-Key": "draft-1"}}
        assert (await author.post("/v1/rule-tables", **kept)).status_code == 201
        refused = await author.post("/v1/rule-tables", json={"based_on": 1})
        assert problem(refused) == (409, "too_many_drafts")
        assert "2 open drafts" in refused.json()["detail"]
        assert (await author.post("/v1/rule-tables", **kept)).status_code == 200
        assert (await decide(approver, first, "withdraw")).status_code == 200
        await draft(author)
