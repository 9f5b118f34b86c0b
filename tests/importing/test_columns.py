"""Parquet answered without a service, and loaded: on record as if the same lines had been posted."""

import json
import subprocess
import sys
import tempfile
from itertools import chain
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase.cli import main
from coldcase.importing.parquet_files import asked_part, rows_of_files
from tests.importing.conftest import DEVELOPMENT_CASES, SCOPES, case, spelled
from tests.serving import make_key

VERDICT = {"cause": "moisture", "basis": "teardown", "note": "Copper on both journals."}


def history() -> list[Any]:
    lines: list[Any] = [
        {"case": {**one, "job": {"ref": f"J-{number}"}}, "own_code": f"W-{number % 7}"}
        for number, one in enumerate(DEVELOPMENT_CASES[:110])
    ]
    return [
        *lines, '{"unit": {"compressor_type": "scrol"}}', "{bad", case("again"), case("again"),
        {"case": case("judged"), "verdict": VERDICT}, case("J-3", oil_quantity="right"),
        {"case": {**case("later"), "supersedes": "01980000-0000-7000-8000-000000000000"}},
    ]  # fmt: skip


@pytest.fixture
def table(bulk, tmp_path):
    """The rule table on record, as a file."""
    ((document,),) = bulk.rows("SELECT document FROM rule_table ORDER BY version DESC LIMIT 1")
    path = tmp_path / "table.json"
    path.write_text(document)
    return path


@pytest.fixture
def answered(table, tmp_path):
    """Lines answered into a folder."""

    def answer(columns: dict[str, list[Any]], *flags: str, name: str = "answered"):
        source, target = tmp_path / f"{name}.parquet", tmp_path / name
        pa.parquet.write_table(pa.table(columns), source)
        assert main(["parquet", str(source), str(target), "--table", str(table), *flags], environ={}) == 0
        return target

    return answer


@pytest.fixture
def load(bulk, capsys):
    """Loads a folder for a client; the exit code, the counts, what was said."""

    def run(folder: Any, client: str, *flags: str, scopes: Any = SCOPES):
        environ = {"COLDCASE_KEY": make_key(bulk.owner_url, *scopes, client=client, person="R. Wren")}
        capsys.readouterr()
        named = ["--owner-url", bulk.owner_url, "--jobs", "1", "--json", *flags]
        code = main(["load", str(folder), *named], environ=environ)
        told = capsys.readouterr()
        return code, json.loads(told.out) if told.out else None, told.err

    return run


def rows_of(table: Any) -> list[dict[str, Any]]:
    return pa.parquet.read_table(table).to_pylist()


def test_what_is_loaded_is_on_record_as_if_it_had_been_posted(bulk, answered, load, request):
    lines = history()
    folder = answered({"line": spelled(lines).splitlines()}, "--jobs", "1")
    code, counts, said = load(folder, "loader", "--key", "ten-years")
    posted, summary = bulk.importer("poster").post(lines, key="ten-years")
    assert code == 1
    assert "row 111" in said
    assert counts == summary
    assert counts["refused"] == 3
    kept = (
        "SELECT decision.id, job_ref, cause, status, confidence, case_text, "
        "encode(decision.fingerprint, 'hex'), decision.origin, own_code, circuit, compressor_type, engine "
        "FROM decision JOIN client ON client.id = decision.client_id WHERE client.name = %s ORDER BY 2, 6"
    )
    loaded, by_bulk = bulk.rows(kept, "loader"), bulk.rows(kept, "poster")
    assert [row[1:] for row in loaded] == [row[1:] for row in by_bulk]
    for ours, theirs in zip(loaded, by_bulk, strict=True):
        found, expected = json.loads(bulk.answer(ours[0])), json.loads(bulk.answer(theirs[0]))
        for one in (found, expected):
            assert one.pop("id")
            assert one.pop("recorded_at")
        assert json.dumps(found) == json.dumps(expected)
    assert len(posted) == len(lines)


def test_loading_twice_or_posting_the_same_records_nothing_twice_and_each_is_one_event(bulk, answered, load):
    lines = history()
    folder = answered({"line": spelled(lines).splitlines()}, "--jobs", "2")
    _, first, _ = load(folder, "twice", "--key", "once")
    assert first["recorded"] == len(lines) - 3
    _, second, _ = load(folder, "twice", "--key", "once")
    assert (second["recorded"], second["replayed"]) == (0, first["recorded"])
    mine = bulk.importer("twice")
    answers, summary = mine.post(lines, key="once")
    assert (summary["recorded"], summary["replayed"], summary["refused"]) == (0, first["recorded"], 3)
    record = mine.http.get(f"/v1/decisions/{answers[-3]['id']}").json()
    assert {name: record["verdicts"][0][name] for name in VERDICT} == VERDICT
    events = mine.http.get("/v1/audit-events", params={"action": "decisions.imported"}).json()["items"]
    assert [(one["subject"], one["person"], one["details"]["recorded"]) for one in events][-1] == (
        "once", "R. Wren", first["recorded"]
    )  # fmt: skip
    assert len(events) == 3


def test_cases_stand_in_columns_of_their_own_too(answered):
    columns = {
        "case": [json.dumps(case("A"), indent=1), json.dumps(case("B")), None],
        "own_code": ["W-7", None, None],
        "verdict": [None, json.dumps(VERDICT), None],
        "occurrence": [None, 2, None],
        "shop": ["north", "south", "east"],
    }
    rows = rows_of(answered(columns, "--jobs", "1"))
    assert [json.loads(row["line"]) for row in rows[:2]] == [
        {"case": case("A"), "own_code": "W-7"}, {"case": case("B"), "verdict": VERDICT, "occurrence": 2}
    ]  # fmt: skip
    assert [row["job_ref"] for row in rows] == ["A", "B", None]
    assert rows[0]["answer"] is not None
    assert json.loads(rows[2]["problem"])["type"] == "/problems/malformed"


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("rule_table", "sha256:00", "was answered by sha256:00"),
        ("engine", "0.9.0", "and engine 0.9.0"),
        ("answer", b"{}", "holds no answer"),
        ("answer", None, "holds no answer"),
    ],
)
def test_rows_that_another_table_or_engine_answered_or_nobody_are_not_loaded(
    bulk, answered, load, column, value, says
):
    folder = answered({"line": spelled([case("A"), case("B")]).splitlines()}, "--jobs", "1")
    (file,) = folder.iterdir()
    rows = rows_of(file)
    rows[1][column] = value
    pa.parquet.write_table(pa.Table.from_pylist(rows, schema=pa.parquet.read_schema(file)), file)
    code, _, said = load(folder, f"other {column}")
    assert (code, says in said) == (1, True), said
    query = "SELECT count(*) FROM decision JOIN client ON client.id = client_id WHERE client.name = %s"
    assert bulk.rows(query, f"other {column}") == [(0,)]


def test_an_answer_that_is_not_the_engines_is_found_out(answered, load):
    folder = answered(
        {"line": spelled([case("A"), case("B", oil_quantity="right")]).splitlines()}, "--jobs", "1"
    )
    (file,) = folder.iterdir()
    rows = rows_of(file)
    rows[0]["answer"] = rows[1]["answer"]
    pa.parquet.write_table(pa.Table.from_pylist(rows, schema=pa.parquet.read_schema(file)), file)
    code, _, said = load(folder, "forged")
    assert (code, "Row 1: The answer of a row is not the one" in said) == (1, True), said


def test_who_may_not_record_may_not_load(bulk, answered, load, capsys):
    folder = answered({"line": spelled([case("A")]).splitlines()}, "--jobs", "1")
    code, _, said = load(folder, "reader", scopes=("decisions:read",))
    assert (code, "needs the scope decisions:write" in said) == (2, True), said
    for environ, says in (({}, "COLDCASE_KEY holds"), ({"COLDCASE_KEY": "cc_unknown"}, "is not known here")):
        assert main(["load", str(folder), "--owner-url", bulk.owner_url], environ=environ) == 2
        assert says in capsys.readouterr().err


def test_what_is_no_such_file_is_said(tmp_path, capsys, monkeypatch):
    no_parquet = tmp_path / "a.parquet"
    no_parquet.write_bytes(b"PAR1, or not")
    other = tmp_path / "b.parquet"
    pa.parquet.write_table(pa.table({"jobs": ["A"]}), other)
    for source, says in (
        (tmp_path / "nothing", "there are no Parquet files"),
        (no_parquet, "a.parquet: "),
        (other, "neither a column 'line'"),
    ):
        assert main(["parquet", str(source), str(tmp_path / "out")], environ={}) == 1
        assert says in capsys.readouterr().err
    assert main(["parquet", str(other), str(tmp_path)], environ={}) == 2
    assert "not an empty folder" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["parquet", str(other), str(tmp_path / "out")], environ={}) == 1
    assert "install `coldcase[parquet]`" in capsys.readouterr().err


@settings(max_examples=40, deadline=None)
@given(
    rows=st.integers(0, 3000),
    group=st.sampled_from([100, 499, 500, 501, 2000, 5000]),
    most=st.sampled_from([499, 500, 777, 2000]),
)
def test_parts_are_all_rows_once_and_in_their_order(rows: int, group: int, most: int) -> None:
    lines = [b"line %d" % number for number in range(rows)]
    with tempfile.TemporaryDirectory() as folder:
        name = str(Path(folder) / "rows.parquet")
        pa.parquet.write_table(pa.table({"line": pa.array(lines, pa.binary())}), name, row_group_size=group)
        parts = [[*chain(*asked_part(name, first, most))] for first in range(0, rows, most)]
        assert rows_of_files(Path(name)) == {name: rows}
    assert all(len(part) == most for part in parts[:-1])
    assert [*chain(*parts)] == lines


def test_without_ray_it_is_said_what_to_install(tmp_path, capsys, monkeypatch):
    source = tmp_path / "a.parquet"
    pa.parquet.write_table(pa.table({"line": spelled([case("A")]).splitlines()}), source)
    monkeypatch.setitem(sys.modules, "ray", None)
    assert main(["parquet", str(source), str(tmp_path / "out"), "--engine", "ray"], environ={}) == 1
    assert "install `coldcase[ray]`" in capsys.readouterr().err


@pytest.mark.slow
def test_on_ray_the_same_comes_out(answered, table, tmp_path):
    """In a process of its own: what Ray says and keeps is no part of these tests. The rows are of several
    parts; that a million stay in their order is for `tests.scale.ray_run` to say.
    """
    pytest.importorskip("ray", reason="the extra `ray` is not installed")
    lines = history() * 20
    here = answered({"line": spelled(lines).splitlines()}, "--jobs", "1", name="here")
    args = ["parquet", str(tmp_path / "here.parquet"), str(tmp_path / "on-ray"), "--engine", "ray"]
    args += ["--jobs", "2", "--table", str(table)]
    subprocess.run([sys.executable, "-m", "coldcase", *args], check=True, capture_output=True, timeout=300)
    assert len([*(tmp_path / "on-ray").iterdir()]) > 1
    assert rows_of(tmp_path / "on-ray") == rows_of(here)
