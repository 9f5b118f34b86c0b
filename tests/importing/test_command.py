"""`coldcase bulk`: a file posted in parts, cut off and gone on with, its refused lines to be mended."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from coldcase.cli import bulk as command
from coldcase.cli import main
from tests.importing.conftest import case, spelled

MAP = """
title = "Job form of the creamery on Tern Haven"
[inbound]
decimal = ","
ignore = ["Code"]
[inbound.constants]
"/unit/motor" = "three_phase"
[inbound.members.Job]
to = "/job/ref"
[inbound.members.Kind]
to = "/unit/compressor_type"
words = { Scr = "scroll" }
[inbound.members.Copper]
to = "/observations/copper_plating"
words = { much = "heavy", some = "light" }
[inbound.members.Suction]
to = "/readings/suction_pressure"
unit = "barg"
"""


@pytest.fixture
def run(bulk, mine, monkeypatch, capsys):
    """The command as a client runs it: exit code and counts."""
    monkeypatch.setattr(command, "PART_LINES", 40)
    environ = {"COLDCASE_KEY": mine.http.headers["authorization"].removeprefix("Bearer ")}

    def call(file, *more: str):
        code = main(["bulk", str(file), "--url", bulk.base, "--json", *more], environ)
        said = capsys.readouterr()
        # The service of these tests runs in this process and may log a seal before the counts or after them.
        _, begins, counted = said.out.partition("{\n")
        return code, json.JSONDecoder().raw_decode(begins + counted)[0] if begins else said.err

    return call


def counts(recorded=0, replayed=0, refused=0):
    lines = recorded + replayed + refused
    return {"lines": lines, "recorded": recorded, "replayed": replayed, "refused": refused}


def test_a_file_is_the_same_import_in_parts_and_as_a_whole(bulk, mine, run, tmp_path):
    """Lines that are there more than once lie in other parts than the first."""
    lines = [case(f"J-{number % 70}") for number in range(150)] + [{"case": case("J-1"), "own_code": "W"}]
    file = tmp_path / "history.ndjson"
    file.write_bytes(spelled(lines))
    assert run(file, "--key", "k") == (0, counts(recorded=151))
    assert mine.post(lines, key="k")[1]["replayed"] == 151
    assert run(file, "--key", "k") == (0, counts(replayed=151))
    assert [path.name for path in tmp_path.iterdir()] == ["history.ndjson"]


def test_refused_lines_are_kept_as_they_were_can_be_mended_and_posted(run, tmp_path):
    lines = [case("A"), '{"unit": {"compressor_type":  "scrol", "motor": "three_phase"}}', case("B"), "{"]
    (tmp_path / "history.ndjson").write_bytes(spelled(lines))
    assert run(tmp_path / "history.ndjson") == (1, counts(recorded=2, refused=2))
    refused = tmp_path / "history.refused.ndjson"
    assert refused.read_bytes() == spelled([lines[1], lines[3]])
    whys = [json.loads(line) for line in (tmp_path / "history.why.ndjson").read_text().splitlines()]
    assert [why["line"] for why in whys] == [2, 4]
    assert whys[0]["problem"]["errors"][0]["suggestion"] == "scroll"
    refused.write_text(refused.read_text().replace("scrol", "scroll").replace("{\n", ""))
    assert run(refused) == (0, counts(recorded=1))


@pytest.mark.slow
def test_a_killed_client_goes_on_and_each_line_is_there_once(bulk, mine, tmp_path):
    lines = [case(f"J-{number}") for number in range(12_000)]
    file = tmp_path / "history.ndjson"
    file.write_bytes(spelled(lines))
    environ = os.environ | {"COLDCASE_KEY": mine.http.headers["authorization"].removeprefix("Bearer ")}
    args = [sys.executable, "-m", "coldcase", "bulk", str(file), "--url", bulk.base, "--json"]
    state = tmp_path / "history.ndjson.coldcase-bulk"
    with subprocess.Popen(args, env=environ, stdout=subprocess.DEVNULL) as process:
        end = time.monotonic() + 60
        while not state.exists():
            assert time.monotonic() < end
            assert process.poll() is None
            time.sleep(0.05)
        process.send_signal(signal.SIGKILL)
    done = subprocess.run(args, env=environ, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["lines"] == 12_000
    assert b"have their answer" in done.stderr
    query = "SELECT count(*), count(DISTINCT job_ref) FROM decision JOIN client ON client.id = client_id"
    assert bulk.rows(f"{query} WHERE name = %s", mine.client) == [(12_000, 12_000)]
    assert mine.post(lines)[1]["replayed"] == 12_000


def test_csv_in_columns_and_words_of_ones_own(mine, run, tmp_path):
    (tmp_path / "form.toml").write_text(MAP)
    head = "Job;Kind;Copper;Suction;Code\n"
    bad = ["T-4;Scr;much\n", "T-5;Scr;much;3,1;W7;more\n", "T-6;Scrl;much;;W1\n"]
    rows = ["T-1;Scr;much;3,1;W7\n", "T-2;Scr;;;\n", bad[0], bad[1], bad[2], "T-3;scr;some;2,9;W9\n"]
    (tmp_path / "jobs.csv").write_bytes("".join([head, *rows]).encode() + b"T-7;Scr;caf\xe9;;\n")
    mapped = ("--csv-map", str(tmp_path / "form.toml"), "--own-code", "Code")
    assert run(tmp_path / "jobs.csv", *mapped) == (1, counts(recorded=3, refused=4))
    listed = mine.http.get("/v1/decisions").json()["items"]
    assert {one["job_ref"]: one["own_code"] for one in listed} == {"T-1": "W7", "T-2": None, "T-3": "W9"}
    record = mine.http.get(f"/v1/decisions/{listed[0]['id']}").json()
    assert record["own_words"]["crosswalk"] == "form"
    refused = tmp_path / "jobs.refused.csv"
    assert refused.read_bytes() == "".join([head, *bad]).encode() + b"T-7;Scr;caf\xe9;;\n"
    whys = [json.loads(line) for line in (tmp_path / "jobs.why.ndjson").read_text().splitlines()]
    assert [why["line"] for why in whys] == [4, 5, 6, 8]
    assert "shifted" in whys[0]["problem"]["errors"][0]["detail"]
    assert whys[2]["problem"]["errors"][0]["pointer"] == "/Kind"
    assert "UTF-8" in whys[3]["problem"]["errors"][0]["detail"]
    # Again: the crosswalk is there, and no row is recorded twice.
    assert run(tmp_path / "jobs.csv", *mapped) == (1, counts(replayed=3, refused=4))


def test_a_map_with_an_unknown_finding_is_told_before_anything_is_posted(run, tmp_path):
    (tmp_path / "form.toml").write_text(
        MAP.replace("/observations/copper_plating", "/observations/coper_plating")
    )
    (tmp_path / "jobs.csv").write_text("Job;Kind;Copper;Suction;Code\nT-1;Scr;much;;\n")
    code, said = run(tmp_path / "jobs.csv", "--csv-map", str(tmp_path / "form.toml"))
    assert code == 1
    assert "coper_plating" in said


def test_what_is_wrong_with_the_command_is_said(bulk, run, tmp_path):
    file = tmp_path / "none.ndjson"
    assert run(file)[0] == 2
    file.write_text("")
    assert main(["bulk", str(file), "--url", bulk.base], {}) == 2
    assert main(["bulk", str(file), "--url", bulk.base], {"COLDCASE_KEY": "wrong"}) == 0
    file.write_text("{}\n")
    assert main(["bulk", str(file), "--url", bulk.base], {"COLDCASE_KEY": "wrong"}) == 1
    gone = ["bulk", str(file), "--url", "http://127.0.0.1:9", "--patience", "0"]
    assert main(gone, {"COLDCASE_KEY": "wrong"}) == 1


def test_a_dry_run_says_what_would_become_of_a_file(bulk, run, tmp_path, capsys):
    (tmp_path / "form.toml").write_text(MAP.replace('ignore = ["Code"]', 'ignore = ["Code", "Mood"]'))
    rows = [f"T-{number};Scr;{'much' if number % 5 else 'lots'};;W1;good\n" for number in range(100)]
    file = tmp_path / "jobs.csv"
    file.write_text("Job;Kind;Copper;Pressure;Code;Mood\n" + "".join(rows).replace(";;", ";;") + "T-x;Scr\n")
    args = ["bulk", str(file), "--dry-run", "--json", "--csv-map", str(tmp_path / "form.toml")]
    ignoring = (tmp_path / "form.toml").read_text().replace('"Mood"]', '"Mood", "Pressure"]')
    (tmp_path / "form.toml").write_text(ignoring)
    before = bulk.rows("SELECT count(*) FROM decision")
    assert main(args, {}) == 1
    trial = json.loads(capsys.readouterr().out)
    assert (trial["lines"], trial["usable"], trial["refused"]) == (101, 80, 21)
    assert trial["coded"] + trial["provisional"] + trial["undetermined"] == 80
    assert trial["unmapped"] == [{"place": "/Copper", "value": "lots", "lines": 20}]
    assert trial["columns_never_used"] == ["Pressure", "Code", "Mood"]
    assert trial["members_not_there"] == ["Suction"]
    assert len(trial["first_lines"]) == 20
    assert trial["first_lines"][1]["case"]["observations"] == {"copper_plating": "heavy"}
    assert bulk.rows("SELECT count(*) FROM decision") == before


def test_a_dry_run_reads_lines_of_json_as_the_service_does(mine, tmp_path, capsys):
    lines = [case("A"), {"case": case("B"), "verdict": {"cause": "nobody", "basis": "field"}}, "{", case("A")]
    file = tmp_path / "history.ndjson"
    file.write_bytes(spelled(lines))
    assert main(["bulk", str(file), "--dry-run", "--json"], {}) == 1
    trial = json.loads(capsys.readouterr().out)
    answers, summary = mine.post(lines)
    assert (trial["usable"], trial["refused"]) == (summary["recorded"], summary["refused"])
    status = [one["status"] for one in answers if "status" in one]
    assert {name: trial[name] for name in set(status)} == {name: status.count(name) for name in set(status)}
    assert main(["bulk", str(file), "--dry-run"], {}) == 1
    assert "2 usable, 2 would be refused" in capsys.readouterr().out


def test_a_dry_run_names_every_flaw_of_a_map(tmp_path, capsys):
    (tmp_path / "form.toml").write_text(MAP.replace("copper_plating", "coper_plating"))
    (tmp_path / "jobs.csv").write_text("Job;Kind\nT-1;Scr\n")
    assert (
        main(["bulk", str(tmp_path / "jobs.csv"), "--dry-run", "--csv-map", str(tmp_path / "form.toml")], {})
        == 1
    )
    assert "copper_plating" in capsys.readouterr().err
