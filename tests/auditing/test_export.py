"""Exports: the same rows in every format, each row the stored texts, nobody else's rows."""

import csv
import io
import json
import sys
from datetime import datetime
from uuid import UUID

import pyarrow.parquet
import pytest

from coldcase.db import export
from tests.auditing.conftest import SCOPES, cases

pytestmark = pytest.mark.anyio


@pytest.fixture(scope="module")
async def clerk(service):
    """A client with twelve decisions, one of them with two verdicts; and a stranger with one."""
    caller = await service.caller(*SCOPES, client="Butter Store")
    ids = [(await caller.post("/v1/classifications", json=one)).json()["id"] for one in cases(12)]
    for cause in ("acid_carryover", "moisture"):
        await caller.post(f"/v1/decisions/{ids[1]}/verdicts", json={"cause": cause, "basis": "teardown"})
    stranger = await service.caller(*SCOPES, client="Milk Store")
    await stranger.post("/v1/classifications", json=cases(1)[0])
    return caller


async def exported(caller, query="", **headers):
    answered = await caller.get(f"/v1/decisions/export{query}", headers=headers)
    assert answered.status_code == 200, answered.text
    return answered


async def lines(caller, query="?full=true"):
    *rows, last = [json.loads(line) for line in (await exported(caller, query)).text.splitlines()]
    assert last == {"summary": {"rows": len(rows)}}
    return rows


async def test_ndjson_holds_every_decision_as_it_was_recorded(clerk):
    rows = await lines(clerk)

    assert len(rows) == 12
    assert [row["id"] for row in rows] == sorted(row["id"] for row in rows)
    for row in rows:
        record = (await clerk.get(f"/v1/decisions/{row['id']}")).json()
        assert (row["case"], row["answer"], row["confidence"]) == (
            record["case"],
            record["answer"],
            record["answer"]["confidence"],
        )
        assert list(row) == list(export.columns(full=True))
    judged = rows[1]
    assert (judged["verdict_cause"], judged["verdict_basis"], judged["verdict_not_determinable"]) == (
        "moisture",
        "teardown",
        False,
    )
    assert rows[0]["verdict_basis"] is None


async def test_case_and_answer_come_only_when_asked_for(clerk):
    full = await lines(clerk)
    texts = ("case", "answer")
    short = [{name: value for name, value in row.items() if name not in texts} for row in full]
    assert await lines(clerk, "") == await lines(clerk, "?full=false") == short
    answered = await exported(clerk, "?format=csv")
    assert answered.text.partition("\r\n")[0].split(",") == list(short[0])


async def test_csv_and_parquet_hold_the_same(clerk):
    rows = await lines(clerk)
    answered = await exported(clerk, "?full=true", Accept="text/csv")
    assert answered.headers["Content-Type"] == "text/csv; charset=utf-8"
    table = list(csv.DictReader(io.StringIO(answered.text, newline="")))
    parquet = await exported(clerk, "?format=parquet&full=true")
    assert parquet.headers["Content-Type"] == "application/vnd.apache.parquet"
    columns = pyarrow.parquet.read_table(io.BytesIO(parquet.content))

    assert list(table[0]) == columns.column_names == list(rows[0])
    for name, kind in export.EXPORT_COLUMNS.items():
        told = [row[name] for row in rows]
        assert [read(row[name], kind) for row in table] == [read(value, kind) for value in told]
        assert [read(value, kind) for value in columns[name].to_pylist()] == [
            read(value, kind) for value in told
        ]
    assert [json.loads(row["answer"]) for row in table] == [row["answer"] for row in rows]
    assert [json.loads(text) for text in columns["case"].to_pylist()] == [row["case"] for row in rows]
    assert columns.schema.field("recorded_at").type.tz == "UTC"


def read(value, kind):
    """A value as JSON, CSV or Parquet has it, as what it means."""
    if value in (None, "") or kind in (str, UUID):
        return value or None
    if kind is bool:
        return {"true": True, "false": False}.get(value, value)
    if kind is datetime:
        return value if isinstance(value, datetime) else datetime.fromisoformat(value)
    return kind(value)


async def test_csv_quotes_what_rfc_4180_wants_quoted(service, case):
    caller = await service.caller(*SCOPES, client="Cheese Store")
    awkward = 'rack "B", left of the door'
    case["job"] = {"ref": awkward, "circuit": "=1+1"}
    recorded = await caller.post("/v1/classifications", json=case)
    assert recorded.status_code == 201, recorded.text

    text = (await exported(caller, "?format=csv")).text
    assert ',"rack ""B"", left of the door",' in text
    assert text.endswith("\r\n")
    [row] = csv.DictReader(io.StringIO(text, newline=""), strict=True)
    assert (row["job_ref"], row["circuit"], row["closed_at"]) == (awkward, "'=1+1", "")


@pytest.mark.parametrize("begins", ["=", "+", "-", "@"])
async def test_no_cell_of_a_csv_export_begins_a_formula_unless_that_is_asked_for(service, case, begins):
    caller = await service.caller(*SCOPES, client=f"Store {begins}")
    told = f"{begins}HYPERLINK(1)"
    case["job"], case["unit"]["refrigerant"] = {"ref": told, "circuit": f"a{told}"}, told
    await caller.post("/v1/classifications", json=case)

    async def row(query):
        [only] = csv.DictReader(io.StringIO((await exported(caller, query)).text, newline=""), strict=True)
        return only

    safe, raw = await row("?format=csv"), await row("?format=csv&safe=false")
    assert (safe["job_ref"], safe["refrigerant"], safe["circuit"]) == (f"'{told}", f"'{told}", f"a{told}")
    assert (raw["job_ref"], raw["refrigerant"]) == (told, told)
    differing = {name for name in safe if safe[name] != raw[name]}
    assert differing == {"job_ref", "refrigerant"}
    for format_ in ("ndjson", "parquet"):
        assert [one["job_ref"] for one in await as_rows(caller, format_)] == [told]


@pytest.mark.parametrize("format_", ["ndjson", "csv", "parquet"])
async def test_a_client_exports_its_own_and_head_office_all(service, clerk, format_):
    own = {row["client"] for row in await as_rows(clerk, format_)}
    office = await service.caller("decisions:read:all", client="Head Office")
    everything = {row["client"] for row in await as_rows(office, format_)}
    assert own == {"Butter Store"}
    assert {"Butter Store", "Milk Store"} <= everything


async def as_rows(caller, format_, query=""):
    answered = await exported(caller, f"{query or '?'}&format={format_}")
    if format_ == "parquet":
        return pyarrow.parquet.read_table(io.BytesIO(answered.content)).to_pylist()
    if format_ == "csv":
        return list(csv.DictReader(io.StringIO(answered.text, newline="")))
    return [json.loads(line) for line in answered.text.splitlines()][:-1]


@pytest.mark.parametrize(
    "query",
    [
        "?cause=moisture",
        "?circuit=rack-0&status=undetermined",
        "?has_verdict=true",
        "?from=2026-02-01T00:00:00Z",
        "?job_ref=nothing",
        "?by=recorded_at&to=2026-02-01T00:00:00Z",
    ],
)
@pytest.mark.parametrize("format_", ["ndjson", "csv", "parquet"])
async def test_filters_are_those_of_a_search(clerk, query, format_):
    found = [row["id"] for row in await as_rows(clerk, format_, query)]
    assert found == sorted(row["id"] for row in (await clerk.get(f"/v1/decisions{query}")).json()["items"])


async def test_what_it_cannot_write_is_refused(clerk):
    assert (await clerk.get("/v1/decisions/export", headers={"Accept": "image/png"})).status_code == 406
    assert (await clerk.get("/v1/decisions/export?format=xlsx")).status_code == 400
    assert (await clerk.get("/v1/decisions/export?colour=red")).status_code == 400


async def test_without_pyarrow_parquet_is_refused_and_the_rest_goes_on(clerk, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    answered = await clerk.get("/v1/decisions/export?format=parquet")
    assert (answered.status_code, "coldcase[parquet]" in answered.json()["detail"]) == (406, True)
    assert len(await lines(clerk)) == 12
