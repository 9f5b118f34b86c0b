"""Drafts of rule tables: edited by who has seen them, checked, refused with every flaw, made once a key."""

import asyncio
import json

import pytest

from coldcase.app import create_app
from coldcase.settings import Settings
from tests.web.conftest import Service
from tests.web.drafting import EVERYTHING, MERGE, WARMER, as_person, decide, draft, problem

pytestmark = pytest.mark.anyio


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


async def test_a_key_gives_the_first_answer_whatever_became_of_the_draft(author, approver):
    sent = {"json": {"based_on": 1, "note": "once"}, "headers": {"Idempotency-Key": "draft-1"}}
    first = await author.post("/v1/rule-tables", **sent)
    place, tag = first.headers["Location"], first.headers["ETag"]
    warmed = {"content": json.dumps(WARMER), "headers": {**MERGE, "If-Match": tag}}

    async def repeated():
        again = await author.post("/v1/rule-tables", **sent)
        assert (again.status_code, again.headers["Answer-Repeated"]) == (200, "true")
        assert (again.content, again.headers["ETag"]) == (first.content, tag)
        assert again.headers["Location"] == place

    edited = await author.patch(f"{place}/content", **warmed)
    await repeated()
    assert problem(await author.patch(f"{place}/content", **warmed)) == (412, "precondition_failed")
    await decide(approver, place, "approve", edited.headers["ETag"])
    await repeated()
    await decide(approver, place, "publish", edited.headers["ETag"], instead_of=1)
    assert (await author.get("/v1/rule-tables/current")).json()["version"] == 2
    await repeated()


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
