"""The report for people: words, frequencies, what superseded it, and whatever was typed into a field."""

import asyncio
import re

import pytest
from markupsafe import escape

from coldcase.cli import main
from tests.web.conftest import EVERY_SCOPE

pytestmark = pytest.mark.anyio


@pytest.fixture(scope="module")
async def clerk(service):
    return await service.caller(*EVERY_SCOPE, client="Report Store")


async def test_the_report_says_it_in_words_and_never_in_the_engines_measure(clerk, case):
    case["readings"] = {"suction_superheat": {"value": 4, "unit": "K"}}
    answer = (await clerk.post("/v1/classifications", json=case)).json()
    thin = (await clerk.post("/v1/classifications", json={"unit": case["unit"]})).json()

    for each in (answer, thin):
        page = (await clerk.get(f"/v1/decisions/{each['id']}", headers={"Accept": "text/html"})).text
        shown = re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.DOTALL)
        assert not re.search(r"deciban|\bdB\b|100 of 100| support\b", shown)
        assert not re.search(r"\b[a-z]+_[a-z_]+\b", shown), "a code"
        assert "style=" not in page


async def test_the_report_says_of_each_sign_how_often_it_is_seen_and_where_its_row_is(clerk, case):
    answer = (await clerk.post("/v1/classifications", json=case)).json()
    page = (await clerk.get(f"/v1/decisions/{answer['id']}", headers={"Accept": "text/html"})).text

    for row in (*answer["rationale"], *answer["against"]):
        if row["counted"]:
            here, elsewhere = re.search(
                r"about ([\d.]+) show it, .* about ([\d.]+)\.", row["sentence"]
            ).groups()
            assert f"of 100 from this cause, about <strong>{here}</strong>" in page
            assert f"of 100 others, about <strong>{elsewhere}</strong>" in page
            if row["source"] != "pattern":
                assert f"/tables/1/findings/{row['finding']}?cause={answer['cause']}" in page
    assert page.count("So far ") == 1


async def test_a_figure_leads_to_the_limit_that_judged_it(clerk, case):
    case["oil_results"] = {"water_mg_kg": 310}
    answer = (await clerk.post("/v1/classifications", json=case)).json()
    page = (await clerk.get(f"/v1/decisions/{answer['id']}", headers={"Accept": "text/html"})).text
    table = (await clerk.get("/v1/rule-tables/1")).json()["content"]

    (row,) = [row for row in answer["derived"] if row["quantity"] == "water_mg_kg" and row["limit"]]
    place = int(re.search(r'/tables/1/limits#limit-(\d+)"', page)[1])
    limit = table["limits"][place]
    assert (limit["quantity"], limit["finding"], limit["basis"]) == tuple(
        row[name] for name in ("quantity", "finding", "basis")
    )
    assert f'id="limit-{place}"' in (await clerk.get("/tables/1/limits")).text


async def test_superseding_and_superseded_reports_name_each_other(clerk, case):
    first = (await clerk.post("/v1/classifications", json=case)).json()["id"]
    second = (await clerk.post("/v1/classifications", json={**case, "supersedes": first})).json()["id"]

    old = (await clerk.get(f"/v1/decisions/{first}", headers={"Accept": "text/html"})).text
    new = (await clerk.get(f"/v1/decisions/{second}", headers={"Accept": "text/html"})).text
    assert "no longer stands.</strong> It was superseded" in old
    assert f'href="/v1/decisions/{second}"' in old
    assert "It supersedes decision" in new
    assert f'href="/v1/decisions/{first}"' in new


async def test_the_command_writes_the_same_report_without_a_key_and_without_links(
    own, service_database, case, capsys
):
    caller = await own.caller(*EVERY_SCOPE)
    id_ = (await caller.post("/v1/classifications", json=case)).json()["id"]
    shown = await caller.get(f"/v1/decisions/{id_}", headers={"Accept": "text/html"})

    flags = ["--database-url", service_database.service_url]
    assert await asyncio.to_thread(main, ["report", id_, *flags], {}) == 0
    page = capsys.readouterr().out.partition("<!doctype html>")[2].partition("</html>")[0]
    assert "<a " not in page
    # It may have come under a seal meanwhile.
    assert words_of(shown.text) - words_of(page) <= {"<!doctype", "none", "yet", "number", ","}

    nobody = "0198c0de-0000-7000-8000-000000000000"
    assert await asyncio.to_thread(main, ["report", nobody, *flags], {}) == 1
    assert await asyncio.to_thread(main, ["report", "TH-1184", *flags], {}) == 2
    assert capsys.readouterr().out == ""


def words_of(page):
    aside = r'<style>.*?</style>|<header.*?</header>|<a class="s(?:kip|creen)".*?</a>|<[^>]*>'
    body = re.sub(aside, " ", page, flags=re.DOTALL)
    return set(body.split())


HOSTILE = (
    '<script>alert("x")</script>',
    "<img src=x onerror=alert(1)>",
    '"><style>*{display:none}</style>',
    "=cmd|' /C calc'!A0",
    "{{ 7 * 7 }}",
    "\u0645\u0631\u062d\u0628\u0627 (fitter)",
)


@pytest.mark.parametrize("text", HOSTILE)
async def test_whatever_is_typed_into_a_field_is_shown_as_text(service, case, text):
    caller = await service.caller(*EVERY_SCOPE, "verdicts:write", client="Odd Store")
    case["job"] |= {"ref": text, "site": text, "note": text, "circuit": text}
    case["unit"] |= {"ref": text, "make": text, "model": text, "serial": text, "refrigerant": text}
    case["observations"]["drier_signs"] = {
        "seen": ["wet"],
        "since": text,
        "disputed_by": {"outcome": "black_or_acid", "by": text},
    }
    case["evidence"] = [
        {"uri": "javascript:alert(1)", "caption": text},
        {"uri": "https://files.example/x.jpg", "caption": text, "finding": "copper_plating"},
    ]
    earlier = (await caller.post("/v1/classifications", json=case)).json()["id"]
    case["job"]["closed_at"] = "2026-04-02T16:40:00Z"
    id_ = (await caller.post("/v1/classifications", json=case)).json()["id"]
    given = {"cause": "moisture", "basis": "field", "note": text, "established_by": text}
    assert (await caller.post(f"/v1/decisions/{id_}/verdicts", json=given)).status_code == 201
    link = (await caller.post(f"/v1/decisions/{id_}/links", json={})).json()["path"]

    pages = [
        await caller.get(f"/v1/decisions/{id_}", headers={"Accept": "text/html"}),
        await service.http().get(link),
        await caller.get("/decisions"),
    ]
    for page in pages:
        assert page.status_code == 200
        assert str(escape(text)) in page.text
        assert text not in page.text or str(escape(text)) == text
        assert 'href="javascript:' not in page.text
        # Nothing that was typed stands outside an element that keeps its direction to itself, but in the
        # page's title and in fields of forms.
        body = re.sub(
            r"<title>.*?</title>|<option[^>]*>.*?</option>|<input[^>]*>", "", page.text, flags=re.DOTALL
        )
        for place in re.finditer(re.escape(str(escape(text))), body):
            assert body[: place.start()].rfind("<bdi>") > body[: place.start()].rfind("</bdi>")
    assert earlier in pages[0].text
