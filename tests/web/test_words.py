"""Vocabulary, causes and rule tables."""

import csv
import io

import pytest

from coldcase.core.rule_table import table_digest
from coldcase.shipped import starter_table

pytestmark = pytest.mark.anyio


async def test_a_form_can_be_built_from_the_vocabulary(caller):
    words = (await caller.get("/v1/vocabulary")).json()

    findings = {row["code"]: row for row in words["findings"]}
    plating = findings["copper_plating"]
    assert plating["question"].endswith("?")
    assert [outcome["code"] for outcome in plating["outcomes"]] == ["none", "light", "heavy"]
    assert {row["station"] for row in words["findings"]} <= set(words["stations"])
    assert "moisture" in [row["code"] for row in words["causes"]]
    unit = {row["member"]: row for row in words["unit"]}
    assert unit["compressor_type"] == {
        "member": "compressor_type",
        "required": True,
        "values": ["scroll", "rotary", "reciprocating", "screw", "unknown"],
        "units": None,
    }
    assert unit["refrigerant_charge"]["units"] == ["kg", "g", "lb", "oz"]
    opening = {row["member"]: row["values"] for row in words["opening"]}
    assert opening["cleaned_before"] == [True, False]
    assert "grinder" in opening["method"]
    superheat = next(row for row in words["quantities"] if row["code"] == "suction_superheat")
    assert superheat["unit"] == "K"
    assert "suction_superheat" in findings[superheat["limits"][0]["finding"]]["quantities"]


MOST_OBSERVATIONS = 200


async def test_every_word_of_the_vocabulary_is_taken_in_a_case(caller):
    words = (await caller.get("/v1/vocabulary")).json()
    ungated = {"motors": [], "connections": [], "compressor_types": []}
    fits = {
        row["code"]: row["outcomes"][0]["code"]
        for row in words["findings"]
        if {**ungated, **row["gate"]} == ungated and {**ungated, **row["outcomes"][0]["gate"]} == ungated
    }
    assert len(fits) > 80

    # More than a case may hold at once.
    for start in range(0, len(fits), MOST_OBSERVATIONS):
        some = dict(list(fits.items())[start : start + MOST_OBSERVATIONS])
        case = {"unit": {"compressor_type": "unknown", "motor": "unknown"}, "observations": some}
        assert (await caller.post("/v1/classifications/preview", json=case)).status_code == 200


async def test_who_has_the_vocabulary_need_not_fetch_it_again(caller):
    tag = (await caller.get("/v1/vocabulary")).headers["ETag"]

    for known in (tag, f'"other", W/{tag}', "*"):
        again = await caller.get("/v1/vocabulary", headers={"If-None-Match": known})
        assert (again.status_code, again.content, again.headers["ETag"]) == (304, b"", tag)
    assert (await caller.get("/v1/vocabulary", headers={"If-None-Match": '"other"'})).status_code == 200


async def test_a_cause_comes_with_its_chain_and_its_look_alikes(caller):
    cause = (await caller.get("/v1/causes/moisture")).json()

    assert cause["code"] == "moisture"
    assert all(step["seen_as"] for step in cause["chain"])
    assert cause["actions"]
    assert {row["against"] for row in cause["contrast"]} >= {"acid_carryover"}
    assert (await caller.get("/v1/causes/rust")).status_code == 404


async def test_the_starter_table_is_version_1_on_a_new_record(caller):
    table = starter_table()

    listed = (await caller.get("/v1/rule-tables")).json()
    current = (await caller.get("/v1/rule-tables/current")).json()

    assert [(row["version"], row["digest"], row["state"], row["current"]) for row in listed["items"]] == [
        (1, table_digest(table), "published", True)
    ]
    assert listed["next"] is None
    assert current == (await caller.get("/v1/rule-tables/1")).json()
    assert {**listed["items"][0], "content": current["content"]} == current
    assert set(current["content"]["causes"]) == set(table.causes)
    assert (await caller.get("/v1/rule-tables/2")).status_code == 404


async def test_frequencies_as_csv_are_the_table_s_own(caller):
    answered = await caller.get("/v1/rule-tables/current", headers={"Accept": "text/csv"})

    assert answered.headers["Content-Type"] == "text/csv; charset=utf-8"
    rows = list(csv.DictReader(io.StringIO(answered.text)))
    heavy = {
        row["cause"]: float(row["per_hundred"])
        for row in rows
        if (row["finding"], row["outcome"]) == ("copper_plating", "heavy")
    }
    two_burnt = {
        row["machines"]: float(row["per_hundred"])
        for row in rows
        if (row["finding"], row["outcome"], row["cause"])
        == ("winding_burn", "two_of_three", "single_phasing")
    }
    burn = starter_table().findings["winding_burn"]
    assert two_burnt == {
        "": burn.per_hundred["single_phasing"][2],
        "three_phase inverter permanent_magnet star": burn.on_machines[0].per_hundred["single_phasing"][2],
        "three_phase inverter permanent_magnet delta": burn.on_machines[1].per_hundred["single_phasing"][2],
        "three_phase star_delta_start": burn.on_machines[2].per_hundred["single_phasing"][2],
    }
    plating = starter_table().findings["copper_plating"]
    assert heavy == {"background": plating.background[2]} | {
        cause: shares[2] for cause, shares in plating.per_hundred.items()
    }


async def test_rule_tables_need_their_own_scope(service):
    caller = await service.caller("decisions:read", "decisions:write")

    assert (await caller.get("/v1/rule-tables")).status_code == 403
