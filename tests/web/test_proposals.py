"""Rule tables proposed from verdicts: asked for, worked off; what is shown to whom, and what cannot be
asked."""

import asyncio
import json
import random
from functools import partial
from typing import Any

import pytest
from sqlalchemy import text

from coldcase.backtesting.running import Pace
from coldcase.proposing.working import work_off_proposals
from tests.web.worked_off import person_with, running_service, service_url

pytestmark = pytest.mark.anyio

SCOPES = ("tables:read", "tables:draft", "decisions:write", "decisions:read", "verdicts:write", "audit:read")
UNIT = {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-448A"}
PLATING = "/findings/copper_plating/per_hundred/moisture"


@pytest.fixture(scope="module")
async def own(make_database, _begun):
    """A service with verdicts of two clients; nothing works off by itself."""
    async with running_service(make_database(_begun), backtests="off", most_open_drafts=3) as running:
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


async def judged(caller, cause, observations, number):
    """A decision with a verdict."""
    sent = {
        "job": {
            "ref": f"TH-{number}",
            "circuit": f"rack-{number % 9}",
            "closed_at": f"2026-01-{number % 28 + 1:02}T08:00:00Z",
        },
        "unit": UNIT,
        "observations": observations,
    }
    answered = await caller.post("/v1/classifications", json=sent)
    assert answered.status_code == 201, answered.text
    given = {"cause": cause, "basis": "teardown"} if cause else {"not_determinable": True, "basis": "field"}
    id_ = answered.json()["id"]
    assert (await caller.post(f"/v1/decisions/{id_}/verdicts", json=given)).status_code == 201
    return id_


@pytest.fixture(scope="module")
async def recorded(own, author):
    """Of one client 40 cases of moisture, of which 12 had copper plating looked at and 3 more told of, and
    12 others; of another client 11 cases of moisture without any."""
    chance = random.Random(3)
    for number in range(40):
        seen: dict[str, Any] = {
            "filter_drier": chance.choice(["wet", "wet", "sound"]),
            "oil_clarity": "stays_milky",
        }
        if number < 12:
            seen["copper_plating"] = "none"
        elif number < 15:
            seen["copper_plating"] = {"outcome": "heavy", "known": "told"}
        await judged(author, "moisture", seen, number)
    for number in range(40, 52):
        await judged(
            author, "oil_loss", {"oil_quantity": "nearly_none", "bearing_surface": "blued_dry"}, number
        )
    await judged(author, None, {"oil_quantity": "low"}, 52)
    other = await as_person(own, "stranger", client="Butter Store")
    for number in range(11):
        await judged(other, "moisture", {"filter_drier": "wet", "copper_plating": "heavy"}, number)
    return other


async def proposed(caller, url, place="/v1/rule-tables/1", **asked):
    answered = await caller.post(f"{place}/proposals", json=asked)
    assert answered.status_code == 201, answered.text
    found = answered.headers["Location"]
    assert answered.json()["state"] == "waiting"
    await work_off_proposals(url, Pace(1.0))
    return (await caller.get(found)).json()


def problem(answered):
    assert answered.headers["Content-Type"] == "application/problem+json", answered.text
    return answered.status_code, answered.json()["type"].removeprefix("/problems/")


async def withdrawn(own, *versions):
    approver = await as_person(own, "bench-2", "tables:approve", "tables:read")
    for version in versions:
        answered = await approver.post(f"/v1/rule-tables/{version}/withdraw", json={"reason": "Invented."})
        assert answered.status_code == 200, answered.text


async def test_a_draft_is_learned_from_the_verdicts_of_the_client_who_asked(own, author, recorded, url):
    found = await proposed(author, url, row_strength=10)

    assert (found["state"], found["of_all_clients"], found["done"], found["total"]) == (
        "finished",
        False,
        104,
        104,
    )
    summary = found["summary"]
    assert (summary["judged"], summary["by_cause"]) == (52, {"moisture": 40, "oil_loss": 12})
    assert summary["left_out"]["nobody could say a cause"] == 1
    assert summary["left_out"]["the observation is discounted"] >= 3
    assert (summary["strength"]["rows"], summary["least_verdicts"]) == (10, 10)
    assert summary["circuits"]["judged"] == 52
    assert summary["times"]["judged"] == 10
    place = f"/v1/rule-tables/{found['draft']}"
    draft = (await author.get(place)).json()
    base = (await author.get("/v1/rule-tables/1")).json()["content"]
    assert (draft["state"], draft["based_on"]) == ("draft", 1)
    assert (await author.get(f"{place}/check")).json()["flaws"] == []

    outcomes = [one["code"] for one in base["findings"]["copper_plating"]["outcomes"]]
    was, is_ = (
        dict(zip(outcomes, table["findings"]["copper_plating"]["per_hundred"]["moisture"], strict=True))
        for table in (base, draft["content"])
    )
    assert is_["none"] == pytest.approx((10 * was["none"] + 12 * 100) / 22, abs=0.01)
    assert is_["heavy"] == pytest.approx(10 * was["heavy"] / 22, abs=0.01)
    note = draft["note"]
    assert note.startswith("Proposed from 52 verdicts on rule table 1: a row counts as 10 cases")
    assert ("It is WORSE than its base" in note) == bool(summary["worse"])
    await withdrawn(own, found["draft"])


async def test_all_clients_verdicts_are_for_keys_that_read_all(own, author, quality, recorded, url):
    whole = await proposed(quality, url)
    assert (whole["of_all_clients"], whole["summary"]["by_cause"]) == (True, {"moisture": 51, "oil_loss": 12})
    theirs = await as_person(own, "stranger", *SCOPES, client="Butter Store")
    own_found = await proposed(theirs, url)
    assert own_found["summary"]["by_cause"] == {"moisture": 11}
    seen = (await theirs.get(f"/v1/proposals/{whole['id']}")).json()
    assert (seen["person"], whole["person"]) == (None, "quality")
    await withdrawn(own, whole["draft"], own_found["draft"])


async def test_the_proposal_is_one_event_with_its_counts(own, author, quality, recorded, url):
    found = await proposed(author, url)
    events = (await quality.get("/v1/audit-events", params={"action": "rule_table.proposed"})).json()["items"]
    (event,) = [one for one in events if one["details"]["proposal"] == found["id"]]
    assert (event["subject"], event["person"]) == (str(found["draft"]), "bench-1")
    details = event["details"]
    assert (details["judged"], details["moved"]) == (52, found["summary"]["moved"])
    assert (details["based_on"], len(details["numbers_sha256"])) == (1, 64)
    await withdrawn(own, found["draft"])


@pytest.mark.parametrize(
    ("body", "pointers"),
    [
        ([], {""}),
        (
            {"row_strength": 0, "base_rate_strength": "many", "x": 1},
            {"/row_strength", "/base_rate_strength", "/x"},
        ),
    ],
)
async def test_what_cannot_be_asked_is_refused_with_every_flaw(author, recorded, body, pointers):
    answered = await author.post("/v1/rule-tables/1/proposals", json=body)
    assert problem(answered) == (422, "bad_table_request")
    assert {flaw["pointer"] for flaw in answered.json()["errors"]} == pointers


async def test_misuse_is_refused_by_name(own, author, recorded, url):
    reader = await as_person(own, "reader", "tables:read")
    assert problem(await reader.post("/v1/rule-tables/1/proposals", json={})) == (403, "scope_missing")
    assert problem(await author.post("/v1/rule-tables/99/proposals", json={})) == (404, "not_found")
    assert problem(await author.get("/v1/proposals/0198b6a0-0000-7000-8000-000000000000")) == (
        404,
        "not_found",
    )
    newcomer = await as_person(own, "new", *SCOPES, client="Fish Quay")
    nothing = await newcomer.post("/v1/rule-tables/1/proposals", json={})
    assert problem(nothing) == (409, "nothing_to_propose")
    assert nothing.json()["detail"].startswith("0 decisions have a verdict")
    made = await author.post("/v1/rule-tables", json={"based_on": 1})
    draft = made.headers["Location"]
    assert problem(await author.post(f"{draft}/proposals", json={})) == (409, "wrong_state")
    await withdrawn(own, draft.rpartition("/")[2])


async def test_where_no_number_moves_there_is_no_draft(own, recorded, url):
    few = await as_person(own, "few", *SCOPES, client="Salt Pier")
    for number, cause in enumerate(["moisture", "oil_loss", "surge", "flooded_start", "wear_out"] * 2):
        await judged(few, cause, {}, number)
    found = await proposed(few, url)
    assert (found["state"], found["draft"], found["summary"]["judged"]) == ("finished", None, 10)
    assert found["summary"]["moved"] == {"frequencies": 0, "backgrounds": 0, "base_rates": 0}


async def test_a_client_with_as_many_drafts_as_it_may_have_gets_none_more(own, author, recorded, url):
    places = [
        (await author.post("/v1/rule-tables", json={"based_on": 1})).headers["Location"] for _ in range(3)
    ]
    found = await proposed(author, url)
    assert (found["state"], found["draft"]) == ("failed", None)
    assert "open drafts" in found["failed_because"]
    await withdrawn(own, *(place.rpartition("/")[2] for place in places))


async def test_a_revoked_key_gets_no_draft(own, author, recorded, url):
    secret, made = await own.key(*SCOPES, person="gone")
    gone = own.http(secret)
    place = (await gone.post("/v1/rule-tables/1/proposals", json={})).headers["Location"]
    await own.as_owner(
        lambda conn: conn.execute(
            text("UPDATE api_key SET revoked_at = now() WHERE id = :id"), {"id": made.id}
        )
    )
    await work_off_proposals(url, Pace(1.0))
    found = (await author.get(place)).json()
    assert (found["state"], found["failed_because"]) == (
        "failed",
        "This call needs the scope `tables:draft`.",
    )


async def test_what_is_left_is_begun_again_and_what_kills_every_process_has_failed(
    own, author, recorded, url, monkeypatch
):
    place = (await author.post("/v1/rule-tables/1/proposals", json={})).headers["Location"]
    pace = Pace(1.0)
    monkeypatch.setattr(pace, "recorded", lambda _: pace.stopping.set())
    monkeypatch.setattr("coldcase.proposing.reading.CASES_AT_A_TIME", 5)
    assert await work_off_proposals(url, pace) == 0
    assert (await author.get(place)).json()["state"] == "running"
    id_ = {"id": place.rpartition("/")[2]}
    await own.as_owner(
        lambda conn: conn.execute(text("UPDATE proposal SET attempts = 5 WHERE id = :id"), id_)
    )
    # On a busy machine the turn of the process that stopped is given back a moment after it has ended.
    async with asyncio.timeout(30):
        while (found := (await author.get(place)).json())["state"] == "running":
            await work_off_proposals(url, Pace(1.0))
    assert (found["state"], found["failed_because"][:11]) == ("failed", "5 processes")


async def test_the_difference_says_how_many_judged_cases_moved_each_number(own, author, recorded, url):
    found = await proposed(author, url)
    place = f"/v1/rule-tables/{found['draft']}"

    async def changes():
        compared = (await author.get(f"{place}/diff")).json()["diff"]
        return {
            (one["pointer"], one.get("outcome")): one
            for each in compared["stations"]
            for one in each["changes"]
        }

    before = await changes()
    assert before[PLATING, "none"]["confirmed"] == {"judged": 40, "looked": 12, "seen": 12, "unclear": 0}
    assert before["/base_rates/moisture", None]["confirmed"]["seen"] == 40
    moved = {key for key, one in before.items() if one["old"] != one["new"]}
    assert all("confirmed" in before[key] for key in moved)
    told = (await author.get(f"{place}/diff", headers={"Accept": "text/plain"})).text
    assert "[judged 40, seen 12 of 12]" in told
    page = (await author.get(f"{place}/diff", headers={"Accept": "text/html"})).text
    assert "<td>judged 40, seen 12 of 12</td>" in page
    assert (
        "Verdicts</th>"
        not in (await author.get("/v1/rule-tables/1/diff", headers={"Accept": "text/html"})).text
    )

    # A number that somebody has edited since is no longer what the verdicts said; its neighbours are.
    content = (await author.get(place)).json()["content"]["findings"]["copper_plating"]
    row = content["per_hundred"]["moisture"]
    edited = [round(row[0] + 1, 2), round(row[1] - 1, 2), *row[2:]]
    tag = (await author.get(place)).headers["ETag"]
    patch = {"findings": {"copper_plating": {"per_hundred": {"moisture": edited}}}}
    headers = {"Content-Type": "application/merge-patch+json", "If-Match": tag}
    answered = await author.patch(f"{place}/content", content=json.dumps(patch), headers=headers)
    assert answered.status_code == 200, answered.text
    after = await changes()
    outcomes = [one["code"] for one in content["outcomes"]]
    assert ["confirmed" in after[PLATING, outcome] for outcome in outcomes[:3]] == [False, False, True]
    await withdrawn(own, found["draft"])


async def evidence(caller, place="/v1/rule-tables/1", **asked):
    """The count, however long it takes on this machine."""
    async with asyncio.timeout(120):
        while (answered := await caller.get(f"{place}/evidence", params=asked)).status_code == 429:
            await asyncio.sleep(0.2)
    assert answered.status_code == 200, answered.text
    return answered.json()


async def test_evidence_says_of_each_row_how_often_verdicts_saw_it(own, author, quality, recorded):
    reader = await as_person(own, "reader", "tables:read")
    found = await evidence(reader, finding="copper_plating", cause="moisture")
    assert (found["of_all_clients"], found["judged"], found["rule_table"]["version"]) == (False, 52, 1)
    (row,) = found["rows"]
    assert (row["pointer"], row["cause"], row["judged"]) == (PLATING, "moisture", 40)
    assert {one["outcome"]: (one["seen"], one["looked"]) for one in row["outcomes"] if one["seen"]} == {
        "none": (12, 12)
    }

    whole = await evidence(quality, finding="copper_plating")
    assert (whole["of_all_clients"], whole["judged"]) == (True, 63 + await others(own))
    by_cause = {one["cause"]: one for one in whole["rows"]}
    heavy = [one for one in by_cause["moisture"]["outcomes"] if one["outcome"] == "heavy"]
    assert (heavy[0]["seen"], heavy[0]["looked"]) == (11, 23)


async def others(own):
    """Judged cases of the client that another test makes, if it ran before."""
    salt = await as_person(own, "few", *SCOPES, client="Salt Pier")
    found = (await salt.get("/v1/decisions", params={"has_verdict": "true"})).json()
    return len(found["items"])


async def test_evidence_of_a_draft_is_for_those_who_may_see_it(own, author, recorded):
    place = (await author.post("/v1/rule-tables", json={"based_on": 1})).headers["Location"]
    reader = await as_person(own, "reader", "tables:read")
    assert problem(await reader.get(f"{place}/evidence")) == (403, "scope_missing")
    assert problem(await reader.get("/v1/rule-tables/99/evidence")) == (404, "not_found")
    found = await evidence(author, place, cause="background")
    assert {row["cause"] for row in found["rows"]} == {None}
    await withdrawn(own, place.rpartition("/")[2])


async def test_who_waits_too_long_for_evidence_is_told_and_finds_it_later(own, author, recorded, monkeypatch):
    stranger = await as_person(own, "patient", *SCOPES, client="Butter Store")
    monkeypatch.setattr("coldcase.proposing.evidence.WAIT_SECONDS", 0.01)
    answered = await stranger.get("/v1/rule-tables/1/evidence")
    assert (problem(answered), "Retry-After" in answered.headers) == ((429, "busy"), True)
    assert (await evidence(stranger))["judged"] == 11


async def test_the_service_works_them_off_in_a_process_of_its_own(service_database):
    async with running_service(service_database) as service:
        caller = await as_person(service, "bench-1")
        for number in range(12):
            await judged(caller, "moisture", {"filter_drier": "wet"}, number)
        place = (await caller.post("/v1/rule-tables/1/proposals", json={})).headers["Location"]
        async with asyncio.timeout(120):
            while (found := (await caller.get(place)).json())["state"] != "finished":
                assert found["state"] in ("waiting", "running"), json.dumps(found)
                await asyncio.sleep(0.2)
        assert found["draft"] == 2
