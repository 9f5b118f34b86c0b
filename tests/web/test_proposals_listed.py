"""Proposals of a version: listed by state and page by page, and cancelled before they end."""

from functools import partial

import pytest

from coldcase.backtesting.running import Pace
from coldcase.db import proposals
from coldcase.proposing.working import work_off_proposals
from tests.web.drafting import problem
from tests.web.test_proposals import SCOPES, judged
from tests.web.worked_off import person_with, running_service, service_url

pytestmark = pytest.mark.anyio

LIST = "/v1/rule-tables/1/proposals"
as_person = partial(person_with, SCOPES)


@pytest.fixture(scope="module")
async def own(make_database, _migrated):
    """A service with verdicts; nothing works off by itself."""
    async with running_service(make_database(_migrated), backtests="off") as running:
        author = await as_person(running, "bench-1")
        for number in range(12):
            await judged(author, "moisture", {"filter_drier": "wet"}, number)
        yield running


@pytest.fixture(scope="module")
def url(own):
    return service_url(own)


@pytest.fixture(scope="module")
async def author(own):
    return await as_person(own, "bench-1")


async def asked(caller):
    answered = await caller.post(LIST, json={})
    assert answered.status_code == 201, answered.text
    return answered.headers["Location"]


async def cancel(caller, place):
    return await caller.post(f"{place}/cancel")


async def test_one_that_waits_is_cancelled_and_never_worked_off(own, author, url):
    place = await asked(author)
    cancelled = await cancel(author, place)
    assert (cancelled.status_code, cancelled.json()["state"]) == (200, "cancelled")
    assert cancelled.json()["ended_at"] is not None
    await work_off_proposals(url, Pace(1.0))
    shown = (await author.get(place)).json()
    assert shown == {**cancelled.json(), "summary": None}
    assert (shown["draft"], shown["started_at"]) == (None, None)
    refused = await cancel(author, place)
    assert problem(refused) == (409, "wrong_state")
    assert "it is cancelled" in refused.json()["detail"]

    auditor = await as_person(own, "auditor", "audit:read", "decisions:read:all")
    query = {"action": "rule_table.proposal_cancelled"}
    (event, *_) = (await auditor.get("/v1/audit-events", params=query)).json()["items"]
    assert (event["person"], event["subject"]) == ("bench-1", "1")
    assert event["details"]["proposal"] == place.rpartition("/")[2]
    assert event["details"]["client"] == "Tern Haven"


async def test_one_that_is_worked_on_is_given_up(own, author, url, monkeypatch):
    place = await asked(author)
    written = proposals.write_proposal

    async def cancelled_meanwhile(conn, mine, **values):
        if (await author.get(place)).json()["state"] == "running":
            assert (await cancel(author, place)).status_code == 200
        return await written(conn, mine, **values)

    monkeypatch.setattr("coldcase.proposing.working.proposals.write_proposal", cancelled_meanwhile)
    await work_off_proposals(url, Pace(1.0))
    shown = (await author.get(place)).json()
    assert (shown["state"], shown["draft"], shown["summary"]) == ("cancelled", None, None)
    assert shown["started_at"] is not None


async def test_they_are_listed_newest_first_by_state_and_page_by_page(own, author, url):
    await work_off_proposals(url, Pace(1.0))
    before = len((await author.get(LIST)).json()["items"])
    finished = await asked(author)
    await work_off_proposals(url, Pace(1.0))
    waiting = [await asked(author) for _ in range(3)]
    await cancel(author, waiting[1])

    async def listed(**query):
        answered = await author.get(LIST, params=query)
        assert answered.status_code == 200, answered.text
        return [f"/v1/proposals/{one['id']}" for one in answered.json()["items"]], answered

    newest = [*reversed(waiting), finished]
    everything = (await listed())[0]
    assert everything[:4] == newest
    assert len(everything) == before + 4
    assert (await listed(state="waiting"))[0] == [waiting[2], waiting[0]]
    assert (await listed(state="cancelled"))[0][0] == waiting[1]
    assert (await listed(state="finished"))[0] == [finished]
    assert (await listed(state="failed"))[0] == []
    first, page = await listed(limit=2)
    rest = await author.get(page.headers["Link"].partition(">")[0].removeprefix("<"))
    assert [*first, *(f"/v1/proposals/{one['id']}" for one in rest.json()["items"])][:4] == newest
    shown = (await author.get(finished)).json()
    one = next(one for one in (await listed())[1].json()["items"] if one["id"] == shown["id"])
    assert one == {name: value for name, value in shown.items() if name != "summary"}
    for place in (waiting[0], waiting[2]):
        await cancel(author, place)


async def test_of_another_client_s_neither_person_nor_more_than_the_version_is_told(own, author):
    place = await asked(author)
    stranger = await as_person(own, "stranger", client="Butter Store")
    (one, *_) = (await stranger.get(LIST)).json()["items"]
    assert (one["id"], one["person"]) == (place.rpartition("/")[2], None)
    assert (await author.get(LIST)).json()["items"][0]["person"] == "bench-1"
    reader = await as_person(own, "reader", "tables:read")
    assert problem(await reader.get(LIST)) == (403, "scope_missing")
    assert problem(await cancel(reader, place)) == (403, "scope_missing")
    await cancel(author, place)


async def test_what_cannot_be_listed_or_cancelled_is_named(own, author):
    unknown = "/v1/proposals/0198a0a0-0000-7000-8000-000000000000"
    assert problem(await cancel(author, unknown)) == (404, "not_found")
    assert problem(await author.get("/v1/rule-tables/77/proposals")) == (404, "not_found")
    assert problem(await author.get(f"{LIST}?state=begun")) == (400, "bad_request")
    assert problem(await author.get(f"{LIST}?colour=red")) == (400, "bad_request")
    assert problem(await author.get(f"{LIST}?cursor=abc"))[0] == 400
