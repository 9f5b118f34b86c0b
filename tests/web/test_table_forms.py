"""What is done to rule tables from their pages by a form: backtests started and cancelled, remarks answered
and settled, a comparison shared."""

import asyncio
import re

import pytest

from tests.web.drafting import as_person, decide, draft, problem
from tests.web.test_remarks import ROW, remark
from tests.web.test_sessions import log_in
from tests.web.test_table_pages import post_form, seen, text_of
from tests.web.worked_off import running_service

pytestmark = pytest.mark.anyio


@pytest.fixture(scope="module")
async def own(make_database, _migrated):
    """A service that works off nothing by itself."""
    async with running_service(make_database(_migrated), backtests="off") as running:
        yield running


@pytest.fixture(scope="module")
async def author(own):
    return await as_person(own, "bench-1")


@pytest.fixture(scope="module")
async def reader(own):
    return await as_person(own, "reader", "tables:read", "tables:approve")


async def press(caller, path):
    """A button alone."""
    return await caller.post(path, headers={"Content-Type": "application/x-www-form-urlencoded"})


async def test_a_backtest_is_started_and_cancelled_by_a_form(author, reader):
    place, _ = await draft(author)
    version = place.rpartition("/")[2]
    page = await seen(author, f"/tables/{version}/backtests")
    assert f'action="/tables/{version}/backtests"' in page
    assert "<form" not in (await seen(reader, f"/tables/{version}/backtests")).split("<main")[1]

    begun = await post_form(author, f"/tables/{version}/backtests", on="decisions", sample="20")
    assert begun.status_code == 303, begun.text
    address = begun.headers["Location"]
    assert address.startswith("/backtests/")
    shown = (await author.get(f"/v1{address}")).json()
    assert (shown["state"], shown["sample"], shown["library"]) == ("waiting", 20, None)
    assert shown["rule_table"]["version"] == int(version)
    assert "Cancel it" not in await seen(reader, address)
    assert "Cancel it" in await seen(author, address)

    ended = await press(author, f"{address}/cancel")
    assert (ended.status_code, ended.headers["Location"]) == (303, address)
    assert "was cancelled" in text_of(await seen(author, address))
    assert "Cancel it" not in await seen(author, address)
    assert problem(await press(author, f"{address}/cancel")) == (409, "wrong_state")


async def test_a_backtest_form_sent_twice_at_once_starts_one(author):
    page = await seen(author, "/tables/1/backtests")
    key = re.search(r'name="key" value="([^"]+)"', page)
    assert key is not None
    sent = {"on": "worked", "key": key[1]}
    both = await asyncio.gather(*(post_form(author, "/tables/1/backtests", **sent) for _ in range(2)))
    assert [one.status_code for one in both] == [303, 303]
    assert both[0].headers["Location"] == both[1].headers["Location"]
    assert key[1] not in await seen(author, "/tables/1/backtests")
    await press(author, f"{both[0].headers['Location']}/cancel")


async def test_a_library_is_taken_whole(author):
    begun = await post_form(author, "/tables/1/backtests", on="worked", sample="20")
    shown = (await author.get(f"/v1{begun.headers['Location']}")).json()
    assert (shown["library"], shown["sample"]) == ("worked", None)
    assert (await press(author, f"{begun.headers['Location']}/cancel")).status_code == 303


async def test_forms_want_the_scope_and_say_what_they_do_not_take(author, reader):
    assert problem(await post_form(reader, "/tables/1/backtests", on="worked")) == (403, "scope_missing")
    assert problem(await post_form(author, "/tables/1/backtests", on="everything")) == (400, "bad_request")
    assert problem(await post_form(author, "/tables/77/backtests", on="worked")) == (404, "not_found")
    flawed, _ = await draft(author, {"base_rates": {"moisture": None}})
    begun = await post_form(author, f"/tables/{flawed.rpartition('/')[2]}/backtests", on="worked")
    assert problem(begun) == (422, "bad_rule_table")
    made = (await remark(reader)).headers["Location"].rpartition("/")[2]
    answered = await post_form(reader, f"/tables/1/remarks/{made}", answer="Yes.")
    assert problem(answered) == (403, "scope_missing")


async def test_a_browser_sends_the_form_s_token(own):
    secret, _ = await own.key("tables:read", "tables:draft", person="bench-1")
    browser, _ = await log_in(own, secret)
    page = (await browser.get("/tables/1/backtests")).text
    token = re.search(r'name="form_token" value="([^"]+)"', page.split("<main")[1])[1]
    without = await browser.post("/tables/1/backtests", data={"on": "worked"})
    assert without.status_code == 403
    begun = await browser.post("/tables/1/backtests", data={"on": "worked", "form_token": token})
    assert begun.status_code == 303, begun.text
    cancel = await browser.post(f"{begun.headers['Location']}/cancel", data={"form_token": token})
    assert cancel.status_code == 303


async def test_a_remark_is_answered_and_settled_by_a_form(author, reader):
    made = (await remark(reader)).headers["Location"]
    path = f"/tables/1/remarks/{made.rpartition('/')[2]}"
    settling, _ = await draft(author, ROW)
    same, _ = await draft(author)
    assert f'action="{path}"' in await seen(author, "/tables/1/remarks")
    assert "Answer or settle it" not in await seen(reader, "/tables/1/remarks")

    answered = await post_form(author, path, answer="It was\r\nmeasured so.", settled_by="")
    assert (answered.status_code, answered.headers["Location"]) == (
        303,
        f"/tables/1/remarks#remark-{path.rpartition('/')[2]}",
    )
    shown = (await author.get(made)).json()
    assert (shown["state"], shown["answer"]) == ("answered", "It was\nmeasured so.")

    for fields, says in (
        ({"answer": " "}, "Say something to it"),
        ({"settled_by": "the next"}, "named by its number"),
        ({"settled_by": same.rpartition("/")[2], "answer": "Kept <as typed>"}, "it settles nothing"),
        ({"answer": "x" * 2001}, "length"),
    ):
        refused = await post_form(author, path, **fields)
        assert refused.status_code == 422, refused.text
        assert says in text_of(refused.text)
        assert refused.text.count('aria-invalid="true"') == 1
    assert (
        "Kept &lt;as typed&gt;"
        in (await post_form(author, path, settled_by=same.rpartition("/")[2], answer="Kept <as typed>")).text
    )

    await post_form(author, path, settled_by=settling.rpartition("/")[2])
    assert (await author.get(made)).json()["state"] == "settled"
    unknown = "/tables/1/remarks/0198a0a0-0000-7000-8000-000000000000"
    assert problem(await post_form(author, unknown, answer="Yes.")) == (404, "not_found")
    for place in (settling, same):
        await decide(await as_person(author.service, "bench-2"), place, "withdraw")


async def test_a_comparison_leads_to_the_form_that_shares_it(own, author):
    place, _ = await draft(author, ROW)
    version = place.rpartition("/")[2]
    secret, _ = await own.key("tables:read", "tables:draft", person="bench-1")
    browser, _ = await log_in(own, secret)
    page = (await browser.get(f"{place}/diff", headers={"Accept": "text/html"})).text
    form = re.search(rf'href="(/tables/{version}/links\?against=1)"', page)[1]
    assert 'name="against" type="number" min="1" value="1"' in (await browser.get(form)).text
    # Whoever has the link is shown the comparison, and no way to share it on.
    made = await author.post(f"/v1/rule-tables/{version}/links", json={"against": 1})
    shared = (await own.http().get(made.json()["path"])).text
    assert "Copper plating" in shared
    assert "Share this comparison" not in shared
