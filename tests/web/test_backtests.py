"""A rule table tried on the record: started, worked off, carried on, cancelled; what is shown to whom; and
what an approval wants of it."""

import asyncio
import json
from functools import partial

import pytest
from sqlalchemy import text

from coldcase.backtesting.answering_again import AnswersAgain
from coldcase.backtesting.pieces import Counter, Pool
from coldcase.backtesting.running import Pace, work_off
from coldcase.db import backtests
from coldcase.shipped import starter_table
from tests.web.worked_off import person_with, running_service, service_url

pytestmark = pytest.mark.anyio

MERGE = {"Content-Type": "application/merge-patch+json"}
STRICT = {"coding": {"coded": {"least_ratio": 1e9}, "provisional": {"least_ratio": 1e9}}}
SCOPES = ("tables:read", "tables:draft", "tables:approve", "decisions:write", "verdicts:write", "audit:read")
LIBRARY = {"library": "bench"}


@pytest.fixture(scope="module")
async def own(make_database, _begun):
    """A service with decisions of two clients and a draft that would refuse them all; nothing works off by
    itself."""
    async with running_service(make_database(_begun), backtests="off") as running:
        yield running


@pytest.fixture(scope="module")
def url(own):
    return service_url(own)


as_person = partial(person_with, SCOPES)


@pytest.fixture(scope="module")
async def author(own):
    return await as_person(own, "bench-1")


@pytest.fixture(scope="module")
async def quality(own):
    """Whoever may see every client's decisions."""
    return await as_person(own, "quality", *SCOPES, "decisions:read:all")


@pytest.fixture(scope="module")
async def recorded(own, author):
    """A draft beside decisions: two of one client, one of them with a verdict, and one of another's."""
    wet = {
        "unit": {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-448A"},
        "observations": {"copper_plating": "heavy", "filter_drier": "wet", "oil_clarity": "stays_milky"},
    }
    other = await as_person(own, "stranger", client="Butter Store")
    ids = []
    for caller, ref in ((author, "TH-1"), (author, "TH-2"), (other, "BS-1")):
        answered = await caller.post("/v1/classifications", json=wet | {"job": {"ref": ref}})
        assert answered.json()["cause"] == "moisture"
        ids.append(answered.json()["id"])
    given = {"cause": "moisture", "basis": "teardown"}
    assert (await author.post(f"/v1/decisions/{ids[0]}/verdicts", json=given)).status_code == 201
    await edited(await drafted(author), author, STRICT)
    return ids


async def drafted(author):
    made = await author.post("/v1/rule-tables", json={"based_on": 1})
    return made.headers["Location"]


async def edited(place, author, patch):
    tag = (await author.get(place)).headers["ETag"]
    answered = await author.patch(
        f"{place}/content", content=json.dumps(patch), headers={**MERGE, "If-Match": tag}
    )
    assert answered.status_code == 200, answered.text
    return answered.headers["ETag"].strip('"')


async def started(caller, place="/v1/rule-tables/2", **asked):
    answered = await caller.post(f"{place}/backtests", json=asked)
    assert answered.status_code == 201, answered.text
    return answered.headers["Location"]


async def worked(caller, url, place="/v1/rule-tables/2", **asked):
    found = await started(caller, place, **asked)
    await work_off(url, Pace(1.0))
    return (await caller.get(found)).json()


def problem(answered):
    assert answered.headers["Content-Type"] == "application/problem+json", answered.text
    return answered.status_code, answered.json()["type"].removeprefix("/problems/")


def moves(found):
    return [(one["from"], one["to"], one["count"]) for one in found["result"]["changes"]]


async def test_what_a_draft_would_change_of_all_that_is_on_record(quality, recorded, url):
    found = await worked(quality, url)

    assert [found[name] for name in ("state", "done", "total", "of_all_clients")] == ["finished", 3, 3, True]
    assert moves(found) == [("moisture", "undetermined", 3)]
    assert {one["decision"] for one in found["result"]["changes"][0]["examples"]} == set(recorded)
    assert found["result"]["dangerous"]["refused_to_named"] == []
    verdicts = found["result"]["verdicts"]
    assert verdicts["judged"] == 1
    assert [verdicts[side]["right"]["count"] for side in ("before", "after")] == [1, 0]
    assert verdicts["difference"]["right_before_only"] == 1


async def test_only_what_a_draft_can_change_is_answered_again(author, quality, recorded, url, monkeypatch):
    """Of three decisions none mentions the sight glass; by the published table they were answered."""
    place = await drafted(author)
    row = starter_table().findings["sight_glass"]
    await edited(place, author, {"findings": {"sight_glass": {"background": row.background[::-1]}}})
    asked = []
    answers = AnswersAgain.answers

    def noted(self, texts):
        asked.extend(texts)
        return answers(self, texts)

    monkeypatch.setattr(AnswersAgain, "answers", noted)
    found = await worked(quality, url, place)
    assert (found["done"], found["result"]["compared"], found["result"]["changes"]) == (3, 3, [])
    verdicts = found["result"]["verdicts"]
    assert [verdicts[side]["right"]["count"] for side in ("before", "after")] == [1, 1]
    assert asked == []

    other = await drafted(author)
    await edited(other, author, {"findings": {"filter_drier": {"group": row.group}}})
    assert (await worked(quality, url, other))["result"]["compared"] == 3
    assert len(asked) == 3


async def test_examples_of_others_are_for_keys_that_read_all(own, author, quality, recorded, url):
    whole = await worked(quality, url)
    seen = (await author.get(f"/v1/backtests/{whole['id']}")).json()
    stranger = await as_person(own, "stranger", "tables:approve", client="Butter Store")
    theirs = (await stranger.get(f"/v1/backtests/{whole['id']}")).json()
    assert {one["decision"] for one in seen["result"]["changes"][0]["examples"]} == set(recorded[:2])
    assert {one["decision"] for one in theirs["result"]["changes"][0]["examples"]} == {recorded[2]}
    assert (theirs["person"], theirs["filter"], whole["person"]) == (None, None, "quality")

    # Without that scope it is tried on the client's own decisions only.
    small = await worked(author, url)
    assert (small["of_all_clients"], moves(small)) == (False, [("moisture", "undetermined", 2)])


@pytest.mark.parametrize(
    ("asked", "compared"),
    [
        ({"filter": {"job_ref": "TH-1"}}, 1),
        ({"filter": {"has_verdict": False}}, 2),
        ({"filter": {"from": "2100-01-01T00:00:00+02:00", "by": "recorded_at"}}, 0),
        ({"sample": 3}, 3),
        ({"library": "bench"}, None),
    ],
)
async def test_it_is_tried_on_what_was_asked_for(quality, recorded, url, asked, compared):
    found = await worked(quality, url, **asked)
    assert found["state"] == "finished", found
    assert found["done"] == found["total"]
    if compared is None:
        assert found["result"]["verdicts"]["judged"] == found["result"]["compared"] > 20
        assert all(one["examples"][0]["case"] for one in found["result"]["changes"])
    else:
        assert found["result"]["compared"] == compared


async def test_a_sample_is_the_same_one_each_time_and_no_larger_than_asked_for(quality, recorded, url):
    first, second = [await worked(quality, url, sample=1) for _ in range(2)]
    assert first["result"] == second["result"]
    assert first["done"] == first["total"] <= 3


@pytest.mark.parametrize(
    ("body", "pointers"),
    [
        ([], {""}),
        ({"sample": 0}, {"/sample"}),
        ({"filter": 1}, {"/filter"}),
        ({"library": "none"}, {"/library"}),
        ({"library": "worked", "sample": 1}, {"/sample"}),
        (
            {"filter": {"cuse": "x", "status": "odd", "from": "2026"}, "x": 1},
            {"/filter/cuse", "/filter/status", "/filter/from", "/x"},
        ),
        ({"filter": {"from": "0001-01-01T00:00:00+14:00"}}, {"/filter/from"}),
    ],
)
async def test_what_cannot_be_asked_is_refused_with_every_flaw(quality, recorded, body, pointers):
    answered = await quality.post("/v1/rule-tables/2/backtests", json=body)
    assert problem(answered) == (422, "bad_table_request")
    assert {flaw["pointer"] for flaw in answered.json()["errors"]} == pointers


async def test_a_flawed_draft_is_not_tried(author, recorded):
    place = await drafted(author)
    await edited(place, author, {"temperature": "hot"})
    assert problem(await author.post(f"{place}/backtests", json={})) == (422, "bad_rule_table")


async def test_it_is_cancelled_and_listed(own, author, quality, recorded, url):
    assert (await author.post(f"{await started(author)}/cancel")).status_code == 200
    place = await started(author)
    assert (await author.get(place)).json()["state"] == "waiting"
    cancelled = await author.post(f"{place}/cancel")
    assert cancelled.json()["state"] == "cancelled"
    assert problem(await author.post(f"{place}/cancel")) == (409, "wrong_state")
    assert await work_off(url, Pace(1.0)) == 0
    listed = (await quality.get("/v1/rule-tables/2/backtests", params={"limit": 1})).json()
    assert (listed["items"][0]["id"], listed["items"][0]["state"]) == (place.rpartition("/")[2], "cancelled")
    following = await quality.get(
        "/v1/rule-tables/2/backtests", params={"limit": 1, "cursor": listed["next"]}
    )
    assert following.json()["items"][0]["id"] < listed["items"][0]["id"]
    reader = await as_person(own, "reader", "tables:read")
    assert problem(await reader.get(place)) == (403, "scope_missing")
    missing = "/v1/backtests/0198b6a0-0000-7000-8000-000000000000"
    assert problem(await quality.get(missing)) == problem(await quality.post(f"{missing}/cancel"))


async def test_what_is_left_is_carried_on_and_nothing_is_counted_twice(
    own, quality, recorded, url, monkeypatch
):
    monkeypatch.setattr("coldcase.backtesting.running.DECISIONS_A_PIECE", 1)
    monkeypatch.setattr("coldcase.backtesting.running.SAVE_SECONDS", 0)
    place = await started(quality)
    pace, reads = Pace(1.0), iter(range(9))
    monkeypatch.setattr(pace, "recorded", lambda _: pace.stopping.set() if next(reads) else None)
    assert await work_off(url, pace) == 0
    left = (await quality.get(place)).json()
    assert (left["state"], left["total"]) == ("running", 3)
    assert 0 < left["done"] < 3
    assert left["result"]["compared"] == left["done"]

    assert await work_off(url, Pace(1.0)) == 1

    found = (await quality.get(place)).json()
    assert (found["state"], found["done"], moves(found)) == ("finished", 3, [("moisture", "undetermined", 3)])


async def test_several_processes_find_what_one_finds(own, quality, recorded, url, monkeypatch):
    alone = await worked(quality, url)
    monkeypatch.setattr("coldcase.backtesting.running.DECISIONS_A_PIECE", 1)
    monkeypatch.setattr("coldcase.backtesting.running.FEW_PIECES", 0)
    # Nothing may be counted in this process: those of the pool have not heard of it.
    monkeypatch.delattr(Counter, "count")
    monkeypatch.setattr(Pool, "is_ready", lambda _: True)
    monkeypatch.setattr("coldcase.backtesting.running.SURE_SECONDS", 0)
    place, pace = await started(quality), Pace(1.0)
    pace.recorded(None)
    await work_off(url, pace, jobs=2)
    texts = await own.as_owner(
        lambda conn: conn.execute(
            text("SELECT state, done, result FROM backtest WHERE id = ANY(CAST(:ids AS uuid[]))"),
            {"ids": [alone["id"], place.rpartition("/")[2]]},
        )
    )
    one, other = texts.all()
    assert one == other
    assert one[:2] == ("finished", 3)


async def test_no_other_process_begins_while_others_want_the_service(
    own, quality, recorded, url, monkeypatch
):
    monkeypatch.setattr("coldcase.backtesting.running.FEW_PIECES", 0)
    monkeypatch.setattr("coldcase.backtesting.running.DECISIONS_A_PIECE", 1)
    monkeypatch.setattr("coldcase.backtesting.running.SURE_SECONDS", 0)
    monkeypatch.delattr(Pool, "is_ready")
    place = await started(quality)
    await work_off(url, Pace(0.9, busy=lambda: True), jobs=2)
    assert (await quality.get(place)).json()["state"] == "finished"


async def test_one_process_works_at_a_time(own, quality, recorded, url):
    place = await started(quality, **LIBRARY)
    both = await asyncio.gather(work_off(url, Pace(1.0)), work_off(url, Pace(1.0)))
    assert sorted(both) == [0, 1]
    assert (await quality.get(place)).json()["state"] == "finished"


async def test_what_kills_every_process_has_failed(own, quality, recorded, url):
    place = await started(quality, **LIBRARY)
    id_ = {"id": place.rpartition("/")[2]}
    await own.as_owner(
        lambda conn: conn.execute(
            text("UPDATE backtest SET state = 'running', attempts = 5 WHERE id = :id"), id_
        )
    )
    await work_off(url, Pace(1.0))
    found = (await quality.get(place)).json()
    assert (found["state"], found["failed_because"][:11]) == ("failed", "5 processes")


async def test_an_approval_wants_a_finished_backtest_of_what_it_approves(own, author, recorded, url):
    approver = await as_person(own, "bench-2")
    place = await drafted(author)
    digest = await edited(place, author, {"temperature": 3.0})
    agreed = {"digest": digest, "reason": "Invented for a test."}
    missing = await approver.post(f"{place}/approve", json=agreed)
    assert problem(missing) == (409, "not_backtested")
    assert f"`POST {place}/backtests` starts one" in missing.json()["detail"]

    tried = await started(author, place, **LIBRARY)
    waiting = await approver.post(f"{place}/approve", json=agreed)
    assert "the last one is waiting" in waiting.json()["detail"]
    later = await edited(place, author, {"temperature": 2.5})
    await work_off(url, Pace(1.0))
    stale = (await author.get(tried)).json()
    assert (stale["state"], later in stale["failed_because"]) == ("failed", True)

    for asked, why in (
        (LIBRARY, "was tried on the library bench, not on recorded decisions"),
        ({"filter": {"job_ref": "none"}}, "found none of the recorded decisions"),
    ):
        assert (await worked(author, url, place, **asked))["state"] == "finished"
        elsewhere = await approver.post(f"{place}/approve", json=agreed | {"digest": later})
        assert problem(elsewhere) == (409, "not_backtested")
        assert why in elsewhere.json()["detail"]

    assert (await worked(author, url, place))["done"] == 2
    approved = await approver.post(f"{place}/approve", json=agreed | {"digest": later})
    assert approved.json()["state"] == "approved"


async def test_beginning_and_end_are_events(author, recorded, url):
    found = await worked(author, url, **LIBRARY)
    events = (await author.get("/v1/audit-events", params={"subject": "2"})).json()["items"]
    of_it = [event for event in events if event["details"].get("backtest") == found["id"]]
    assert [event["action"] for event in of_it] == [
        "rule_table.backtest_finished",
        "rule_table.backtest_running",
        "rule_table.backtest_started",
    ]
    assert len(of_it[0]["details"]["result_sha256"]) == 64


async def test_the_service_works_them_off_in_a_process_of_its_own(service_database):
    async with running_service(service_database) as service:
        caller = await as_person(service, "bench-1")
        place = await started(caller, "/v1/rule-tables/1", **LIBRARY)
        async with asyncio.timeout(300):
            while (found := (await caller.get(place)).json())["state"] != "finished":
                assert found["state"] in ("waiting", "running")
                await asyncio.sleep(0.2)
        assert (found["result"]["changed"], found["result"]["compared"] > 20) == (0, True)


async def test_a_backtest_rests_while_others_want_the_service():
    assert Pace(0.2).rest_after(0.1) == 0
    assert Pace(0.2, busy=lambda: True).rest_after(0.1) == pytest.approx(0.4)
    pace = Pace(0.25)
    for newest in (None, 1, 1):
        pace.recorded(newest)
        assert pace.rest_after(0.1) == 0
    pace.recorded(2)
    assert pace.rest_after(0.1) == pytest.approx(0.3)


async def test_it_is_quiet_for_sure_once_it_was_looked_for_long_enough(monkeypatch):
    pace = Pace(0.25)
    pace.recorded(1)
    assert not pace.surely_quiet
    monkeypatch.setattr("coldcase.backtesting.running.SURE_SECONDS", 0)
    assert pace.surely_quiet
    assert not Pace(0.25).surely_quiet
    pace.recorded(2)
    assert not pace.surely_quiet


async def test_it_rests_for_all_that_it_did_and_not_for_the_counting_alone(
    own, quality, recorded, url, monkeypatch
):
    rests = []
    pace = Pace(0.5, busy=lambda: True)
    monkeypatch.setattr(pace, "rest", lambda seconds: asyncio.sleep(0, rests.append(seconds)))
    last_of_next = backtests.last_of_next

    async def slow(*asked, **more):
        await asyncio.sleep(0.3)
        return await last_of_next(*asked, **more)

    monkeypatch.setattr(backtests, "last_of_next", slow)
    await started(quality)
    await work_off(url, pace)
    assert rests[0] >= 0.3
