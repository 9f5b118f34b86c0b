"""The case form over HTTP, as a browser without scripts sends it: asked, answered, recorded once."""

import asyncio
import html
import re
from html.parser import HTMLParser
from typing import Any

import httpx
import msgspec
import pytest

from coldcase.errors import OutcomeUnknown, StoreAway
from coldcase.shipped import demo_cases
from coldcase.web.pages.case_form import form_from_case
from tests.web.test_case_fields import signs_of
from tests.web.test_sessions import log_in

pytestmark = pytest.mark.anyio

HOSTILE = '"><script>alert(1)</script>\u202e=cmd'


class Fields(HTMLParser):
    """What a browser would send of the form on a page, and the page's words."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.sent: list[tuple[str, str]] = []
        self.buttons: list[str] = []
        self._select: str | None = None
        self._first: str | None = None
        self._chosen: str | None = None
        self._area: str | None = None
        self.text = text
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        own = {name: value or "" for name, value in attrs}
        if tag == "input" and "name" in own:
            if own.get("type") not in ("radio", "checkbox") or "checked" in own:
                self.sent.append((own["name"], own.get("value", "")))
        elif tag == "select":
            self._select, self._first, self._chosen = own["name"], None, None
        elif tag == "option":
            self._first = own["value"] if self._first is None else self._first
            self._chosen = own["value"] if "selected" in own else self._chosen
        elif tag == "textarea":
            self._area = own["name"]
        elif tag == "button":
            self.buttons.append(own.get("value", ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "select" and self._select:
            self.sent.append((self._select, (self._first or "") if self._chosen is None else self._chosen))

    def handle_data(self, data: str) -> None:
        if self._area:
            self.sent.append((self._area, data))
            self._area = None

    def values(self, name: str) -> list[str]:
        return [value for each, value in self.sent if each == name]

    def with_(self, *fields: tuple[str, str]) -> list[tuple[str, str]]:
        """The fields with some ticked or filled in otherwise."""
        names = {name for name, _ in fields}
        kept = [(name, value) for name, value in self.sent if name not in names or name in ("can", "point")]
        return [*kept, *fields]


async def send(
    caller: httpx.AsyncClient, fields: list[tuple[str, str]], done: str = "look"
) -> httpx.Response:
    body = httpx.QueryParams([*fields, ("do", done)])
    return await caller.post(
        "/case",
        content=str(body),
        headers={"Content-Type": "application/x-www-form-urlencoded", "Accept": "text/html"},
    )


async def begun(caller: httpx.AsyncClient) -> Fields:
    answered = await caller.get("/case", headers={"Accept": "text/html"})
    assert answered.status_code == 200, answered.text
    return Fields(answered.text)


def said(case: dict[str, Any]) -> list[tuple[str, str]]:
    return [(name, text) for name, texts in form_from_case(case, signs_of).items() for text in texts]


async def test_an_untouched_form_says_nothing_of_the_machine(caller):
    form = await begun(caller)

    assert form.values("unit.motor") == ["unknown"]
    assert len(form.values("shown")) == 3
    assert '"observations"' not in html.unescape(form.text)
    assert "Nothing was said yet" in form.text


async def test_an_answer_brings_other_questions_and_stays_where_it_is(caller):
    form = await begun(caller)
    first = form.values("shown")[0]
    outcome = re.search(rf'name="o\.{first}" value="([a-z_]+)"', form.text)
    answered = Fields((await send(caller, form.with_((f"o.{first}", outcome[1])))).text)

    assert answered.values("shown")[0] == first
    assert answered.values(f"o.{first}") == [outcome[1]]
    assert len(answered.values("shown")) == 4
    further = Fields((await send(caller, answered.sent, "next")).text)
    assert first not in further.values("shown")
    assert set(answered.values("shown")[1:]) == set(further.values("passed"))
    assert further.values(f"o.{first}") == [outcome[1]]


async def test_what_was_passed_over_is_not_asked_again_and_can_be_gone_back_to(caller):
    form = await begun(caller)
    first = form.values("shown")[0]
    after = Fields((await send(caller, form.sent, f"pass.{first}")).text)

    assert (after.values("passed"), first in after.values("shown")) == ([first], False)
    back = Fields((await send(caller, after.with_(("point", first)))).text)
    assert back.values("shown")[0] == first


async def test_only_what_can_be_done_now_is_asked(caller):
    form = await begun(caller)
    fields = [(name, value) for name, value in form.sent if name != "can"]
    asked = Fields((await send(caller, [*fields, ("can", "ask")])).text)
    table = {row["code"]: row["effort"] for row in (await caller.get("/v1/vocabulary")).json()["findings"]}

    assert {table[code] for code in asked.values("shown")} == {"ask"}


async def test_station_by_station_holds_every_finding_that_this_machine_can_have(caller):
    form = await begun(caller)
    machine = form.with_(("unit.motor", "single_phase"), ("unit.compressor_type", "scroll"))
    whole = (await send(caller, machine, "all")).text

    asked = set(re.findall(r'<fieldset class="question" id="q-([a-z_]+)"', whole))
    vocabulary = (await caller.get("/v1/vocabulary")).json()["findings"]
    possible = {
        row["code"]
        for row in vocabulary
        if row["succeeded_by"] is None
        and "single_phase" in (row["gate"].get("motors") or ["single_phase"])
        and "single_phase" in (row["gate"].get("connections") or ["single_phase"])
        and "scroll" in (row["gate"].get("compressor_types") or ["scroll"])
    }
    assert asked == possible
    names = [value for name, value in Fields(whole).sent if name.startswith("o.") and value]
    assert names == []


@pytest.mark.parametrize("name", demo_cases())
async def test_a_form_records_the_very_case_that_a_client_sends(caller, name):
    case = demo_cases()[name].case
    form = await begun(caller)
    recorded = await send(caller, form.with_(*said(case)), "record")
    assert recorded.status_code == 303, Fields(recorded.text).text[-3000:]

    kept = (await caller.get(recorded.headers["Location"], headers={"Accept": "application/json"})).json()
    sent = await caller.post(
        "/v1/classifications", json=kept["case"], headers={"Idempotency-Key": form.values("key")[0]}
    )
    assert (sent.status_code, sent.json()["id"]) == (200, kept["id"])
    own = (await caller.post("/v1/classifications", json=case)).json()
    same = ("cause", "status", "confidence", "ranking", "rationale", "against", "derived", "notes", "actions")
    assert {member: own[member] for member in same} == {member: kept["answer"][member] for member in same}


async def test_a_form_sent_twice_at_once_is_recorded_once(caller):
    form = await begun(caller)
    fields = form.with_(*said(demo_cases()["1-water-in-the-cream-room"].case))
    before = await caller.service.count("decision")
    answers = await asyncio.gather(*(send(caller, fields, "record") for _ in range(4)))

    assert {each.status_code for each in answers} == {303}
    assert len({each.headers["Location"] for each in answers}) == 1
    assert await caller.service.count("decision") == before + 1


async def test_a_recorded_form_that_is_changed_is_not_recorded_in_its_place(caller):
    form = await begun(caller)
    assert (await send(caller, form.with_(("job.ref", "TH-1")), "record")).status_code == 303
    refused = await send(caller, form.with_(("job.ref", "TH-2")), "record")

    assert refused.status_code == 422
    assert "Make it a case of its own" in refused.text
    again = Fields((await send(caller, Fields(refused.text).sent, "again")).text)
    assert again.values("key") != form.values("key")
    assert (await send(caller, again.sent, "record")).status_code == 303


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("oil_results.water_mg_kg", "0,05", "The decimals stand after a point, not after a comma: 0.05."),
        ("readings.suction_pressure", "a lot", "Write a number"),
        ("readings.line_voltages_v", "401 396 x", "three of them with blanks between"),
        ("job.ref", "\x01", "no control"),
        ("readings.suction_temperature", "-400", ""),
        ("unit.installed_at", "soon", "as 2026-03-02"),
        ("e.0.caption", "no link", "required"),
        ("o.copper_plating", "golden", "has no outcome"),
        ("unit.motor", "steam", "steam"),
    ],
)
async def test_what_is_wrong_is_said_beside_its_field_and_nothing_is_lost(caller, name, text, words):
    form = await begun(caller)
    fields = form.with_((name, text), ("unit.ref", "B-2"), ("o.oil_colour", "brown"))
    refused = await send(caller, fields, "record")

    assert refused.status_code == 422
    place = "e.0.uri" if name.startswith("e.") else name
    flaw = re.search(rf'id="flaw-{re.escape(place)}"[^>]*>([^<]*)', refused.text)
    assert flaw, refused.text
    assert flaw[1]
    assert words in html.unescape(flaw[1])
    assert Fields(refused.text).values("unit.ref") == ["B-2"]
    assert Fields(refused.text).values("o.oil_colour") == ["brown"]
    if name != "o.copper_plating":
        assert text in Fields(refused.text).values(name)


async def test_a_record_that_is_away_keeps_what_was_filled_in(caller, monkeypatch):
    form = await begun(caller)
    fields = form.with_(*said(demo_cases()["6-start-relay-of-the-shop-cabinet"].case))

    async def away(*_: Any, **__: Any) -> None:
        raise StoreAway

    async def lost(*_: Any, **__: Any) -> None:
        raise OutcomeUnknown

    recorder = caller.service.app.state.services.recorder
    for trouble in (away, lost):
        with monkeypatch.context() as broken:
            broken.setattr(recorder, "record", trouble)
            answered = await send(caller, fields, "record")
        assert answered.status_code == 503
        assert answered.headers["Retry-After"]
        assert "What you filled in is all still here" in answered.text
        kept = Fields(answered.text)
        assert (kept.values("key"), kept.values("job.ref")) == (form.values("key"), ["TH-1215"])
    assert (await send(caller, kept.sent, "record")).status_code == 303


async def test_whatever_is_typed_is_shown_harmless(caller):
    form = await begun(caller)
    free = ("job.ref", "job.note", "unit.make", "e.0.caption", "o.oil_colour.since", "supersedes")
    fields = form.with_(*((name, HOSTILE) for name in free), ("o.oil_colour", "brown"), ("o.<b>", "<b>"))
    for done in ("look", "all", "record"):
        text = (await send(caller, fields, done)).text
        assert "<script>alert" not in text
        assert "<b>&lt;" not in text
        assert html.escape(HOSTILE, quote=True).replace("&quot;", "&#34;").replace("&#x27;", "&#39;") in text


async def test_a_key_that_only_looks_records_nothing(service):
    looker = await service.caller("preview")
    form = await begun(looker)

    assert "record" not in form.buttons
    assert (await send(looker, form.sent, "look")).status_code == 200
    assert (await send(looker, form.sent, "record")).status_code == 403


async def test_a_key_that_may_not_read_is_told_what_was_recorded(service):
    writer = await service.caller("decisions:write")
    form = await begun(writer)
    told = await send(writer, form.with_(*said(demo_cases()["2-liquid-in-the-blast-freezer"].case)), "record")

    assert told.status_code == 200
    assert "Recorded" in told.text
    assert "Liquid" in told.text


async def test_a_recorded_case_is_completed_in_a_form_of_its_own(caller, service):
    case = demo_cases()["1-water-in-the-cream-room"].case
    first = (await caller.post("/v1/classifications", json=case)).json()["id"]
    report = await caller.get(f"/v1/decisions/{first}", headers={"Accept": "text/html"})
    assert f'href="/case?supersedes={first}"' in report.text
    shown = await caller.get(f"/case?supersedes={first}", headers={"Accept": "text/html"})
    form = Fields(shown.text)
    assert form.values("o.copper_plating") == ["heavy"]
    recorded = await send(caller, form.with_(("oil_results.acid_number_mg_koh_g", "0.9")), "record")

    kept = (await caller.get(recorded.headers["Location"], headers={"Accept": "application/json"})).json()
    assert kept["case"] == {
        **case,
        "supersedes": first,
        "oil_results": {**case["oil_results"], "acid_number_mg_koh_g": 0.9},
    }
    report = await caller.get(f"/v1/decisions/{first}", headers={"Accept": "text/html"})
    assert "/case?supersedes=" not in report.text
    other = await service.caller(client="Lee Shore")
    refused = await other.get(f"/case?supersedes={first}", headers={"Accept": "text/html"})
    assert refused.status_code == 404


@pytest.mark.parametrize("body", ["%ff", "a" * 70_000, "&".join(f"x{n}=" for n in range(3000)), "x=é"])
async def test_a_form_that_is_none_is_refused(caller, body):
    answered = await caller.post(
        "/case", content=body.encode(), headers={"Content-Type": "application/x-www-form-urlencoded"}
    )
    assert answered.status_code in (400, 413)


async def test_a_form_that_is_rubbish_is_shown_again(caller):
    fields = [
        ("o.x.y.z", "1"),
        ("o.", "2"),
        ("shown", "nothing"),
        ("key", "x" * 300),
        ("how", "?"),
        ("e.99.uri", "x"),
    ]
    answered = await send(caller, fields, "pass.nothing")

    assert answered.status_code == 200
    shown = re.search(r'id="json"[^>]*><bdi>([^<]*)', answered.text)[1]
    assert msgspec.json.decode(html.unescape(shown)) is not None


async def test_a_form_from_another_site_records_nothing(service):
    secret, _ = await service.key()
    browser, _ = await log_in(service, secret)
    form = await begun(browser)
    (token,) = set(form.values("form_token"))
    fields = [(name, value) for name, value in form.sent if name != "form_token"]
    before = await service.count("decision")

    assert (await send(browser, fields, "record")).status_code == 403
    assert (await send(browser, [*fields, ("form_token", token[::-1])], "record")).status_code == 403
    assert await service.count("decision") == before
    assert (await send(browser, [*fields, ("form_token", token)], "record")).status_code == 303
