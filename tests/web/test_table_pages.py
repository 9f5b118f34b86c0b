"""The rule table for people: every row has its page, in words, with what was disputed of it."""

import re
from html import unescape

import msgspec
import pytest

from coldcase.core.rule_table import Retired
from coldcase.shipped import starter_table
from tests.web.drafting import draft, problem

pytestmark = pytest.mark.anyio
BROWSER = {"Accept": "text/html"}


@pytest.fixture
async def reader(service):
    return await service.caller("tables:read")


def text_of(page: str) -> str:
    """What a reader sees, in one line."""
    shown = re.sub(r"<(style|title|desc)[^>]*>.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", shown)).split())


async def seen(caller, path: str) -> str:
    answered = await caller.get(path, headers=BROWSER)
    assert answered.status_code == 200, answered.text
    assert answered.headers["Content-Type"].startswith("text/html")
    assert answered.headers["Cache-Control"] == "private, no-store"
    return answered.text


async def test_every_row_of_the_table_has_a_page_and_no_link_leads_nowhere(reader):
    table = starter_table()
    rows = {f"/tables/1/causes/{code}" for code in table.causes}
    rows |= {f"/tables/1/findings/{code}" for code in (*table.findings, *table.patterns)}
    others = {
        "/tables",
        "/tables/1",
        "/tables/1/links",
        "/tables/1/limits",
        "/tables/1/remarks",
        "/tables/1/remarks/new",
    }
    linked = set()
    # Every tenth: all of them take a minute, and are alike.
    for path in ("/tables", "/tables/1", "/tables/1/limits", "/tables/1/remarks", *sorted(rows)[::10]):
        found = re.findall(r'href="(/tables[^"#?]*)', await seen(reader, path))
        linked |= set(found)
        assert set(found) <= rows | others, path
    assert rows | others <= linked


async def test_every_anchor_that_a_page_links_to_is_there(reader):
    """Two clicks from a sentence to its row: the row has to be there."""
    for path in (
        "/tables/1",
        "/tables/1/causes/moisture",
        "/tables/1/findings/lab_water",
        "/tables/1/limits",
    ):
        for place, anchor in set(re.findall(r'href="(/tables/1[^"#?]*)?#([^"]+)"', await seen(reader, path))):
            assert f'id="{anchor}"' in await seen(reader, place or path), (path, place, anchor)


async def test_a_cause_tells_its_signs_as_natural_frequencies(reader):
    shown = text_of(await seen(reader, "/tables/1/causes/moisture"))
    table = starter_table()
    assert (
        "Copper plating on steel parts : heavy. Of 100 failures from this cause about 32 show it, "
        "of 100 others about 2.5: about 13 times as often."
    ) in shown
    assert all(step.step in shown for step in table.causes["moisture"].chain)
    assert all(action.text in shown and action.basis in shown for action in table.causes["moisture"].actions)
    assert all(row.check in shown for row in table.causes["moisture"].contrast)
    assert not re.search(r"\bdB\b|deciban|_", shown.replace("/causes/moisture", ""))


async def test_a_finding_has_each_outcome_drawn_and_every_row_in_numbers(reader):
    row = starter_table().findings["copper_plating"]
    page = await seen(reader, "/tables/1/findings/copper_plating?cause=moisture")
    shown = text_of(page)
    assert page.count('role="img"') == len(row.outcomes)
    assert all(outcome.title in shown and outcome.definition in shown for outcome in row.outcomes)
    for cause, shares in row.per_hundred.items():
        cells = re.search(rf'<tr id="row-{cause}".*?</tr>', page, re.DOTALL)[0]
        assert [float(one) for one in re.findall(r'number">([\d.]+)<', cells)] == pytest.approx(
            shares, abs=0.5
        )
    assert 'id="row-moisture" class="marked"' in page
    assert row.basis in shown
    assert all(f'id="{outcome.code}"' in page for outcome in row.outcomes)


async def test_rows_for_some_machines_stand_beside_the_general_ones(reader):
    shown = text_of(await seen(reader, "/tables/1/findings/valve_hold_test"))
    assert "Instead of these on" in shown


async def test_each_limit_stands_under_its_place_with_what_it_rests_on(reader):
    page = await seen(reader, "/tables/1/limits")
    shown = text_of(page)
    for place, limit in enumerate(starter_table().limits):
        assert f'id="limit-{place}"' in page
        assert " ".join(limit.basis.split()) in shown


async def test_a_finding_that_is_no_longer_asked_leads_to_the_one_that_is(reader):
    page = await seen(reader, "/tables/1/findings/bearing_pattern")
    assert "No longer asked" in page
    assert 'href="/tables/1/findings/bearing_spread"' in page


async def test_a_renamed_code_leads_on_and_a_retired_one_is_told(own, author):
    rows = [
        Retired(kind="cause", code="wet", renamed_to="moisture"),
        Retired(kind="finding", code="plating", renamed_to="copper_plating"),
        Retired(kind="cause", code="curse"),
    ]
    place, _ = await draft(author, {"retired": msgspec.to_builtins(rows)})
    version = place.rpartition("/")[2]
    for asked, leads in (("causes/wet", "causes/moisture"), ("findings/plating", "findings/copper_plating")):
        answered = await author.get(f"/tables/{version}/{asked}", headers=BROWSER)
        assert (answered.status_code, answered.headers["Location"]) == (303, f"/tables/{version}/{leads}")
    assert "No longer there" in await seen(author, f"/tables/{version}/causes/curse")


async def test_drafts_are_for_those_who_make_or_approve_them(own, author):
    place, _ = await draft(author)
    version = place.rpartition("/")[2]
    reader = await own.caller("tables:read")
    assert f"/tables/{version}" not in await seen(reader, "/tables")
    for path in ("", "/causes/moisture", "/findings/copper_plating", "/limits", "/remarks"):
        answered = await reader.get(f"/tables/{version}{path}")
        assert problem(answered) == (403, "scope_missing")
    assert "A draft." in await seen(author, f"/tables/{version}")
    assert "drafted" in await seen(author, f"/tables/{version}")


@pytest.mark.parametrize(
    "path",
    [
        "/tables/99",
        "/tables/x",
        "/tables/1/causes/nothing",
        "/tables/1/findings/nothing",
        "/tables/1/remarks/new?pointer=/causes/nothing",
    ],
)
async def test_what_is_not_there_is_not_found(reader, path):
    assert problem(await reader.get(path)) == (404, "not_found")


async def test_pages_want_the_scope(service):
    other = await service.caller("decisions:read")
    for path in ("/tables", "/tables/1", "/tables/1/causes/moisture", "/tables/1/limits"):
        assert problem(await other.get(path)) == (403, "scope_missing")


async def post_form(caller, path, **fields):
    return await caller.post(path, data=fields)


async def test_a_remark_is_made_with_a_form_and_shown_beside_its_row(own):
    reader = await own.caller("tables:read")
    pointer = "/findings/copper_plating/per_hundred/moisture"
    form = await seen(reader, f"/tables/1/remarks/new?pointer={pointer}")
    assert "32 of 100" in text_of(form)
    key = re.search(r'name="key" value="([^"]+)"', form)[1]
    said = "Of 14, five.\n<script>alert(1)</script>"
    sent = {"pointer": pointer, "text": said.replace("\n", "\r\n"), "proposal": "20, 45 35", "key": key}
    made = await post_form(reader, "/tables/1/remarks", **sent)
    assert made.status_code == 303, made.text
    place, anchor = made.headers["Location"].split("#")
    page = await seen(reader, place)
    assert f'id="{anchor}"' in page
    assert "<script" not in page
    assert "Of 14, five." in page
    assert "20, 45, 35" in page
    assert "Open" in text_of(page)

    again = await post_form(reader, "/tables/1/remarks", **sent)
    assert again.headers["Location"] == made.headers["Location"]
    listed = (await reader.get("/v1/rule-tables/1/remarks")).json()["items"]
    assert [(one["text"], one["proposal"]) for one in listed] == [(said, [20, 45, 35])]
    assert "on Copper plating on steel parts: Water in the refrigerant circuit" in text_of(
        await seen(reader, "/tables/1/remarks")
    )


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"text": ""}, "Say why"),
        ({"text": "  "}, "Say why"),
        ({"proposal": "many"}, "Numbers alone"),
        ({"proposal": "1 2"}, "Here stand 3 numbers"),
        ({"proposal": "1 2 inf"}, "Numbers that end"),
        ({"decision": "no decision"}, "decision"),
        ({"decision": "0198d1a0-0000-7000-8000-000000000000"}, "There is no such decision"),
    ],
)
async def test_a_form_with_a_flaw_comes_back_with_what_was_typed(reader, fields, says):
    sent = {"pointer": "/findings/copper_plating/per_hundred/moisture", "text": "Typed & kept", **fields}
    answered = await post_form(reader, "/tables/1/remarks", **sent)
    assert answered.status_code == 422
    assert says in text_of(answered.text)
    assert 'aria-invalid="true"' in answered.text
    if fields.get("text") is None:
        assert "Typed &amp; kept" in answered.text


async def test_a_remark_wants_a_place_that_is_there(reader):
    answered = await post_form(reader, "/tables/1/remarks", pointer="/causes/nothing", text="x")
    assert problem(answered) == (404, "not_found")
    assert problem(await reader.get("/tables/1/remarks/new")) == (404, "not_found")


async def test_current_leads_to_the_version_that_answers(reader):
    answered = await reader.get("/tables/current", headers=BROWSER)
    assert (answered.status_code, answered.headers["Location"]) == (303, "/tables/1")


FLAWED = {
    "findings": {
        "copper_plating": {
            "per_hundred": {"moisture": [1], "nobody": [1, 2, 3, 4]},
            "background": [],
            "group": "no_group",
            "station": "no_station",
            "succeeded_by": "nothing",
            "supersedes": ["nothing"],
        }
    },
    "causes": {
        "moisture": {
            "family": "no_family",
            "contrast": [{"against": "nobody", "check": "x"}],
            "chain": [{"step": "x", "seen_as": {"nothing": ["never"], "rust_inside": []}}],
        }
    },
    "limits": [{"quantity": "nothing", "finding": "nothing", "bands": [], "basis": "x"}],
    "links": [{"cause": "nobody", "leads_to": "moisture", "basis": "x"}],
    "patterns": {"acid_from_this_burn": {"when": {}, "per_hundred": {"nobody": 3}, "subsumes": ["nothing"]}},
    "base_rates": {"moisture": None},
}


async def test_a_flawed_draft_is_shown_as_it_is(own, author):
    place, _ = await draft(author, FLAWED)
    assert (await author.get(f"{place}/check")).json()["flaws"]
    version = place.rpartition("/")[2]
    for path in (
        "",
        "/causes/moisture",
        "/findings/copper_plating?cause=nobody",
        "/findings/acid_from_this_burn",
        "/limits",
        "/remarks",
        "/remarks/new?pointer=/findings/copper_plating",
        "/remarks/new?pointer=/limits/0",
        "/remarks/new?pointer=/findings/copper_plating/per_hundred/nobody",
    ):
        await seen(author, f"/tables/{version}{path}")
    await seen(author, f"{place}/diff")
