"""Backtests and proposals that are asked for again with the same Idempotency-Key: one is started, and its
first answer given again."""

import asyncio
from functools import partial
from typing import Any

import pytest

from coldcase.backtesting.running import Pace, work_off
from coldcase.proposing.working import work_off_proposals
from tests.web.drafting import problem
from tests.web.test_backtests import drafted, edited
from tests.web.test_proposals import judged
from tests.web.worked_off import person_with, running_service, service_url

pytestmark = pytest.mark.anyio

SCOPES = ("tables:read", "tables:draft", "tables:approve", "decisions:write", "verdicts:write")
as_person = partial(person_with, SCOPES)

STARTED: tuple[tuple[str, Any, Any], ...] = (
    ("backtests", {"sample": 2}, {"sample": 3}),
    ("backtests", {"filter": {"from": "2026-01-01T00:00:00Z"}}, {"filter": {"to": "2026-01-01T00:00:00Z"}}),
    ("proposals", {"row_strength": 10}, {"row_strength": 10, "fit_temperature": False}),
)


@pytest.fixture
async def own(make_database, _migrated):
    """A service with verdicts; nothing works off by itself."""
    async with running_service(make_database(_migrated), backtests="off") as running:
        author = await as_person(running, "bench-1")
        for number in range(10):
            await judged(author, "moisture", {"filter_drier": "wet"}, number)
        yield running


@pytest.fixture
async def author(own):
    return await as_person(own, "bench-1")


def keyed(key, body) -> dict[str, Any]:
    return {"json": body, "headers": {"Idempotency-Key": key}}


@pytest.mark.parametrize(("kind", "body", "other"), STARTED)
async def test_the_same_key_starts_one(own, author, kind, body, other):
    place, sent = f"/v1/rule-tables/1/{kind}", keyed("try-1", body)
    answers = await asyncio.gather(*(author.post(place, **sent) for _ in range(3)))
    assert sorted(one.status_code for one in answers) == [200, 200, 201]
    assert len({one.content for one in answers}) == 1
    assert sorted(one.headers.get("Answer-Repeated", "") for one in answers) == ["", "true", "true"]
    assert {one.headers["Location"] for one in answers} == {f"/v1/{kind}/{answers[0].json()['id']}"}
    assert len((await author.get(place)).json()["items"]) == 1

    assert problem(await author.post(place, **keyed("try-1", other))) == (422, "key_reused")
    assert problem(await author.post("/v1/rule-tables/9/" + kind, **sent)) == (422, "key_reused")
    drafting = keyed("try-1", {"based_on": 1})
    assert problem(await author.post("/v1/rule-tables", **drafting)) == (422, "key_reused")

    assert (await author.post(place, json=body)).status_code == 201
    quality = await as_person(own, "quality", *SCOPES, "decisions:read:all", client="Butter Store")
    assert (await quality.post(place, **sent)).status_code == 201


async def test_a_key_gives_the_first_answer_whatever_became_of_the_backtest(own, author):
    draft = await drafted(author)
    place, sent = f"{draft}/backtests", keyed("try-1", {})
    first = await author.post(place, **sent)

    async def repeated():
        again = await author.post(place, **sent)
        assert (again.status_code, again.content) == (200, first.content), again.text
        assert again.headers["Location"] == first.headers["Location"]

    await work_off(service_url(own), Pace(1.0))
    assert (await author.get(first.headers["Location"])).json()["state"] == "finished"
    await repeated()
    # As it is now no backtest of it could be started.
    await edited(draft, author, {"temperature": "hot"})
    await repeated()


async def test_a_key_gives_the_first_answer_whatever_became_of_the_proposal(own, author):
    place, sent = "/v1/rule-tables/1/proposals", keyed("try-1", {})
    first = await author.post(place, **sent)
    await work_off_proposals(service_url(own), Pace(1.0))
    assert (await author.get(first.headers["Location"])).json()["state"] == "finished"
    again = await author.post(place, **sent)
    assert (again.status_code, again.content) == (200, first.content)


async def test_what_is_refused_uses_no_key_up(author):
    draft = await drafted(author)
    await edited(draft, author, {"temperature": "hot"})
    sent = keyed("try-1", {"library": "bench"})
    assert problem(await author.post(f"{draft}/backtests", **sent)) == (422, "bad_rule_table")
    assert problem(await author.post(f"{draft}/proposals", **keyed("try-2", {}))) == (409, "wrong_state")
    await edited(draft, author, {"temperature": 1.5})
    assert (await author.post(f"{draft}/backtests", **sent)).status_code == 201
    assert (await author.post("/v1/rule-tables/1/proposals", **keyed("try-2", {}))).status_code == 201
