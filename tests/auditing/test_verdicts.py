"""What people establish, over HTTP: recorded beside the decision, told apart from it, and never changed."""

import asyncio

import pytest

from tests.auditing.conftest import SCOPES

pytestmark = pytest.mark.anyio
GIVEN = ({"cause": "moisture", "basis": "teardown"}, {"cause": "acid_carryover", "basis": "field"})


@pytest.fixture(scope="module")
async def analyst(service):
    return await service.caller(*SCOPES, client="Tern Haven")


@pytest.fixture
async def decision(analyst, case):
    return (await analyst.post("/v1/classifications", json=case)).json()["id"]


async def verdicts(analyst, decision):
    return (await analyst.get(f"/v1/decisions/{decision}")).json()["verdicts"]


async def test_a_verdict_is_recorded_with_who_and_why(service, case):
    secret, key = await service.key(*SCOPES, client="Cheese Store", person="bench-2")
    caller = service.http(secret)
    decision = (await caller.post("/v1/classifications", json=case)).json()["id"]

    told = await caller.post(
        f"/v1/decisions/{decision}/verdicts",
        json={"cause": "moisture", "basis": "teardown", "note": "copper on both journals"},
        headers={"X-Request-Id": "bench-2-0001"},
    )

    assert told.status_code == 201
    assert told.headers["Location"] == f"/v1/decisions/{decision}"
    given = {
        "cause": "moisture",
        "not_determinable": False,
        "basis": "teardown",
        "note": "copper on both journals",
        "person": "bench-2",
        "established_by": None,
        "established_at": None,
    }
    assert told.json() == {"id": told.json()["id"], "recorded_at": told.json()["recorded_at"], **given}
    assert await verdicts(caller, decision) == [told.json()]
    [event] = (await caller.get(f"/v1/audit-events?subject={told.json()['id']}")).json()["items"]
    assert (event["action"], event["by_key"], event["person"]) == ("verdict.recorded", str(key.id), "bench-2")
    assert (event["remote"], event["request_id"], event["by_role"]) == (
        "127.0.0.1",
        "bench-2-0001",
        "coldcase_service",
    )
    assert event["details"] == {"decision": decision, "cause": "moisture", "basis": "teardown"}


async def test_the_newest_stands_and_the_older_ones_stay(analyst, decision):
    for cause in ("moisture", "acid_carryover", "unlisted"):
        assert (
            await analyst.post(f"/v1/decisions/{decision}/verdicts", json={"cause": cause, "basis": "field"})
        ).status_code == 201
    told = await analyst.post(
        f"/v1/decisions/{decision}/verdicts", json={"not_determinable": True, "basis": "supplier_report"}
    )
    assert (told.json()["cause"], told.json()["not_determinable"]) == (None, True)

    assert [row["cause"] for row in await verdicts(analyst, decision)] == [
        None,
        "unlisted",
        "acid_carryover",
        "moisture",
    ]
    report = await analyst.get(f"/v1/decisions/{decision}", headers={"Accept": "text/html"})
    assert "Cannot be determined" in report.text


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"basis": "field"}, "/cause"),
        ({"cause": "moisture", "not_determinable": True, "basis": "field"}, "/cause"),
        ({"cause": "moistur", "basis": "field"}, "/cause"),
        ({"cause": "undetermined", "basis": "field"}, "/cause"),
        ({"cause": "Moisture", "basis": "field"}, "/cause"),
        ({"cause": "moisture"}, "/basis"),
        ({"cause": "moisture", "basis": "rumour"}, "/basis"),
        ({"cause": "moisture", "basis": "field", "note": 7}, "/note"),
        ({"cause": "moisture", "basis": "field", "note": "\x00"}, "/note"),
        ({"cause": "moisture", "basis": "field", "sure": True}, "/sure"),
        ({"cause": 7, "basis": "field"}, "/cause"),
        ({"cause": "moisture", "basis": "field", "not_determinable": "false"}, "/not_determinable"),
        ([], ""),
    ],
)
async def test_a_bad_verdict_is_refused_by_name(analyst, decision, given, pointer):
    told = await analyst.post(f"/v1/decisions/{decision}/verdicts", json=given)

    assert (told.status_code, told.json()["type"]) == (422, "/problems/bad_verdict"), told.text
    assert [error["pointer"] for error in told.json()["errors"]] == [pointer]
    assert await verdicts(analyst, decision) == []


async def test_a_verdict_says_who_established_it_and_when(service, analyst, decision):
    given = {**GIVEN[0], "established_by": " lab-7 ", "established_at": "2026-03-09T11:15:00+01:00"}
    place, key = f"/v1/decisions/{decision}/verdicts", {"Idempotency-Key": f"who-{decision}"}
    told = await analyst.post(place, json=given, headers=key)

    assert told.status_code == 201
    said = told.json()
    assert (said["established_by"], said["established_at"]) == ("lab-7", "2026-03-09T10:15:00Z")
    assert await verdicts(analyst, decision) == [said]
    same = {**given, "established_by": "lab-7", "established_at": "2026-03-09T10:15:00Z"}
    again = await analyst.post(place, json=same, headers=key)
    assert (again.status_code, again.json()) == (200, said)
    for other in ({"established_by": "lab-8"}, {"established_at": "2026-03-09T10:16:00Z"}):
        told = await analyst.post(place, json={**given, **other}, headers=key)
        assert told.json()["type"] == "/problems/key_reused"
    [event] = (await analyst.get(f"/v1/audit-events?subject={said['id']}")).json()["items"]
    assert event["details"]["established_at"].startswith("2026-03-09T10:15:00")
    assert "lab-7" not in str(event)
    report = await analyst.get(f"/v1/decisions/{decision}", headers={"Accept": "text/html"})
    assert "lab-7" in report.text


ESTABLISHED = [
    ({"established_at": "2999-01-01T00:00:00Z"}, "/established_at", "a verdict is of what was established"),
    ({"established_at": "2026-02-28T23:59:59Z"}, "/established_at", "failed later, at 2026-03-01T00:00:00Z"),
    ({"established_at": "0001-01-01T00:00:00Z"}, "/established_at", "year 1 is not believable"),
    ({"established_at": "2026-03-09"}, "/established_at", "RFC3339"),
    ({"established_at": "2026-03-09T10:15:00"}, "/established_at", "timezone"),
    ({"established_by": "  "}, "/established_by", "one line of characters"),
    ({"established_by": "a\nb"}, "/established_by", "one line of characters"),
    ({"established_by": "erased"}, "/established_by", "was erased"),
    ({"established_on": "2026-03-09"}, "/established_on", "no member"),
]


@pytest.mark.parametrize(("wrong", "pointer", "detail"), ESTABLISHED)
async def test_who_and_when_are_refused_by_name_where_they_cannot_be(analyst, case, wrong, pointer, detail):
    case["job"]["failed_at"] = "2026-03-01T00:00:00Z"
    id_ = (await analyst.post("/v1/classifications", json=case)).json()["id"]
    told = await analyst.post(f"/v1/decisions/{id_}/verdicts", json={**GIVEN[0], **wrong})

    assert told.status_code == 422
    [error] = told.json()["errors"]
    assert error["pointer"] == pointer
    assert detail in error["detail"]


async def test_all_that_is_wrong_with_a_verdict_is_told_at_once_with_what_is_allowed(analyst, decision):
    given = {"cause": "water", "basis": "lab", "note": "\x07", "noet": "wet"}
    told = await analyst.post(f"/v1/decisions/{decision}/verdicts", json=given)

    assert told.status_code == 422
    errors = {error["pointer"]: error for error in told.json()["errors"]}
    assert {pointer: error.get("suggestion") for pointer, error in errors.items()} == {
        "/cause": "moisture",
        "/basis": "laboratory",
        "/note": None,
        "/noet": "note",
    }
    assert errors["/basis"]["detail"] == "'lab' is none of teardown, laboratory, field, supplier_report."
    assert "'water' is none of " in errors["/cause"]["detail"]
    assert " unlisted, " in errors["/cause"]["detail"]


async def test_a_verdict_of_thousands_of_flaws_is_told_in_bounded_words(analyst, decision):
    given = {"basis": "field", "cause": "moisture", **{f"member_{number}": 1 for number in range(3000)}}
    told = await analyst.post(f"/v1/decisions/{decision}/verdicts", json=given)
    assert (told.status_code, len(told.json()["errors"])) == (422, 201)
    assert told.json()["errors"][-1] == {"pointer": "", "detail": "2800 more flaws are not listed."}


async def test_the_nearest_cause_is_suggested(analyst, decision):
    told = await analyst.post(
        f"/v1/decisions/{decision}/verdicts", json={"cause": "moistur", "basis": "field"}
    )
    assert told.json()["errors"][0]["suggestion"] == "moisture"


async def test_a_retry_with_the_same_key_records_it_once(analyst, decision):
    given, key = (
        {"cause": "moisture", "basis": "laboratory"},
        {"Idempotency-Key": f"lab {decision}".replace(" ", "-")},
    )
    answers = await asyncio.gather(
        *(analyst.post(f"/v1/decisions/{decision}/verdicts", json=given, headers=key) for _ in range(6))
    )

    assert sorted(answer.status_code for answer in answers) == [200] * 5 + [201]
    assert len({answer.content for answer in answers}) == 1
    assert [answer.headers.get("Answer-Repeated") for answer in answers].count("true") == 5
    assert len(await verdicts(analyst, decision)) == 1
    other = await analyst.post(
        f"/v1/decisions/{decision}/verdicts", json={**given, "basis": "field"}, headers=key
    )
    assert (other.status_code, other.json()["type"]) == (422, "/problems/key_reused")


async def test_another_clients_decision_is_not_there(service, decision):
    stranger = await service.caller(*SCOPES, client="Milk Store")
    for call, given in (("verdicts", GIVEN[0]), ("replay", None)):
        told = await stranger.post(f"/v1/decisions/{decision}/{call}", json=given)
        assert told.status_code == 404


async def test_head_office_may_judge_any_clients_decision(service, analyst, decision):
    office = await service.caller("verdicts:write", "verdicts:write:all", client="Head Office")
    told = await office.post(
        f"/v1/decisions/{decision}/verdicts", json={"cause": "moisture", "basis": "teardown"}
    )

    assert told.status_code == 201
    assert [row["id"] for row in await verdicts(analyst, decision)] == [told.json()["id"]]


async def test_who_only_reads_all_is_told_which_scope_is_missing(service, analyst, decision):
    reader = await service.caller("verdicts:write", "decisions:read:all", client="Island Council")
    assert (await reader.get(f"/v1/decisions/{decision}")).status_code == 200
    told = await reader.post(
        f"/v1/decisions/{decision}/verdicts", json={"cause": "moisture", "basis": "teardown"}
    )

    assert (told.status_code, told.json()["type"]) == (403, "/problems/scope_missing")
    assert "`verdicts:write:all`" in told.json()["detail"]
    assert await verdicts(analyst, decision) == []


async def test_an_idempotency_key_of_a_verdict_belongs_to_the_client_that_sends_it(
    service, analyst, decision
):
    office = await service.caller(
        "verdicts:write", "verdicts:write:all", "decisions:write", client="Dairy Board"
    )
    place, key = f"/v1/decisions/{decision}/verdicts", {"Idempotency-Key": f"vk-{decision}"}
    first = await office.post(place, json={"cause": "moisture", "basis": "teardown"}, headers=key)
    second = await analyst.post(place, json={"cause": "acid_carryover", "basis": "field"}, headers=key)

    assert (first.status_code, second.status_code) == (201, 201)
    again = [
        await caller.post(place, json=answer, headers=key)
        for caller, answer in zip((office, analyst), GIVEN, strict=True)
    ]
    assert [(answer.status_code, answer.json()["id"]) for answer in again] == [
        (200, first.json()["id"]),
        (200, second.json()["id"]),
    ]


async def test_a_key_that_stands_for_what_may_not_be_seen_any_more_is_reused(service, decision, case):
    office = await service.caller("verdicts:write", "verdicts:write:all", client="Ice Board")
    clerk = await service.caller(*SCOPES, client="Ice Board")
    own = (await clerk.post("/v1/classifications", json=case)).json()["id"]
    key = {"Idempotency-Key": f"vk-{decision}"}
    assert (
        await office.post(f"/v1/decisions/{decision}/verdicts", json=GIVEN[0], headers=key)
    ).status_code == 201

    told = await clerk.post(f"/v1/decisions/{own}/verdicts", json=GIVEN[0], headers=key)
    assert (told.status_code, told.json()["type"]) == (422, "/problems/key_reused")


async def test_searches_tell_decisions_with_a_verdict_from_those_without(service, case):
    caller = await service.caller(*SCOPES, client="Whey Store")
    ids = [(await caller.post("/v1/classifications", json=case)).json()["id"] for _ in range(3)]
    await caller.post(f"/v1/decisions/{ids[1]}/verdicts", json={"cause": "moisture", "basis": "field"})

    async def found(query):
        return [row["id"] for row in (await caller.get(f"/v1/decisions?{query}")).json()["items"]]

    assert await found("has_verdict=true") == [ids[1]]
    assert await found("has_verdict=false") == [ids[2], ids[0]]
    assert (await caller.get("/v1/decisions?has_verdict=maybe")).status_code == 400


async def test_earlier_decisions_on_the_circuit_stand_beside_a_decision(service, case):
    caller = await service.caller(*SCOPES, client="Ice Store")
    ids = []
    for month, circuit in ((1, "rack-A"), (2, "rack-B"), (3, "rack-A"), (4, "rack-A")):
        case["job"] = {"ref": f"TH-{month}", "closed_at": f"2026-0{month}-02T12:00:00Z", "circuit": circuit}
        ids.append((await caller.post("/v1/classifications", json=case)).json()["id"])

    record = (await caller.get(f"/v1/decisions/{ids[2]}")).json()
    assert [row["id"] for row in record["earlier_on_circuit"]] == [ids[0]]
    report = await caller.get(f"/v1/decisions/{ids[2]}", headers={"Accept": "text/html"})
    assert "Earlier on this circuit" in report.text
