"""Rule tables, backtests, figures and training in a real browser, with something on each."""

import time

import pytest

from coldcase.feedback.training import shipped_cases
from tests.browser.looking import barriers, check_page, nothing
from tests.browser.site import places

ROW = "/findings/copper_plating/per_hundred/moisture"
PAGES = [
    "tables",
    "table",
    "table-cause",
    "table-finding",
    "table-signs",
    "table-machines",
    "table-pattern",
    "table-limits",
    "table-remarks",
    "table-dispute",
    "table-backtests",
    "figures",
    "training",
    "training-case",
]


@pytest.fixture(scope="module")
def told(site):
    """The site with a remark, verdicts and a backtest that has ended; the backtest's path for people."""
    with site.api() as api:
        said = {"pointer": ROW, "text": "Of 14 wet circuits five showed it.", "proposal": [20, 45, 35]}
        assert api.post("/v1/rule-tables/1/remarks", json=said).status_code == 201
        for name, id_ in site.decisions.items():
            cause = "moisture" if name.startswith("1-") else "surge"
            given = api.post(f"/v1/decisions/{id_}/verdicts", json={"cause": cause, "basis": "teardown"})
            assert given.status_code == 201, given.text
        drafted = api.post("/v1/rule-tables", json={"based_on": 1, "note": "Plating <counts> less"})
        place, tag = drafted.headers["Location"], drafted.headers["ETag"]
        row = {"findings": {"copper_plating": {"per_hundred": {"moisture": [80, 15, 5]}}}}
        edited = api.patch(
            f"{place}/content",
            json=row,
            headers={"If-Match": tag, "Content-Type": "application/merge-patch+json"},
        )
        assert edited.status_code == 200, edited.text
        started = api.post(f"{place}/backtests", json={"library": "worked"})
        assert started.status_code == 201, started.text
        return place, finished(api, started.headers["Location"])


def finished(api, path):
    for _ in range(900):
        if api.get(path).json()["state"] == "finished":
            return path.removeprefix("/v1")
        time.sleep(0.1)
    return pytest.fail("the backtest does not end")


@pytest.mark.parametrize("name", PAGES)
def test_a_page_of_rules_or_figures_keeps_to_itself(page, site, told, name):
    check_page(page, places(site)[name])


def test_a_backtest_and_a_comparison_keep_to_themselves(page, told):
    place, backtest = told
    check_page(page, backtest)
    assert page.get_by_role("heading", name="Look at these first").is_visible()
    check_page(page, f"{place}/diff")
    assert "Copper plating on steel parts" in page.locator("main").inner_text()


def test_a_row_is_two_clicks_from_a_cause_and_can_be_disputed_by_keyboard(plain_page):
    page = plain_page
    page.goto("/tables/1/causes/moisture")
    page.locator("#signs + p + ul").get_by_role("link", name="Copper plating on steel parts").first.click()
    page.locator("#row-moisture").get_by_role("link", name="Dispute").press("Enter")
    page.get_by_label("What is wrong").focus()
    page.keyboard.type("Our circuits say otherwise.")
    page.keyboard.press("Tab")
    page.keyboard.type("20 45 x")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "Numbers alone" in page.locator("main").inner_text()
    assert page.get_by_label("What is wrong").input_value() == "Our circuits say otherwise."
    page.get_by_label("What should stand there").fill("20 45 35")
    page.keyboard.press("Enter")
    page.wait_for_url("**/tables/1/findings/copper_plating#remark-*")
    shown = page.locator(":target").inner_text()
    assert "Our circuits say otherwise." in shown
    assert "20, 45, 35" in shown


def test_a_sentence_of_a_report_is_two_clicks_from_the_row_behind_it(page, site):
    page.goto(f"/v1/decisions/{site.decisions['1-water-in-the-cream-room']}")
    page.locator("main").get_by_role("link", name="Copper plating on steel parts").first.click()
    page.wait_for_url("**/tables/1/findings/copper_plating?cause=moisture*")
    assert "Water in the refrigerant circuit" in page.locator("tr.marked").inner_text()


def test_a_trainee_answers_by_keyboard_and_then_sees_what_it_was(page):
    name, of = next(iter(shipped_cases().items()))
    page.goto(f"/training/{name}")
    page.get_by_label("The cause that began it").select_option("flooded_start")
    page.get_by_label("What would you look at next").select_option("nothing_more")
    page.get_by_role("button", name="Say it").press("Enter")
    page.wait_for_url(f"**/training/{name}/answer")
    assert of.title in page.locator("main").inner_text()
    nothing(barriers(page), "after the answer")
    check_page(page, f"/training/{name}/answer")
    check_page(page, "/training")


def test_figures_can_be_filtered_without_scripts(plain_page, told):
    page = plain_page
    page.goto("/figures")
    page.get_by_role("textbox", name="Circuit").fill("creamery/rack-B")
    page.get_by_role("button", name="Show").click()
    assert "1 decision on creamery/rack-B" in page.locator("main").inner_text()
    page.get_by_label("From").fill("2031-01-01")
    page.get_by_role("button", name="Show").click()
    assert "No decision of yours matches." in page.locator("main").inner_text()


def test_a_form_from_elsewhere_changes_nothing(page, site):
    """Cross-site, and without the token of the session."""
    page.goto("/tables/1/remarks/new?pointer=" + ROW)
    page.locator('main input[name="form_token"]').evaluate("field => field.value = 'made-up'")
    page.get_by_label("What is wrong").fill("Forged")
    with page.expect_response("**/tables/1/remarks") as answered:
        page.get_by_role("button", name="Put it on record").click()
    assert answered.value.status == 403
    with site.api() as api:
        listed = api.get("/v1/rule-tables/1/remarks").json()["items"]
    assert "Forged" not in [one["text"] for one in listed]
