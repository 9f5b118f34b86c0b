"""Figures for people: drawn and in numbers, of the client's own decisions alone, and in words where there are
none."""

import copy
import json
import re

import pytest
from sqlalchemy import Engine, event

from tests.web.test_table_pages import BROWSER, seen, text_of

pytestmark = pytest.mark.anyio
SCOPES = ("decisions:write", "decisions:read", "verdicts:write", "tables:read")
FIGURES = "/figures"


async def record(caller, case, number, *, month="03", circuit="creamery/rack-B", verdict=None, **unit):
    one = copy.deepcopy(case)
    one["job"] = {"ref": f"TH-{number}", "closed_at": f"2026-{month}-02T16:40:00Z", "circuit": circuit}
    one["unit"] |= unit
    answered = await caller.post("/v1/classifications", json=one)
    assert answered.status_code == 201, answered.text
    if verdict is not None:
        path = f"{answered.headers['Location']}/verdicts"
        given = await caller.post(path, json={"cause": verdict, "basis": "teardown"})
        assert given.status_code == 201, given.text
    return answered.json()


@pytest.fixture
async def firm(service):
    return await service.caller(*SCOPES, client="Tern Haven Cold Stores")


@pytest.fixture(scope="module")
async def filled(service):
    """A client with five cases of water on two circuits, three with a verdict, and one undetermined."""
    caller = await service.caller(*SCOPES, client="Tern Haven Creamery")
    case = {
        "unit": {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-448A"},
        "observations": {"copper_plating": "heavy", "filter_drier": "wet", "oil_clarity": "stays_milky"},
    }
    for number in range(5):
        await record(
            caller,
            case,
            number,
            month=("01", "01", "03", "03", "04")[number],
            circuit="rack-A" if number < 3 else "rack-<B>",
            verdict=("moisture", "moisture", "acid_carryover", None, None)[number],
        )
    await record(caller, {"unit": dict(case["unit"])}, 9, circuit="rack-A", compressor_type="screw")
    return caller


async def test_without_decisions_the_page_says_so_in_words(firm):
    page = await seen(firm, FIGURES)
    assert "There is no decision of yours yet." in text_of(page)
    assert 'role="img"' not in page


async def test_the_client_sees_its_own_figures_alone(filled, firm):
    assert "6 decisions" in text_of(await seen(filled, FIGURES))
    assert "There is no decision of yours yet." in text_of(await seen(firm, FIGURES))


async def test_even_a_key_that_reads_all_sees_its_clients_figures(filled, service):
    everybody = await service.caller("decisions:read", "decisions:read:all", client="Tern Haven Auditors")
    assert "There is no decision of yours yet." in text_of(await seen(everybody, FIGURES))


async def test_the_decisions_are_counted_in_one_look(filled):
    counts: list[str] = []

    def heard(_conn, _cursor, statement, *_):
        if "count(*)" in statement and "decision.cause" in statement:
            counts.append(statement)

    event.listen(Engine, "before_cursor_execute", heard)
    try:
        await seen(filled, FIGURES)
    finally:
        event.remove(Engine, "before_cursor_execute", heard)
    assert len(counts) == 1


async def test_causes_stand_with_intervals_in_a_picture_and_in_a_table(filled):
    page = await seen(filled, FIGURES)
    shown = text_of(page)
    # Wilson's interval of 5 of 6.
    assert "Moisture 5 of 6: 83% (44% to 97%)" in shown
    assert "Not determined 1 of 6: 17% (3% to 56%)" in shown
    picture = re.search(r'aria-labelledby="causes-t causes-d".*?</svg>', page, re.DOTALL)[0]
    assert "Moisture: 5 of 6" in picture


async def test_months_without_a_decision_are_drawn_too(filled):
    page = await seen(filled, FIGURES)
    picture = re.search(r'aria-labelledby="months-t months-d".*?</svg>', page, re.DOTALL)[0]
    assert "By month, 2026-01 to 2026-04" in picture
    assert "2 of 2: 100% (34% to 100%)" in text_of(page)


async def test_circuits_refrigerants_and_types_have_pictures_of_their_own(filled):
    page = await seen(filled, FIGURES)
    assert page.count('aria-labelledby="circuit-') == 2
    assert page.count('aria-labelledby="refrigerant-') == 1
    assert page.count('aria-labelledby="type-') == 2
    assert "rack-&lt;B&gt;" in page
    assert "rack-<B>" not in page


async def test_verdicts_make_the_curve_and_its_table(filled):
    page = await seen(filled, FIGURES)
    shown = text_of(page)
    assert "3 answers whose cause was established" in shown
    assert "Of your decisions 3 of 6: 50% (19% to 81%) have a verdict" in shown
    assert "2 of 3: 67% (21% to 94%)" in shown
    assert 'aria-labelledby="calibration-t calibration-d"' in page


async def test_without_verdicts_or_own_codes_that_is_said(filled):
    shown = text_of(await seen(filled, f"{FIGURES}?circuit=rack-%3CB%3E"))
    assert "2 decisions on rack-<B>" in shown
    assert "Nobody has said yet what the causes turned out to be" in shown
    assert "No decision of yours carries a code of your own" in shown


async def test_own_codes_stand_against_ours_on_the_page(service, case):
    caller = await service.caller(*SCOPES, client="Tern Haven Imports")
    one = {key: value for key, value in case.items() if key != "job"}
    lines = "\n".join(
        json.dumps({"case": one | {"job": {"ref": f"W-{number}"}}, "own_code": code})
        for number, code in enumerate(("W-7", "W-7", "<b>12"))
    )
    sent = await caller.post(
        "/v1/classifications/bulk",
        content=lines,
        headers={"Content-Type": "application/x-ndjson", "Idempotency-Key": "own-codes"},
    )
    assert sent.status_code == 200, sent.text
    page = await seen(caller, FIGURES)
    assert "W-7 2 Moisture: 2 of 2" in text_of(page)
    assert "&lt;b&gt;12" in page
    assert "<b>12" not in page
    assert "3 decisions" in text_of(await seen(caller, f"{FIGURES}?origin=bulk"))
    assert "No decision of yours matches." in text_of(await seen(caller, f"{FIGURES}?origin=live"))


@pytest.mark.parametrize(
    ("asked", "count"),
    [
        ("from=2026-03-02", 4),
        ("to=2026-01-02", 2),
        ("to=2026-01-01", 0),
        ("from=&to=&origin=&circuit=", 6),
        ("circuit=rack-A&from=2026-03-01&to=2026-03-31", 2),
    ],
)
async def test_filters_keep_to_days_and_circuits(filled, asked, count):
    shown = text_of(await seen(filled, f"{FIGURES}?{asked}"))
    assert (f"{count} decisions" if count else "No decision of yours matches.") in shown


@pytest.mark.parametrize("asked", ["from=yesterday", "origin=fax", "from=2026-02-02&to=2026-01-01", "by=me"])
async def test_filters_that_mean_nothing_are_refused_in_words(filled, asked):
    answered = await filled.get(f"{FIGURES}?{asked}", headers=BROWSER)
    assert answered.status_code == 400
    assert answered.headers["Content-Type"].startswith("text/html")


async def test_the_page_speaks_no_code_and_no_decibans(filled):
    shown = text_of(await seen(filled, FIGURES))
    assert not re.search(r"\bdB\b|deciban|moisture|acid_carryover|undetermined", shown)
