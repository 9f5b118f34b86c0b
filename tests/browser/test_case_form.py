"""The case form in a real browser: by keyboard alone, with and without scripts, with the service away."""

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from coldcase.shipped import demo_cases
from coldcase.web.pages.trade_names import trade_name
from tests.browser.looking import DESK, PHONE, SIGHTS, barriers, check_page, lost_on_paper, sideways, watch
from tests.browser.site import Site
from tests.core.tables import compiled_starter

MOST_TABS = 900
SAID: dict[str, dict[str, str | list[str]]] = {
    "1-water-in-the-cream-room": {
        "oil_body": ["stays_milky"],
        "copper_plating": "heavy",
        "drier_signs": ["wet"],
        "circuit_opened": "recently",
        "solids_found": [],
    },
    "2-liquid-in-the-blast-freezer": {
        "bearing_surface_signs": ["bright_washed"],
        "frost_on_compressor": "present",
        "feed_signs": ["overfeeding"],
        "sump_warmth": "cold",
        "noise_signs": ["knock_running"],
        "oil_body": ["thin", "gassy"],
    },
    "3-one-line-lost-at-the-harbour": {
        "burn_signs": ["two_groups"],
        "open_line_signs": ["fuse_blown"],
        "rotor_signs": [],
        "bearing_surface_signs": [],
    },
    "4-oil-left-in-the-butter-store": {
        "bearing_surface_signs": ["blued_dry"],
        "oil_tide_mark": "well_below",
        "shaft_turns": "stuck",
        "burn_signs": [],
    },
    "5-backwards-at-the-tank": {
        "phase_rotation": "reversed",
        "under_power": ["does_not_pump"],
        "compression_ratio": "low",
    },
    "6-start-relay-of-the-shop-cabinet": {
        "burn_signs": ["start_winding"],
        "start_gear_signs": ["wrong_part"],
        "bearing_surface_signs": [],
    },
    "7-nothing-wrong-at-the-dairy-office": {
        "internal_protector": "open_hot_closed_cold",
        "winding_resistance": "as_plate",
        "under_power": ["runs_within_limits"],
        "condenser_signs": ["fan_or_pump_failed"],
    },
}
"""What a person at the demo case's machine would say, in the words of the questions that are asked today: an
outcome, or the signs that were seen, all others looked for and not there.
"""


DRAFTS = "() => Object.values(localStorage).join()"


class Keyboard:
    """A person who has a keyboard and nothing else."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def reach(self, css: str) -> None:
        """Tabs on until the focus is there."""
        for _ in range(MOST_TABS):
            if self.page.evaluate("css => document.activeElement.matches(css)", css):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"the keyboard does not get to {css}")

    def press(self, css: str, key: str = "Space") -> None:
        self.reach(css)
        self.page.keyboard.press(key)

    def choose(self, name: str, value: str) -> None:
        """An option of a group of radio buttons, by its arrows."""
        self.reach(f'[name="{name}"]')
        for _ in range(40):
            if self.page.evaluate("() => document.activeElement.value") == value:
                return
            self.page.keyboard.press("ArrowDown")
        raise AssertionError(f"{name} has no {value}")

    def point_at(self, code: str) -> None:
        """Opens the list and its station, and ticks a title."""
        for place in ("#pointing", f'details.station:has([name=point][value="{code}"])'):
            if not self.page.locator(place).first.evaluate("one => one.open"):
                self.press(f"{place} > summary", "Enter")
        self.press(f'[name=point][value="{code}"]')

    def answer(self, code: str, said: str | list[str]) -> None:
        if isinstance(said, str):
            self.choose(f"o.{code}", said)
            return
        for sign in said:
            self.press(f'[name="o.{code}.seen"][value="{sign}"]')
        if not said:
            self.press(f'[name="o.{code}.rest"]')


def recorded(site: Site, path: str) -> Any:
    """What a program is told at a path."""
    with site.api() as api:
        return api.get(path).json()


def settled(page: Page) -> None:
    """Waits until the page has heard of what was ticked last."""
    expect(page.locator("#case:not([data-waiting])")).to_be_attached()
    expect(page.locator("#say")).to_be_empty()


def open_questions(page: Page) -> list[str]:
    found = page.locator("#questions fieldset.question:has(button.pass)")
    return [id_.removeprefix("q-") for id_ in found.evaluate_all("all => all.map(one => one.id)")]


@pytest.mark.parametrize("name", SAID)
def test_a_demo_case_is_entered_by_keyboard_alone_within_twelve_questions(page, site, name):
    seen = watch(page)
    case, said = demo_cases()[name].case, {**SAID[name]}
    cause = recorded(site, f"/v1/decisions/{site.decisions[name]}")["answer"]["cause"]
    title = trade_name(cause, compiled_starter())
    person = Keyboard(page)
    page.goto("/case")
    person.choose("unit.compressor_type", case["unit"]["compressor_type"])
    person.choose("unit.motor", case["unit"]["motor"])
    for code in said:
        person.point_at(code)
    settled(page)
    count = 1
    while title not in page.locator("#line").inner_text():
        asked = open_questions(page)[0]
        count += 1
        assert count <= 12, page.locator("#line").inner_text()
        if asked in said:
            person.answer(asked, said.pop(asked))
        else:
            person.press(f'button[value="pass.{asked}"]', "Enter")
        settled(page)
    for code in [code for code in open_questions(page) if code in said]:
        person.answer(code, said.pop(code))
    settled(page)
    assert seen == []
    person.press('button[value="record"]', "Enter")
    page.wait_for_url("**/decisions/*")
    kept = recorded(site, f"/v1/decisions/{page.url.rpartition('/')[2]}")
    assert kept["answer"]["ranking"][0]["cause"] == cause
    assert page.evaluate("() => Object.keys(localStorage)") == []


def test_the_form_keeps_to_itself_and_anybody_can_read_it(page):
    check_page(page, "/case")


def filled_in(page: Page) -> None:
    """A form half filled in, with something wrong in it."""
    page.goto("/case")
    page.locator('[name="unit.compressor_type"][value=scroll]').check()
    page.locator('[name="unit.motor"][value=three_phase]').check()
    page.get_by_label("Find by a word").fill("plating")
    page.get_by_label("Copper plating").check()
    page.locator('[name="o.copper_plating"][value=heavy]').check()
    page.locator("#p-oil_results > summary, #q-lab_water").first.click()
    page.locator('[name="oil_results.density_kg_l"]').fill("0,98")
    page.keyboard.press("Tab")
    page.locator("#p-job > summary").click()
    page.get_by_label("Job or work order").fill("TH-77")
    page.keyboard.press("Tab")
    settled(page)


def test_a_form_that_is_filled_in_can_be_read_by_anybody_too(page):
    seen = watch(page)
    filled_in(page)
    expect(page.locator('[id="flaw-oil_results.density_kg_l"]')).to_contain_text("after a point")
    for size, scheme in SIGHTS:
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=scheme)
        assert barriers(page) == []
        assert sideways(page) == []
    assert lost_on_paper(page) == []
    page.set_viewport_size(PHONE)
    page.get_by_role("button", name="Go station by station").click()
    expect(page.get_by_role("button", name="Ask me what decides most")).to_be_visible()
    assert barriers(page) == []
    assert sideways(page) == []
    assert page.locator('[name="o.copper_plating"][value=heavy]').is_checked()
    assert seen == []


def test_a_draft_stays_in_the_browser_until_the_case_is_recorded(page, site):
    filled_in(page)
    kept = page.evaluate(DRAFTS)
    assert kept.count("TH-77") == 1
    assert "form_token" not in kept
    assert site.secret not in kept
    key = page.locator("[name=key]").get_attribute("value")

    page.goto("/case")
    page.get_by_role("button", name="Go on with it").click()
    expect(page.locator('[name="job.ref"]')).to_have_value("TH-77")
    expect(page.locator("[name=key]")).to_have_value(key)
    page.locator('[name="oil_results.density_kg_l"]').evaluate("one => { one.value = '0.98'; }")
    page.get_by_role("button", name="Record the case").dblclick()
    page.wait_for_url("**/decisions/*")
    assert len(recorded(site, "/v1/decisions?job_ref=TH-77")["items"]) == 1
    assert page.evaluate("() => Object.keys(localStorage)") == []

    filled_in(page)
    page.goto("/case")
    page.get_by_role("button", name="Throw it away").click()
    assert page.evaluate("() => Object.keys(localStorage)") == []


def test_with_the_service_away_nothing_is_lost_and_it_is_said(page, site):
    filled_in(page)
    page.locator('[name="oil_results.density_kg_l"]').fill("0.98")
    page.context.set_offline(True)
    page.get_by_label("Job or work order").fill("TH-78")
    page.keyboard.press("Tab")
    expect(page.locator("#say")).to_contain_text("cannot be reached")
    page.get_by_role("button", name="Record the case").click()
    expect(page.locator("#say")).to_contain_text("not known whether")
    assert page.locator('[name="job.ref"]').input_value() == "TH-78"
    assert "TH-78" in page.evaluate(DRAFTS)

    page.context.set_offline(False)
    page.get_by_role("button", name="Record the case").click()
    page.wait_for_url("**/decisions/*")
    assert len(recorded(site, "/v1/decisions?job_ref=TH-78")["items"]) == 1


def test_a_question_in_which_somebody_types_stays_the_very_field(page):
    page.goto("/case")
    page.set_viewport_size(DESK)
    first = page.locator("#questions input").first
    first.evaluate("one => { one.form.dataset.mark = '1'; one.dataset.mark = 'mine'; one.focus(); }")
    page.keyboard.press("ArrowDown")
    settled(page)
    assert page.locator("#questions input").first.get_attribute("data-mark") == "mine"
    assert page.evaluate("() => document.activeElement.closest('#questions') !== null")


def test_what_was_pointed_at_and_cannot_be_told_after_all_is_not_asked_again(page):
    page.goto("/case")
    page.get_by_label("Find by a word").fill("plating")
    page.get_by_label("Copper plating").check()
    expect(page.locator("#q-copper_plating")).to_be_visible()
    page.locator("#q-copper_plating").get_by_role("button", name="Cannot tell").press("Enter")
    expect(page.locator("#q-copper_plating")).to_have_count(0)
    assert page.evaluate("() => document.activeElement.matches('#questions .question')")
    assert not page.get_by_label("Copper plating").is_checked()
    page.locator("#questions input").first.press("ArrowDown")
    settled(page)
    assert page.locator("#q-copper_plating").count() == 0


def test_a_reading_typed_under_a_question_stays_where_it_goes(page):
    page.goto("/case")
    page.get_by_label("Find by a word").fill("superheat")
    page.locator('[name=point][value="suction_superheat"]').check()
    expect(page.locator("#q-suction_superheat")).to_be_visible()
    page.locator('[name="readings.suction_pressure"]').fill("2.8")
    page.locator('[name="readings.suction_temperature"]').fill("5")
    settled(page)
    page.get_by_role("button", name="Next questions").click()
    expect(page.locator("#q-suction_superheat")).to_have_count(0)
    assert page.locator('[name="readings.suction_pressure"]').count() == 1
    assert page.locator('[name="readings.suction_pressure"]').input_value() == "2.8"
    assert page.locator('[name="readings.suction_temperature"]').input_value() == "5"


def test_every_finding_is_there_station_by_station_and_weighed_as_it_is_ticked(page):
    seen = watch(page)
    page.goto("/case")
    page.get_by_role("button", name="Go station by station").click()
    expect(page.get_by_role("button", name="Ask me what decides most")).to_be_visible()
    page.locator("details.station > summary", has_text="Oil laboratory").click()
    page.locator('[name="oil_results.water_mg_kg"]').fill("0,3")
    page.keyboard.press("Tab")
    expect(page.locator('[id="flaw-oil_results.water_mg_kg"]')).to_contain_text("after a point")
    page.locator('[name="oil_results.water_mg_kg"]').fill("310")
    page.keyboard.press("Tab")
    expect(page.locator("#line")).to_contain_text("Moisture")
    expect(page.locator('[id="flaw-oil_results.water_mg_kg"]')).to_have_count(0)
    expect(page.locator("details.station > summary", has_text="Oil laboratory")).to_contain_text("(1 of")
    assert seen == []


def test_a_part_of_the_case_stays_while_somebody_fills_it_in(page):
    page.goto("/case")
    page.locator("#p-readings > summary").click()
    inputs = page.locator("#p-readings input[type=text]")
    names = inputs.evaluate_all("all => all.slice(0, 8).map(one => one.name)")
    for name in names:
        field = page.locator(f'#p-readings [name="{name}"]')
        field.fill("21")
        field.press("Tab")
        settled(page)
        assert page.evaluate("() => document.activeElement.closest('#p-readings') !== null")
    page.locator('[name="unit.motor"][value=three_phase]').check()
    settled(page)
    for name in names:
        assert page.locator(f'[name="{name}"]').count() == 1
        assert page.locator(f'[name="{name}"]').input_value() == "21"


def test_drafts_are_kept_apart_and_for_whoever_made_them(page):
    for job in ("TH-80", "TH-81"):
        page.goto("/case")
        page.locator("#p-job > summary").click()
        page.get_by_label("Job or work order").fill(job)
        page.keyboard.press("Tab")
        settled(page)
    page.goto("/case")
    assert page.locator("#drafts li bdi").all_inner_texts() == ["TH-81", "TH-80"]
    page.get_by_role("button", name="Throw it away").first.click()
    assert page.locator("#drafts li bdi").all_inner_texts() == ["TH-80"]
    page.evaluate(
        "() => { for (const name of Object.keys(localStorage)) "
        "localStorage[name] = localStorage[name].replace('bench-1', 'bench-2'); }"
    )
    page.reload()
    expect(page.locator("#drafts")).to_be_hidden()


def test_who_is_logged_out_meanwhile_is_told_and_loses_nothing(page):
    filled_in(page)
    page.context.clear_cookies()
    page.get_by_label("Job or work order").fill("TH-82")
    page.keyboard.press("Tab")
    expect(page.locator("#say")).to_contain_text("logged out")
    page.get_by_role("button", name="Record the case").click()
    expect(page.locator("#say")).to_contain_text("Not recorded")
    assert page.locator('[name="job.ref"]').input_value() == "TH-82"
    assert "TH-82" in page.evaluate(DRAFTS)


def test_photographs_are_kept_by_link(page, site):
    page.goto("/case")
    page.locator("#exhibits > summary").click()
    page.locator('[name="e.0.uri"]').fill("https://files.example/th-79/plating.jpg")
    page.locator('[name="e.0.caption"]').fill("thrust face")
    page.get_by_role("button", name="One more").click()
    page.locator('[name="e.1.uri"]').fill("https://files.example/th-79/oil.jpg")
    page.get_by_role("button", name="Record the case").click()
    page.wait_for_url("**/decisions/*")
    kept = recorded(site, f"/v1/decisions/{page.url.rpartition('/')[2]}")
    assert [row["uri"].rpartition("/")[2] for row in kept["case"]["evidence"]] == ["plating.jpg", "oil.jpg"]


def test_without_scripts_enter_in_a_field_presses_nothing_that_it_should_not(plain_page):
    plain_page.goto("/case")
    asked = plain_page.locator("#questions fieldset.question").evaluate_all("all => all.map(one => one.id)")
    plain_page.locator("#p-job > summary").click()
    plain_page.get_by_label("Job or work order").press("Enter")
    plain_page.wait_for_load_state()
    assert plain_page.url.endswith("/case#asked")
    assert (
        plain_page.locator("#questions fieldset.question").evaluate_all("all => all.map(one => one.id)")
        == asked
    )


def test_without_scripts_the_same_case_is_asked_for_and_recorded(plain_page, site):
    page = plain_page
    page.goto("/case")
    page.locator('[name="unit.compressor_type"][value=scroll]').check()
    page.locator('[name="unit.motor"][value=three_phase]').check()
    page.locator('details.station:has([value="copper_plating"]) > summary').click()
    page.locator('[name=point][value="copper_plating"]').check()
    page.get_by_role("button", name="Next questions").click()
    page.locator('[name="o.copper_plating"][value=heavy]').check()
    page.get_by_role("button", name="Next questions").click()
    assert "Water" in page.locator("#answer").inner_text()
    page.locator("#put-away > summary").click()
    assert page.locator('[name="o.copper_plating"][value=heavy]').is_checked()
    page.get_by_role("button", name="Record the case").click()
    page.wait_for_url("**/decisions/*")
    kept = recorded(site, f"/v1/decisions/{page.url.rpartition('/')[2]}")
    assert kept["case"]["observations"] == {"copper_plating": "heavy"}
