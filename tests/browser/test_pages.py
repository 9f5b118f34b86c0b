"""Every page in a real browser."""

import subprocess
import sys

import pytest

from coldcase.shipped import demo_cases
from tests.browser.looking import barriers, check_page, lost_on_paper, watch
from tests.browser.site import log_in, places

REPORTS = [f"report-{name}" for name in demo_cases()]


@pytest.mark.parametrize("name", ["home", "reports", "links", *REPORTS])
def test_a_page_keeps_to_itself_and_anybody_can_read_it(page, site, name):
    check_page(page, places(site)[name])


def test_the_login_page_is_for_everybody_and_leads_on(stranger, site):
    check_page(stranger, "/login?next=/decisions")
    stranger.goto("/decisions?status=coded")
    stranger.get_by_label("Key").fill("cc_nobody")
    stranger.keyboard.press("Enter")
    assert "opens nothing" in stranger.get_by_role("alert").inner_text()
    stranger.get_by_label("Key").fill(site.secret)
    stranger.keyboard.press("Enter")
    stranger.wait_for_url("**/decisions?status=coded")


def test_logging_out_shuts_the_door(stranger, site):
    log_in(stranger, site)
    stranger.get_by_role("button", name="Log out").click()
    stranger.wait_for_url("**/login")
    stranger.goto("/decisions")
    assert stranger.url.endswith("/login?next=%2Fdecisions")


def test_a_problem_is_told_in_words(page):
    page.goto("/decisions?from=yesterday")
    assert page.get_by_role("heading", level=1).inner_text().startswith("The HTTP message")
    assert barriers(page) == []


def test_the_keyboard_finds_the_content_first(page):
    page.goto("/decisions")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_a_report_is_shared_and_the_link_revoked(page, stranger, site):
    id_ = site.decisions["3-one-line-lost-at-the-harbour"]
    page.goto(f"/v1/decisions/{id_}")
    page.get_by_role("link", name="Share").click()
    page.get_by_label("Days until it ends").fill("3")
    page.get_by_role("button", name="Make a link").click()
    address = page.locator("ul.links code").first.inner_text()
    check_page(stranger, address)
    assert stranger.get_by_role("heading", level=1).inner_text() == "Single phasing"
    assert stranger.locator("a").count() == 0

    page.get_by_role("button", name="Revoke").first.click()
    page.wait_for_load_state()
    stranger.goto(address)
    assert "has ended" in stranger.locator("main").inner_text()


def test_a_report_is_whole_without_scripts_and_as_a_file(plain_page, stranger, site, tmp_path):
    id_ = site.decisions["1-water-in-the-cream-room"]
    plain_page.goto(f"/v1/decisions/{id_}")
    assert plain_page.get_by_role("heading", name="For the bench").is_visible()

    file = tmp_path / "report.html"
    command = [sys.executable, "-m", "coldcase", "report", id_, "--database-url", site.service_url]
    file.write_bytes(subprocess.run(command, check=True, capture_output=True).stdout)
    file.chmod(0o644)
    check_page(stranger, file.as_uri())
    assert stranger.get_by_role("heading", level=1).inner_text() == "Moisture"
    assert site.secret not in file.read_text()


def test_a_line_leads_to_the_row_behind_it_in_two_clicks(page, site):
    page.goto(f"/v1/decisions/{site.decisions['1-water-in-the-cream-room']}")
    page.get_by_role("link", name="Copper plating on steel parts: heavy.").click()
    assert page.get_by_role("heading", level=1).inner_text().startswith("Copper plating")


def test_what_looks_would_see_it(page):
    """A page that does everything wrong."""
    page.route("**/wrong", lambda route: route.fulfill(body=WRONG, content_type="text/html"))
    page.route("https://elsewhere.example/**", lambda route: route.abort())
    seen = watch(page)
    page.goto("/wrong")
    assert any("elsewhere" in one for one in seen)
    assert any("thrown" in one for one in seen)
    assert any(one.startswith("color-contrast") for one in barriers(page))
    assert set(lost_on_paper(page)) == {"faint: pale: rgb(200, 200, 200)", "Kept", "back"}


WRONG = """<!doctype html><html lang=en><title>x</title><style>@media print { .gone { display: none } }
</style><main><h1>Wrong</h1><p style="color: rgb(200, 200, 200)">pale</p><p class=gone>Kept back</p>
<img src="https://elsewhere.example/x.png" alt="x"><script>throw new Error("no")</script></main>"""
