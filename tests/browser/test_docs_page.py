"""The description for programmers in a real browser."""

from tests.browser.looking import check_page


def test_it_keeps_to_itself_and_anybody_can_read_it(stranger):
    check_page(stranger, "/docs")


def test_the_main_call_comes_first_with_its_real_answer(stranger):
    stranger.goto("/docs")
    top = stranger.locator("pre")

    assert "/v1/classifications" in top.nth(0).inner_text()
    assert '"cause": "moisture"' in top.nth(1).inner_text()


def test_a_call_a_problem_and_a_shape_are_found_by_words(stranger):
    stranger.goto("/docs")
    box = stranger.get_by_label("Find a call")
    box.fill("merkle root")
    shown = [one.get_attribute("id") for one in stranger.locator("article:not([hidden])").all()]
    assert "SealSummary" in shown
    assert "classify" not in shown
    assert f"{len(shown)} found" == stranger.locator("#found").inner_text()

    stranger.evaluate("location.hash = '#classify'")
    assert stranger.locator("#classify").is_visible()
    assert box.input_value() == ""


def test_without_scripts_there_is_no_box_and_every_link_leads_somewhere(plain_page):
    plain_page.goto("/docs")

    assert not plain_page.locator("#find").is_visible()
    assert plain_page.evaluate(DEAD_LINKS) == []


DEAD_LINKS = """
() => [...document.querySelectorAll('a[href^="#"]')].map(link => link.getAttribute('href').slice(1))
  .filter(id => !document.getElementById(id))
"""
