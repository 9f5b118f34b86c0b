"""Classifying over HTTP: the record, safe retries, previews, refusals."""

import json
from uuid import uuid4

import psycopg
import pytest

pytestmark = pytest.mark.anyio


async def test_answers_after_recording_and_the_record_holds_the_very_bytes(caller, case):
    answered = await caller.post("/v1/classifications", json=case)

    assert answered.status_code == 201
    body = answered.json()
    assert body["recorded"] is True
    assert (body["cause"], body["status"], body["job_ref"]) == ("moisture", "coded", "TH-1184")
    assert answered.headers["Location"] == f"/v1/decisions/{body['id']}"

    record = await caller.get(answered.headers["Location"])
    assert record.json() == {
        "id": body["id"],
        "recorded_at": body["recorded_at"],
        "case": case,
        "answer": body,
        "rule_table": body["rule_table"],
        "chain": [{"id": body["id"], "recorded_at": body["recorded_at"]}],
        "verdicts": [],
        "earlier_on_circuit": [],
        "own_words": None,
        "origin": "live",
        "own_code": None,
    }
    assert answered.content in record.content


async def test_the_same_key_and_case_give_the_first_bytes_again(caller, case, service):
    key = {"Idempotency-Key": str(uuid4())}
    first = await caller.post("/v1/classifications", json=case, headers=key)
    before = await service.count("decision")

    turned_round = json.dumps(dict(reversed(case.items())), indent=3)
    again = await caller.post(
        "/v1/classifications", content=turned_round, headers={**key, "Content-Type": "application/json"}
    )

    assert (first.status_code, again.status_code) == (201, 200)
    assert "Answer-Repeated" not in first.headers
    assert again.headers["Answer-Repeated"] == "true"
    assert again.headers["Location"] == first.headers["Location"]
    assert again.content == first.content
    assert await service.count("decision") == before


async def test_the_same_key_with_another_case_is_refused(caller, case):
    key = {"Idempotency-Key": str(uuid4())}
    await caller.post("/v1/classifications", json=case, headers=key)

    case["observations"]["copper_plating"] = "light"
    other = await caller.post("/v1/classifications", json=case, headers=key)

    assert other.status_code == 422
    assert other.json()["type"] == "/problems/key_reused"


async def test_keys_of_two_clients_do_not_meet(service, case):
    key = {"Idempotency-Key": "monday-1"}
    one = await (await service.caller(client="Tern Haven Dairy")).post(
        "/v1/classifications", json=case, headers=key
    )
    two = await (await service.caller(client="Tern Haven Fish")).post(
        "/v1/classifications", json=case, headers=key
    )

    assert (one.status_code, two.status_code) == (201, 201)
    assert one.json()["id"] != two.json()["id"]


async def test_a_refused_case_uses_no_key_up(caller, case):
    key = {"Idempotency-Key": str(uuid4())}
    bad = {**case, "observations": {"coper_plating": "heavy"}}

    assert (await caller.post("/v1/classifications", json=bad, headers=key)).status_code == 422
    assert (await caller.post("/v1/classifications", json=case, headers=key)).status_code == 201


@pytest.mark.parametrize("key", ["", "a b", "x" * 201, "schlüssel"])
async def test_an_odd_key_is_refused_before_anything_is_recorded(caller, case, service, key):
    before = await service.count("decision")

    answered = await caller.post("/v1/classifications", json=case, headers={"Idempotency-Key": key.encode()})

    assert answered.status_code == 400
    assert [error["pointer"] for error in answered.json()["errors"]] == ["Idempotency-Key"]
    assert await service.count("decision") == before


async def test_every_flaw_is_named_with_its_place_and_the_word_that_was_meant(caller, service):
    before = await service.count("decision")
    case = {
        "unit": {"compressor_type": "scrol", "motor": "three_phase", "colour": "red"},
        "observations": {"coper_plating": "heavy", "oil_colour": "purple"},
        "readings": {"suction_pressure": {"value": 41, "unit": "psi"}},
    }

    answered = await caller.post("/v1/classifications", json=case)

    assert answered.status_code == 422
    assert answered.headers["Content-Type"] == "application/problem+json"
    body = answered.json()
    assert body["type"] == "/problems/bad_case"
    flaws = {error["pointer"]: error.get("suggestion") for error in body["errors"]}
    assert flaws["/unit/compressor_type"] == "scroll"
    assert flaws["/observations/coper_plating"] == "copper_plating"
    assert {"/unit/colour", "/observations/oil_colour", "/readings/suction_pressure/unit"} <= set(flaws)
    assert await service.count("decision") == before


async def test_read_leniently_what_is_wrong_is_left_out_named_and_recorded(caller, case):
    case["observations"]["coper_plating"] = "heavy"

    answered = await caller.post(
        "/v1/classifications", json=case, headers={"Prefer": "respond-async, handling=lenient"}
    )

    assert answered.status_code == 201
    assert answered.headers["Preference-Applied"] == "handling=lenient"
    assert any("coper_plating" in note for note in answered.json()["notes"])
    record = (await caller.get(answered.headers["Location"])).json()
    assert "coper_plating" not in record["case"]["observations"]
    assert record["answer"] == answered.json()


BAR_CODE = 90071992547409931


@pytest.mark.parametrize(
    ("members", "place"),
    [
        ({"job": {"ref": BAR_CODE}}, "/job/ref"),
        ({"serial": BAR_CODE}, "/serial"),
        ({"serial": [{"code": -(10**30)}]}, "/serial"),
    ],
)
async def test_a_bar_code_sent_as_a_number_loses_no_case(caller, case, members, place):
    strictly = await caller.post("/v1/classifications", json=case | members)
    assert (strictly.status_code, [error["pointer"] for error in strictly.json()["errors"]]) == (422, [place])

    headers = {"Idempotency-Key": str(uuid4()), "Prefer": "handling=lenient"}
    first, again = [
        await caller.post("/v1/classifications", json=case | members, headers=headers) for _ in range(2)
    ]
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.content == first.content
    assert first.json()["cause"] == "moisture"
    assert any(place in note for note in first.json()["notes"])

    other = json.loads(json.dumps(members).replace("1", "3"))
    answered = await caller.post("/v1/classifications", json=case | other, headers=headers)
    assert (answered.status_code, answered.json()["type"]) == (422, "/problems/key_reused")


async def test_an_unknown_refrigerant_is_judged_as_one_that_was_not_stated_and_is_warned_of(caller):
    async def preview(**unit):
        case = {
            "unit": {"compressor_type": "scroll", "motor": "three_phase", "lubricant": "POE", **unit},
            "readings": {
                "discharge_temperature": {"value": 128, "unit": "degC"},
                "suction_superheat": {"value": 1, "unit": "K"},
            },
            "oil_results": {"water_mg_kg": 150, "acid_number_mg_koh_g": 0.15},
        }
        return (await caller.post("/v1/classifications/preview", json=case)).json()

    unknown, unstated, carbon_dioxide = [
        await preview(**unit) for unit in ({"refrigerant": "R-999"}, {}, {"refrigerant": "R-744"})
    ]

    assert unknown["derived"] == unstated["derived"] != carbon_dioxide["derived"]
    assert unknown["ranking"] == unstated["ranking"]
    assert any("treat it as flammable and poisonous" in caution["text"] for caution in unknown["cautions"])
    (note,) = [note for note in unknown["notes"] if "/unit/refrigerant" in note]
    assert note.endswith("is judged by the limits for a refrigerant that was not stated.")


async def test_without_a_readable_unit_leniency_does_not_help(caller):
    answered = await caller.post(
        "/v1/classifications", json={"unit": {"motor": "steam"}}, headers={"Prefer": "handling=lenient"}
    )

    assert answered.status_code == 422
    assert "Preference-Applied" not in answered.headers


async def test_a_preview_is_the_same_answer_recorded_nowhere(caller, case, service):
    recorded = (await caller.post("/v1/classifications", json=case)).json()
    before = await service.count("decision")

    previewed = await caller.post("/v1/classifications/preview", json=case)

    assert previewed.status_code == 200
    assert previewed.json() == {**recorded, "id": None, "recorded": False, "recorded_at": None}
    assert await service.count("decision") == before


async def test_a_preview_under_a_named_table(caller, case):
    current = await caller.post("/v1/classifications/preview", json=case)
    first = await caller.post("/v1/classifications/preview?rule_table=1", json=case)
    missing = await caller.post("/v1/classifications/preview?rule_table=99", json=case)

    assert first.content == current.content
    assert missing.status_code == 404


async def test_an_empty_case_is_valid_and_undetermined(caller):
    answered = await caller.post(
        "/v1/classifications", json={"unit": {"compressor_type": "unknown", "motor": "unknown"}}
    )

    assert answered.status_code == 201
    assert (answered.json()["cause"], answered.json()["status"]) == ("undetermined", "undetermined")


async def test_a_case_may_supersede_an_earlier_one_of_its_job(caller, case):
    first = (await caller.post("/v1/classifications", json=case)).json()
    second = (await caller.post("/v1/classifications", json={**case, "supersedes": first["id"]})).json()
    stranger = await caller.post("/v1/classifications", json={**case, "supersedes": str(uuid4())})

    for id_ in (first["id"], second["id"]):
        record = (await caller.get(f"/v1/decisions/{id_}")).json()
        assert [link["id"] for link in record["chain"]] == [first["id"], second["id"]]
    assert stranger.status_code == 422
    assert stranger.json()["type"] == "/problems/supersedes_unknown"


async def test_a_draft_is_previewed_by_whoever_may_draft_only(service, case):
    def sql(*statements):
        with psycopg.connect(service.owner_url.replace("+psycopg", ""), autocommit=True) as conn:
            for statement in statements:
                conn.execute(statement)

    sql(
        "INSERT INTO rule_table (version, digest, document, based_on, created_at, created_by)"
        " SELECT 2, 'sha256:draft', document, 1, now(), 'analyst' FROM rule_table WHERE version = 1",
        "INSERT INTO rule_table_event (version, kind, at) VALUES (2, 'draft', now())",
    )
    place = "/v1/classifications/preview?rule_table=2"
    clerk, drafter = await service.caller("preview"), await service.caller("preview", "tables:draft")

    for _ in range(2):
        refused = await clerk.post(place, json=case)
        assert (refused.status_code, refused.json()["type"]) == (403, "/problems/scope_missing")
        assert "`tables:draft`" in refused.json()["detail"]
        assert (await drafter.post(place, json=case)).json()["rule_table"]["version"] == 2
    sql("INSERT INTO rule_table_event (version, kind, at) VALUES (2, 'approve', now())")
    assert (await clerk.post(place, json=case)).status_code == 200


async def test_next_checks_keep_to_what_can_be_done_now(caller, case):
    answered = await caller.post("/v1/classifications/preview?effort=open,lab", json=case)
    checks = answered.json()["next_checks"]
    assert checks
    assert {check["effort"] for check in checks} <= {"open", "lab"}
    assert all(check["kind"] in {"one", "several"} and check["outcomes"] for check in checks)
    everything = await caller.post("/v1/classifications/preview", json=case)
    assert {check["effort"] for check in everything.json()["next_checks"]} - {"open", "lab"}


async def test_the_recorded_answer_keeps_to_them_too(caller, case):
    answered = await caller.post("/v1/classifications?effort=lab", json=case)
    assert answered.status_code == 201
    assert {check["effort"] for check in answered.json()["next_checks"]} <= {"lab"}
    replayed = await caller.post(answered.headers["Location"] + "/replay")
    assert replayed.json()["result"] == "identical", replayed.json()


@pytest.mark.parametrize("effort", ["", "ask,", "dig", "ask,look,meter,open,lab,ask", "ask look"])
async def test_an_effort_that_is_none_is_refused_by_name(caller, case, effort):
    answered = await caller.post(f"/v1/classifications/preview?effort={effort}", json=case)
    assert answered.status_code == 400
    (flaw,) = answered.json()["errors"]
    assert flaw["pointer"] == "effort"
    assert flaw["detail"] == "Efforts are ask, look, meter, open, lab, parted by commas without blanks."


async def test_a_wrong_effort_is_told_before_a_bad_case_is(caller):
    answered = await caller.post("/v1/classifications?effort=smell", json={"unit": {}})
    assert (answered.status_code, answered.json()["errors"][0]["pointer"]) == (400, "effort")
