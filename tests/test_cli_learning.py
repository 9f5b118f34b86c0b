"""`coldcase table evidence` and `propose`: what verdicts on record say of a rule table."""

import asyncio
import json

import pytest

from coldcase.app import create_app
from coldcase.cli import main
from coldcase.core.rule_table import table_digest
from coldcase.settings import Settings
from coldcase.shipped import starter_table
from tests.web.conftest import Service

SCOPES = ("decisions:write", "verdicts:write", "tables:draft", "tables:read")


@pytest.fixture(scope="module")
def record(make_database, _begun):
    """The flags of a record with a dozen verdicts."""
    database = make_database(_begun)

    async def fill():
        app = create_app(Settings(database_url=database.service_url, warm_properties=False, backtests="off"))
        async with app.lifespan():
            service = Service(app, database.owner_url)
            caller = await service.caller(*SCOPES)
            for number in range(12):
                case = {
                    "job": {"circuit": f"rack-{number}"},
                    "unit": {"compressor_type": "scroll", "motor": "three_phase"},
                    "observations": {"copper_plating": "none", "oil_colour": ["brown", "black"]},
                }
                place = (await caller.post("/v1/classifications", json=case)).headers["Location"]
                given = {"cause": "moisture", "basis": "teardown"}
                assert (await caller.post(f"{place}/verdicts", json=given)).status_code == 201
            await caller.aclose()

    asyncio.run(fill())
    return ["--database-url", database.service_url]


def test_what_verdicts_make_of_a_table_is_printed_as_a_table_that_passes_its_check(record, capsys, tmp_path):
    numbers, file = tmp_path / "numbers.json", tmp_path / "table.json"
    assert main(["table", "propose", "--row-strength", "12", "--numbers", str(numbers), *record], {}) == 0
    told = capsys.readouterr()
    assert "Proposed from 12 verdicts on rule table 1: a row counts as 12 cases" in told.err
    file.write_text(told.out)
    before = starter_table().findings["copper_plating"]
    named = [outcome.code for outcome in before.outcomes].index("none")
    row = json.loads(told.out)["findings"]["copper_plating"]["per_hundred"]["moisture"]
    assert row[named] == pytest.approx((before.per_hundred["moisture"][named] + 100) / 2, abs=0.01)
    assert main(["table", "check", str(file)], {}) == 0
    digest = capsys.readouterr().out.strip()

    written = json.loads(numbers.read_text())
    assert (written["base"], written["digest"]) == (table_digest(starter_table()), digest)
    assert written["summary"]["judged"] == 12
    (none,) = [
        one
        for one in written["numbers"]
        if (one["pointer"], one["outcome"]) == ("/findings/copper_plating/per_hundred/moisture", "none")
    ]
    assert (none["seen"], none["looked"], none["new"]) == (12, 12, row[named])


def test_the_difference_of_a_proposed_draft_says_how_many_cases_moved_a_number(record, capsys):
    async def propose():
        settings = Settings(database_url=record[1], warm_properties=False, backtests="off")
        app = create_app(settings)
        async with app.lifespan():
            service = Service(app, record[1].replace("coldcase_service", "coldcase_owner"))
            caller = await service.caller(*SCOPES)
            assert (await caller.post("/v1/rule-tables/1/proposals", json={})).status_code == 201
            await caller.aclose()

    asyncio.run(propose())
    assert main(["backtests", *record], {}) == 0
    assert "no backtests and 1 proposals ended" in capsys.readouterr().err
    assert main(["table", "diff", "1", "2", *record], {}) == 1
    assert "[judged 12, seen 12 of 12]" in capsys.readouterr().out


def test_evidence_is_a_line_a_row(record, capsys):
    assert main(["table", "evidence", "current", *record], {}) == 0
    told = capsys.readouterr()
    assert told.err.startswith("coldcase: 12 judged cases")
    lines = dict(line.split(": ", 1) for line in told.out.splitlines())
    assert lines["/findings/copper_plating/per_hundred/moisture"].startswith(
        "judged 12; seen none 12 of 12, table "
    )
    assert "black 0 of 12 (unclear 12)" in lines["/findings/oil_colour/per_hundred/moisture"]
    assert main(["table", "evidence", "1", "--json", *record], {}) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["digest"], found["judged"]) == (table_digest(starter_table()), 12)


@pytest.mark.parametrize(
    ("args", "code"),
    [
        (["propose", "next"], 2),
        (["propose", "7"], 1),
        (["evidence", "starter"], 2),
        (["propose", "--numbers", "/nowhere/at/all.json"], 2),
    ],
)
def test_misuse_has_its_exit_code(record, capsys, args, code):
    assert main(["table", *args, *record], {}) == code
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("strength", ["0", "2000000", "many"])
def test_a_strength_out_of_range_is_refused(capsys, strength):
    assert main(["table", "propose", "--row-strength", strength], {}) == 2
    assert "a strength is from 1 to 1,000,000 cases" in capsys.readouterr().err


def test_where_nothing_moves_the_exit_code_says_so(service_database, capsys):
    assert main(["table", "propose", "--database-url", service_database.service_url], {}) == 1
    assert "nothing to propose from 0 verdicts" in capsys.readouterr().err
