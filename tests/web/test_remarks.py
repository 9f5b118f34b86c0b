"""A row, a limit or a text of a rule table is disputed, answered, settled by a draft, and shown where tables
are compared."""

import asyncio
import json

import pytest

from tests.web.drafting import EVERYTHING, MERGE, as_person, decide, draft, problem

pytestmark = pytest.mark.anyio

WET = "/findings/copper_plating/per_hundred/moisture"
DISPUTED = {"pointer": WET, "text": "Of 14 wet circuits 5 showed it.", "proposal": [20, 45, 35]}
ROW = {"findings": {"copper_plating": {"per_hundred": {"moisture": [20, 45, 35]}}}}


async def remark(who, version=1, *, key=None, **members):
    headers = {} if key is None else {"Idempotency-Key": key}
    return await who.post(f"/v1/rule-tables/{version}/remarks", json={**DISPUTED, **members}, headers=headers)


async def step(who, place, **members):
    return await who.patch(place, content=json.dumps(members), headers=MERGE)


async def test_disputed_answered_settled_and_open_again_where_the_draft_is_withdrawn(own, author, approver):
    reader = await as_person(own, "reader", "tables:read")
    made = await remark(reader)
    assert made.status_code == 201, made.text
    place = made.headers["Location"]
    shown = made.json()
    assert shown | {"id": None, "created_at": None, "rule_table": None} == {
        "id": None,
        "rule_table": None,
        "pointer": WET,
        "text": DISPUTED["text"],
        "proposal": [20, 45, 35],
        "decision": None,
        "client": "Tern Haven",
        "person": "reader",
        "created_at": None,
        "state": "open",
        "answer": None,
        "settled_by": None,
        "steps": [],
    }
    assert (await reader.get(place)).json() == shown
    assert problem(await step(reader, place, answer="Yes.")) == (403, "scope_missing")

    answered = await step(author, place, answer="We look at it.")
    assert (answered.json()["state"], answered.json()["answer"]) == ("answered", "We look at it.")
    draft_place, tag = await draft(author)
    nothing = await step(author, place, settled_by=2)
    assert problem(nothing) == (422, "bad_table_request")
    assert "settles nothing" in nothing.json()["errors"][0]["detail"]
    await author.patch(f"{draft_place}/content", content=json.dumps(ROW), headers={**MERGE, "If-Match": tag})
    settled = (await step(author, place, settled_by=2)).json()
    assert (settled["state"], settled["settled_by"], settled["answer"]) == ("settled", 2, "We look at it.")
    assert [one["kind"] for one in settled["steps"]] == ["answered", "settled"]
    assert [one["person"] for one in settled["steps"]] == ["bench-1", "bench-1"]

    assert (await decide(approver, draft_place, "withdraw")).status_code == 200
    again = (await reader.get(place)).json()
    assert (again["state"], again["settled_by"]) == ("answered", None)
    assert problem(await step(author, place, settled_by=2)) == (409, "wrong_state")

    auditor = await as_person(own, "auditor", "audit:read", "decisions:read:all")
    events = (await auditor.get("/v1/audit-events", params={"subject": "1"})).json()["items"]
    told = [event for event in reversed(events) if "remark" in event["action"]]
    assert [event["action"].removeprefix("rule_table.") for event in told] == [
        "remarked",
        "remark_answered",
        "remark_settled",
    ]
    assert {(event["details"]["client"], event["details"]["pointer"]) for event in told} == {
        ("Tern Haven", WET)
    }
    assert len({event["details"]["sha256"] for event in told}) == 3
    assert told[0]["person"] == "reader"


@pytest.mark.parametrize(
    ("members", "place", "detail", "suggestion"),
    [
        (
            {"pointer": "/findings/copper_platin"},
            "/pointer",
            "has no 'copper_platin'",
            "/findings/copper_plating",
        ),
        ({"pointer": "/limits/9999"}, "/pointer", "it has no place '9999'", None),
        ({"pointer": "/temperature/x"}, "/pointer", "single value", None),
        ({"pointer": "/a~2b"}, "/pointer", "no JSON pointer", None),
        ({"pointer": ""}, "/pointer", "", None),
        ({"text": ""}, "/text", "", None),
        ({"proposal": 2**60}, "/proposal", "no canonical text", None),
        ({"decision": "0198a0a0-0000-7000-8000-000000000000"}, "/decision", "no such decision", None),
        ({"colour": "blue"}, "/colour", "no member", None),
    ],
)
async def test_what_cannot_be_disputed_is_named(caller, members, place, detail, suggestion):
    answered = await remark(caller, **members)
    assert problem(answered) == (422, "bad_table_request")
    [flaw] = answered.json()["errors"]
    assert (flaw["pointer"], flaw.get("suggestion")) == (place, suggestion)
    assert detail in flaw["detail"]


async def test_remarks_are_listed_and_filtered_page_by_page(own, author):
    for pointer in (WET, "/findings/copper_plating", "/causes/moisture/title", "/limits/0"):
        made = await remark(author, pointer=pointer)
    await step(author, made.headers["Location"], answer="It is measured so.")

    async def pointers(**query):
        listed = await author.get("/v1/rule-tables/1/remarks", params=query)
        assert listed.status_code == 200, listed.text
        return [one["pointer"] for one in listed.json()["items"]], listed

    assert (await pointers())[0] == ["/limits/0", "/causes/moisture/title", "/findings/copper_plating", WET]
    assert (await pointers(state="answered"))[0] == ["/limits/0"]
    assert len((await pointers(state="open"))[0]) == 3
    assert (await pointers(state="settled"))[0] == []
    assert (await pointers(pointer="/findings/copper_plating"))[0] == ["/findings/copper_plating", WET]
    assert (await pointers(pointer="/findings/copper"))[0] == []
    first, page = await pointers(limit=3)
    following = page.headers["Link"].partition(">")[0].removeprefix("<")
    rest = (await author.get(following)).json()
    assert [*first, *(one["pointer"] for one in rest["items"])][-1] == WET
    assert rest["next"] is None
    assert problem(await author.get("/v1/rule-tables/1/remarks?state=closed")) == (400, "bad_request")
    assert problem(await author.get("/v1/rule-tables/77/remarks")) == (404, "not_found")


async def test_the_same_key_makes_one_remark(author):
    answers = await asyncio.gather(*(remark(author, key="note-1") for _ in range(3)))
    assert sorted(one.status_code for one in answers) == [200, 200, 201]
    assert len({one.content for one in answers}) == 1
    assert {one.headers["Location"] for one in answers} == {answers[0].headers["Location"]}
    assert [one.headers.get("Answer-Repeated") for one in answers].count("true") == 2
    assert problem(await remark(author, key="note-1", text="Otherwise.")) == (422, "key_reused")
    sent = {"json": {"based_on": 1}, "headers": {"Idempotency-Key": "note-1"}}
    assert problem(await author.post("/v1/rule-tables", **sent)) == (422, "key_reused")
    assert (await author.get("/v1/rule-tables/1/remarks")).json()["items"][1:] == []


async def test_a_key_gives_the_first_answer_whatever_became_of_the_remark(author):
    first = await remark(author, key="note-1")
    await step(author, first.headers["Location"], answer="It is measured so.")
    again = await remark(author, key="note-1")
    assert (again.status_code, again.content) == (200, first.content)
    assert (await author.get(first.headers["Location"])).json()["state"] == "answered"


async def test_a_decision_is_evidence_for_its_own_client(own, author, case):
    clerk = await as_person(own, "clerk", "decisions:write", "tables:read")
    id_ = (await clerk.post("/v1/classifications", json=case)).json()["id"]
    made = await remark(clerk, decision=id_)
    assert made.json()["decision"] == id_
    stranger = await own.caller("tables:read", client="Butter Store")
    assert problem(await remark(stranger, decision=id_)) == (422, "bad_table_request")
    seen = (await stranger.get(made.headers["Location"])).json()
    assert (seen["text"], seen["decision"], seen["client"], seen["person"]) == (
        DISPUTED["text"],
        None,
        None,
        None,
    )


async def test_a_draft_is_disputed_by_who_may_see_it(own, author):
    place, _ = await draft(author)
    reader = await as_person(own, "reader", "tables:read")
    assert problem(await remark(reader, 2)) == (403, "scope_missing")
    made = await remark(author, 2)
    assert made.status_code == 201
    assert problem(await reader.get(made.headers["Location"])) == (403, "scope_missing")
    assert problem(await reader.get(f"{place}/remarks")) == (403, "scope_missing")
    id_ = made.headers["Location"].rpartition("/")[2]
    assert problem(await author.get(f"/v1/rule-tables/1/remarks/{id_}")) == (404, "not_found")


@pytest.mark.parametrize(
    "members", [{}, {"answer": None}, {"answer": ""}, {"settled_by": 0}, {"state": "settled"}]
)
async def test_a_step_that_is_none_is_refused(author, members):
    place = (await remark(author)).headers["Location"]
    assert problem(await step(author, place, **members)) == (422, "bad_table_request")


async def test_the_difference_shows_what_is_said_of_it_in_each_form(own, author):
    settled = (await remark(author)).headers["Location"]
    await remark(author, pointer="/findings/copper_plating/title", text="Which <steel>?", proposal=None)
    await remark(author, pointer="/limits/0")
    plating = {"title": "Copper <on> steel", **ROW["findings"]["copper_plating"]}
    place, _ = await draft(author, {"findings": {"copper_plating": plating}})
    await step(author, settled, settled_by=2)

    compared = (await author.get(f"{place}/diff")).json()["remarks"]
    assert [one["pointer"] for one in compared["settles"]] == [WET]
    assert compared["unsettled"] == []
    assert [one["pointer"] for one in compared["touches"]] == ["/findings/copper_plating/title"]
    told = (await author.get(f"{place}/diff", headers={"Accept": "text/plain"})).text
    assert f"remarks that it settles\n  {WET}: {DISPUTED['text']}" in told

    page = await author.get(f"{place}/diff", headers={"Accept": "text/html"})
    assert page.headers["Content-Type"] == "text/html; charset=utf-8"
    assert "<h2>Remarks that it settles</h2>" in page.text
    assert "Which &lt;steel&gt;?" in page.text
    assert "Copper &lt;on&gt; steel" in page.text
    assert '<th scope="col">Before</th>' in page.text
    assert page.text.count("<caption>") == len((await author.get(f"{place}/diff")).json()["diff"]["stations"])
    assert "<script" not in page.text

    tag = (await author.get(place)).headers["ETag"]
    first = (await author.get("/v1/rule-tables/1")).json()["content"]
    await author.put(f"{place}/content", json=first, headers={"If-Match": tag})
    again = (await author.get(f"{place}/diff")).json()
    assert again["remarks"]["unsettled"] == [compared["settles"][0]["id"]]
    page = await author.get(f"{place}/diff", headers={"Accept": "text/html"})
    assert "Nothing differs." in page.text
    assert "says again what was disputed" in page.text
    reader = await own.caller(*EVERYTHING, client="Butter Store")
    assert "bench-1" not in (await reader.get(f"{place}/diff", headers={"Accept": "text/html"})).text
