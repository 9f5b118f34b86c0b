"""CSV over HTTP: in the columns of our own, or in a client's own by its crosswalk."""

import json

CSV = {"Content_Type": "text/csv"}
HEAD = (
    "job.ref,unit.compressor_type,unit.motor,unit.refrigerant,observations.copper_plating,"
    "observations.solids_found,readings.suction_pressure [psig],own_code,verdict.cause,verdict.basis\n"
)


def posted(mine, text: str, **headers):
    told = mine.send(text.encode(), **CSV, **headers)
    assert told.status_code == 200, told.text
    *answers, last = [json.loads(line) for line in told.text.splitlines()]
    return answers, last["summary"]


def test_rows_in_columns_of_our_own_are_cases(mine):
    rows = "T-1,scroll,three_phase,R-448A,heavy,tube_chips;dirt_or_sand,42.5,W-7,moisture,teardown\n"
    rows += "T-2,scroll,three_phase,,,,,,,\n"
    answers, summary = posted(mine, HEAD + rows)
    assert (summary["recorded"], summary["verdicts"]) == (2, 1), answers
    record = mine.http.get(f"/v1/decisions/{answers[0]['id']}").json()
    assert record["case"] == {
        "job": {"ref": "T-1"},
        "unit": {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-448A"},
        "observations": {"copper_plating": "heavy", "solids_found": ["tube_chips", "dirt_or_sand"]},
        "readings": {"suction_pressure": {"value": 42.5, "unit": "psig"}},
    }
    assert (record["own_words"], record["own_code"]) == (None, "W-7")
    assert record["verdicts"][0]["cause"] == "moisture"
    assert posted(mine, HEAD + rows)[1]["replayed"] == 2


def test_shifted_rows_wrong_words_and_broken_text_are_refused_by_line(mine):
    bad = ["T-1,scroll,three_phase\n", "T-2,scrol,three_phase,,,,,,,\n", "T-3,scroll,three_phase,,,,low,,,\n"]
    text = HEAD + "".join(bad) + 'T-4,scroll,"three\n_phase",,,,,,,\nT-5,scroll,three_phase,,heavy,,,,,\n'
    told = mine.send(text.encode() + b"T-6,scroll,three_phase,caf\xe9,,,,,,\n", **CSV)
    *answers, last = [json.loads(line) for line in told.text.splitlines()]
    flaws = {one["line"]: one["problem"]["errors"] for one in answers if "problem" in one}
    assert {line: told[0]["pointer"] for line, told in flaws.items()} == {
        2: "", 3: "/unit.compressor_type", 4: "/readings.suction_pressure [psig]", 5: "/unit.motor",
        8: "/unit.refrigerant",
    }  # fmt: skip
    assert "shifted" in flaws[2][0]["detail"]
    assert last["summary"]["recorded"] == 1


def test_a_column_that_means_nothing_is_told_at_once(mine):
    told = mine.send(HEAD.replace("copper_plating", "coper_plating").encode() + b"T-1\n", **CSV)
    assert told.status_code == 422
    assert [one["pointer"] for one in told.json()["errors"]] == ["/observations.coper_plating"]
    assert "coper_plating" in told.json()["errors"][0]["detail"]
    told = mine.send(b"job.ref,job.circut,Notes/all,readings.suction_pressure,unit.motor [V]\nT-1\n", **CSV)
    flaws = {one["pointer"]: one for one in told.json()["errors"]}
    assert set(flaws) == {"/job.circut", "/Notes~1all", "/readings.suction_pressure", "/unit.motor [V]"}
    assert "names no member of a case" in flaws["/job.circut"]["detail"]
    assert flaws["/job.circut"]["suggestion"] == "job.circuit"
    assert "`readings.suction_pressure [" in flaws["/readings.suction_pressure"]["detail"]
    assert [one for one in flaws.values() if "crosswalk" in one["detail"] or "pointer" in one["detail"]] == []
    assert mine.send(b"", **CSV).status_code == 422
    assert mine.send(b"job.ref,job.ref\n", **CSV).status_code == 422


def test_rows_in_columns_of_a_clients_own_are_read_by_its_crosswalk(mine):
    members = {
        "Job": {"to": "/job/ref"},
        "Copper": {"to": "/observations/copper_plating", "words": {"much": "heavy"}},
    }
    constants = {"/unit/motor": "three_phase", "/unit/compressor_type": "scroll"}
    form = {"inbound": {"members": members, "constants": constants, "ignore": ["Code"]}}
    kept = mine.http.put("/v1/crosswalks/form", json=form, headers={"If-None-Match": "*"})
    assert kept.status_code == 201, kept.text
    text = "Job;Copper;Code\nT-1;much;W-7\nT-2;lots;W-8\n"
    told = mine.http.post(
        "/v1/classifications/bulk?own_code=Code", content=text.encode(),
        headers={"Content-Type": "text/csv", "Content-Profile": "form"},
    )  # fmt: skip
    good, bad, last = [json.loads(line) for line in told.text.splitlines()]
    assert bad["problem"]["errors"][0]["pointer"] == "/Copper"
    assert last["summary"]["recorded"] == 1
    record = mine.http.get(f"/v1/decisions/{good['id']}").json()
    assert record["own_code"] == "W-7"
    assert record["own_words"]["sent"] == {"Job": "T-1", "Copper": "much", "Code": "W-7"}
