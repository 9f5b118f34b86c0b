"""A client's crosswalks over HTTP: kept in versions, cases read by them, codes carried out."""

from typing import Any

import msgspec
import pytest

pytestmark = pytest.mark.anyio

SCOPES = ("decisions:write", "decisions:read", "preview", "audit:read")
FORM: dict[str, Any] = {
    "title": "Job form of the creamery",
    "outbound": {"moisture": {"shop": "W-07", "reason": 31}},
    "inbound": {
        "decimal": ",",
        "constants": {"/unit/motor": "three_phase", "/opening/method": "rolling_cutter"},
        "ignore": ["Technician"],
        "members": {
            "Job": {"to": "/job/ref"},
            "Closed": {"to": "/job/closed_at"},
            "Circuit": {"to": "/job/circuit"},
            "Kind": {"to": "/unit/compressor_type", "words": {"Scr": "scroll"}},
            "Gas": {"to": "/unit/refrigerant"},
            "Copper": {"to": "/observations/copper_plating", "words": {"much": "heavy", "some": "light"}},
            "Drier/oil": {"words": {"wet + milky": {"filter_drier": "wet", "oil_clarity": "stays_milky"}}},
            "Suction": {"to": "/readings/suction_pressure", "unit": "barg"},
        },
    },
}
ROW = {
    "Job": "TH-1184",
    "Closed": "2026-03-02T16:40:00Z",
    "Circuit": "creamery/rack-B",
    "Kind": "scr",
    "Gas": "R-448A",
    "Copper": "much",
    "Drier/oil": "wet + milky",
    "Technician": "bench-2",
}
IN_FORM = {"Content-Profile": "form"}
NEW = {"If-None-Match": "*"}


def changed(**outbound):
    return {**FORM, "outbound": {**FORM["outbound"], **outbound}}


@pytest.fixture(scope="module")
async def shop(service):
    """A client with a crosswalk."""
    caller = await service.caller(*SCOPES, client="Rind Store")
    told = await caller.put("/v1/crosswalks/form", json=FORM, headers=NEW)
    assert told.status_code == 201, told.text
    return caller


@pytest.fixture
async def fresh(service, request):
    """A client of the test's own, without any."""
    return await service.caller(*SCOPES, client=request.node.name)


@pytest.fixture
def ours(case):
    del case["observations"]["oil_colour"]
    return case


async def test_a_crosswalk_is_kept_in_versions(fresh):
    made = await fresh.put("/v1/crosswalks/form", json=FORM, headers=NEW)
    assert (made.status_code, made.headers["Location"]) == (201, "/v1/crosswalks/form")
    told = made.json()
    assert (told["name"], told["version"], told["content"]) == ("form", 1, FORM)
    assert made.headers["ETag"] == f'"{told["digest"]}"'

    again = await fresh.put("/v1/crosswalks/form", json=FORM, headers=NEW)
    assert (again.status_code, again.json()) == (201, told)
    other = changed(oil_loss="L-01")
    second = await fresh.put("/v1/crosswalks/form", json=other, headers={"If-Match": made.headers["ETag"]})
    assert (second.status_code, second.json()["version"]) == (200, 2)

    assert (await fresh.get("/v1/crosswalks/form")).json() == second.json()
    assert (await fresh.get("/v1/crosswalks/form?version=1")).json() == told
    assert (await fresh.get("/v1/crosswalks/form?version=3")).status_code == 404
    assert (await fresh.get("/v1/crosswalks/other")).status_code == 404
    same = await fresh.get("/v1/crosswalks/form", headers={"If-None-Match": second.headers["ETag"]})
    assert (same.status_code, same.content) == (304, b"")


async def test_the_list_has_each_in_its_newest_version_page_by_page(fresh):
    for name in ("b", "a", "c"):
        await fresh.put(f"/v1/crosswalks/{name}", json=FORM, headers=NEW)
    await fresh.put("/v1/crosswalks/b", json=changed(oil_loss="L"), headers={"If-Match": "*"})
    first = await fresh.get("/v1/crosswalks?limit=2")
    rest = await fresh.get(first.links["next"]["url"])
    listed = [(row["name"], row["version"]) for page in (first, rest) for row in page.json()["items"]]
    assert listed == [("a", 1), ("b", 2), ("c", 1)]
    assert rest.json()["next"] is None


PRECONDITIONS = [
    ({}, 428, "precondition_required"),
    ({"If-None-Match": "*"}, 412, "precondition_failed"),
    ({"If-Match": '"sha256:0"'}, 412, "precondition_failed"),
    ({"If-Match": "x"}, 400, "bad_request"),
    ({"If-Match": "*", "If-None-Match": "*"}, 400, "bad_request"),
    ({"If-None-Match": '"x"'}, 428, "precondition_required"),
]


@pytest.mark.parametrize(("headers", "status", "code"), PRECONDITIONS)
async def test_a_crosswalk_is_changed_by_who_has_seen_it(shop, headers, status, code):
    told = await shop.put("/v1/crosswalks/form", json=changed(wear_out="X"), headers=headers)
    assert (told.status_code, told.json()["type"]) == (status, f"/problems/{code}")
    assert (await shop.get("/v1/crosswalks/form")).json()["version"] == 1


async def test_what_is_not_there_is_not_changed(shop):
    told = await shop.put("/v1/crosswalks/none", json=FORM, headers={"If-Match": "*"})
    assert (told.status_code, told.json()["type"]) == (412, "/problems/precondition_failed")
    assert (await shop.put("/v1/crosswalks/No!", json=FORM, headers=NEW)).status_code == 400


async def test_a_bad_crosswalk_is_refused_by_name_and_nothing_is_kept(shop):
    bad = msgspec.json.decode(msgspec.json.encode(FORM))
    bad["outbound"]["moistur"] = "W"
    bad["inbound"]["members"]["Copper"]["words"]["lots"] = ["light", "heavy"]
    told = await shop.put("/v1/crosswalks/bad", json=bad, headers=NEW)
    assert (told.status_code, told.json()["type"]) == (422, "/problems/bad_crosswalk")
    assert [(error["pointer"], error.get("suggestion")) for error in told.json()["errors"]] == [
        ("/outbound/moistur", "moisture"),
        ("/inbound/members/Copper/words/lots", None),
    ]
    assert (await shop.get("/v1/crosswalks/bad")).status_code == 404
    told = await shop.put("/v1/crosswalks/bad", json={"outbound": {"moisture": 2**60}}, headers=NEW)
    assert told.json()["errors"][0]["pointer"] == "/outbound/moisture"


async def test_nobody_sees_or_uses_another_clients(service, shop):
    office = await service.caller(*SCOPES, "decisions:read:all", client="Head Office")
    assert (await office.get("/v1/crosswalks")).json()["items"] == []
    assert (await office.get("/v1/crosswalks/form")).status_code == 404
    told = await office.post("/v1/classifications", json=ROW, headers=IN_FORM)
    assert (told.status_code, told.json()["errors"][0]["pointer"]) == (400, "Content-Profile")
    reader = await service.caller("decisions:read", client="Rind Store")
    assert (await reader.put("/v1/crosswalks/form", json=FORM, headers=NEW)).status_code == 403


async def test_each_version_is_an_event(fresh):
    made = await fresh.put("/v1/crosswalks/form", json=FORM, headers=NEW)
    await fresh.put("/v1/crosswalks/form", json=FORM, headers={"If-Match": "*"})
    events = (await fresh.get("/v1/audit-events?action=crosswalk.put&subject=form")).json()["items"]
    [event] = events
    told = event["details"]
    assert (told["version"], told["digest"], told["client"]) == (
        1,
        made.json()["digest"],
        "test_each_version_is_an_event",
    )


async def test_own_words_give_the_answer_of_ours_and_both_are_kept(shop, ours):
    mine = await shop.post("/v1/classifications", json=ROW, headers=IN_FORM)
    theirs = (await shop.post("/v1/classifications", json=ours)).json()

    assert mine.status_code == 201, mine.text
    changing = {"id", "recorded_at"}
    answer = mine.json()
    assert {k: v for k, v in answer.items() if k not in changing} == {
        k: v for k, v in theirs.items() if k not in changing
    }
    assert answer["cause"] == "moisture"
    record = (await shop.get(mine.headers["Location"])).json()
    assert record["case"] == ours
    assert record["own_words"] == {"crosswalk": "form", "version": 1, "sent": ROW}
    assert (await shop.get(f"/v1/decisions/{theirs['id']}")).json()["own_words"] is None
    replay = await shop.post(f"/v1/decisions/{answer['id']}/replay")
    assert replay.json()["result"] == "identical"
    preview = await shop.post("/v1/classifications/preview", json=ROW, headers=IN_FORM)
    assert preview.json()["ranking"] == answer["ranking"]


async def test_bad_words_are_refused_by_the_clients_own_names(shop):
    row = {**ROW, "Copper": "mch", "Suction": "1.5", "Drier": "wet", "Kind": "Scw"}
    told = await shop.post("/v1/classifications", json=row, headers=IN_FORM)
    assert (told.status_code, told.json()["type"]) == (422, "/problems/bad_case")
    assert {error["pointer"]: error.get("suggestion") for error in told.json()["errors"]} == {
        "/Kind": "Scr",
        "/Copper": "much",
        "/Suction": "1,5",
        "/Drier": None,
    }
    for body in ([ROW], {**ROW, "Technician": 2**60}):
        told = await shop.post("/v1/classifications", json=body, headers=IN_FORM)
        assert told.status_code == 422


async def test_leniently_what_is_wrong_is_left_out_under_its_own_name(shop):
    row = {**ROW, "Copper": "mch"}
    headers = {**IN_FORM, "Prefer": "handling=lenient"}
    told = await shop.post("/v1/classifications", json=row, headers=headers)
    assert told.status_code == 201
    [left] = told.json()["left_out"]
    assert (left["pointer"], left["sent"], left["suggestion"]) == ("/Copper", '"mch"', "much")
    record = (await shop.get(told.headers["Location"])).json()
    assert record["own_words"]["sent"] == row
    assert "copper_plating" not in record["case"]["observations"]
    assert (await shop.post(f"{told.headers['Location']}/replay")).json()["result"] == "identical"


@pytest.mark.parametrize("profile", ["Form!", "none", ""])
async def test_a_profile_that_is_none_is_refused_by_name(shop, profile):
    told = await shop.post("/v1/classifications", json=ROW, headers={"Content-Profile": profile})
    assert (told.status_code, told.json()["errors"][0]["pointer"]) == (400, "Content-Profile")


async def test_a_retry_is_known_by_the_words_whatever_the_crosswalk_has_come_to_say(fresh, ours):
    await fresh.put("/v1/crosswalks/form", json=FORM, headers=NEW)
    await fresh.put("/v1/crosswalks/twin", json=FORM, headers=NEW)
    key = {"Idempotency-Key": "wo-7"}
    first = await fresh.post("/v1/classifications", json=ROW, headers=IN_FORM | key)
    later = msgspec.json.decode(msgspec.json.encode(FORM))
    later["inbound"]["members"]["Copper"]["words"]["much"] = "light"
    await fresh.put("/v1/crosswalks/form", json=later, headers={"If-Match": "*"})

    again = await fresh.post("/v1/classifications", json=ROW, headers=IN_FORM | key)
    assert (again.status_code, again.content) == (200, first.content)
    assert again.headers["Answer-Repeated"] == "true"
    for body, headers in (
        ({**ROW, "Copper": "some"}, IN_FORM),
        (ROW, {"Content-Profile": "twin"}),
        (ours, {}),
    ):
        told = await fresh.post("/v1/classifications", json=body, headers=headers | key)
        assert (told.status_code, told.json()["type"]) == (422, "/problems/key_reused")
    assert (await fresh.get(first.headers["Location"])).json()["own_words"]["version"] == 1


async def test_answers_carry_the_clients_codes_beside_what_is_recorded(shop, ours):
    key = {"Idempotency-Key": "coded-1"}
    plain = await shop.post("/v1/classifications", json=ours, headers=key)
    coded = await shop.post("/v1/classifications?crosswalk=form", json=ours, headers=key)

    assert coded.status_code == 200
    assert coded.content.startswith(plain.content[:-1])
    codes = coded.json()["crosswalk"]
    assert (codes["name"], codes["version"], codes["cause"]) == ("form", 1, {"shop": "W-07", "reason": 31})
    assert all(code is None for code in codes["contributing"].values())
    record = await shop.get(f"{plain.headers['Location']}?crosswalk=form")
    assert record.json()["crosswalk"] == codes
    assert record.json()["answer"] == plain.json()
    assert "crosswalk" not in (await shop.get(plain.headers["Location"])).json()
    preview = await shop.post("/v1/classifications/preview?crosswalk=form", json=ours)
    assert preview.json()["crosswalk"]["cause"] == codes["cause"]
    page = await shop.get(f"{plain.headers['Location']}?crosswalk=form", headers={"Accept": "text/html"})
    assert page.status_code == 400


async def test_a_cause_without_a_code_says_so(shop):
    bare = {"unit": {"compressor_type": "scroll", "motor": "three_phase"}}
    told = await shop.post("/v1/classifications/preview?crosswalk=form", json=bare)
    assert (told.status_code, told.json()["crosswalk"]["cause"]) == (200, None)


async def test_what_a_crosswalk_lacks_is_refused_by_name(shop, case):
    await shop.put("/v1/crosswalks/codes", json={"outbound": {"moisture": "W"}}, headers=NEW)
    await shop.put("/v1/crosswalks/words", json={"inbound": FORM["inbound"]}, headers=NEW)
    for query, headers, place in (
        ("?crosswalk=words", {}, "crosswalk"),
        ("?crosswalk=none", {}, "crosswalk"),
        ("?crosswalk=No!", {}, "crosswalk"),
        ("", {"Content-Profile": "codes"}, "Content-Profile"),
    ):
        told = await shop.post(f"/v1/classifications{query}", json=case, headers=headers)
        assert (told.status_code, told.json()["errors"][0]["pointer"]) == (400, place)
