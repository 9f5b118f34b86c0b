"""Retention, by the commands: a year goes out into a verified file, and the chain holds."""

import asyncio
import gzip
import json

import psycopg
import pytest
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool
from uuid_utils.compat import uuid4, uuid7

from coldcase.app import create_app
from coldcase.cli import main
from coldcase.db import archive
from coldcase.db.engine import driver_url
from coldcase.proof.decision_columns import PACKED_COLUMNS, StoredDecision
from coldcase.settings import Settings
from tests.auditing.conftest import SCOPES
from tests.web.conftest import Service


@pytest.fixture
def year(this_year) -> int:
    """The year before this one."""
    return this_year - 1


@pytest.fixture
def last_year(ledger, year):
    """Two decisions of last year, with all the rest under one seal."""
    columns = ", ".join(
        name
        for name in (*StoredDecision.__struct_fields__, *PACKED_COLUMNS)
        if name not in ("id", "xid", "recorded_at")
    )
    first = f"SELECT first_id_of_year({year}) AS first"
    for number in range(2):
        ledger.harm(
            f"INSERT INTO decision (id, recorded_at, {columns})"
            f" SELECT (overlay(left(first::text, 35) PLACING '7000-8' FROM 15) || '{number}')::uuid, "
            f"'{year}-01-01T00:00:00Z', {columns}"
            f" FROM decision, ({first}) AS year WHERE decision.id = '{ledger.ids[number]}'"
        )
    ledger.harm("DELETE FROM audit_seal_member", "DELETE FROM audit_seal")
    asyncio.run(ledger.seal())
    return [row[0] for row in ledger.ask(f"SELECT id FROM decision_{year} ORDER BY id")]


@pytest.mark.parametrize("drop", [False, True])
def test_a_year_goes_into_a_file_and_the_chain_still_holds(ledger, command, last_year, year, tmp_path, drop):
    code, out, _ = command("archive", str(year), "--to", str(tmp_path), *(["--drop"] if drop else []))

    file = tmp_path / f"decisions-{year}.ndjson.gz"
    assert (code, out.strip()) == (0, str(file))
    assert file.stat().st_mode & 0o077 == 0
    rows = [json.loads(line) for line in gzip.decompress(file.read_bytes()).splitlines()]
    assert [row["id"] for row in rows] == [str(id_) for id_ in last_year]
    assert ledger.ask(f"SELECT count(*)::int FROM decision WHERE id < first_id_of_year({year + 1})") == [(0,)]
    assert (ledger.ask(f"SELECT to_regclass('decision_{year}')") == [(None,)]) == drop
    [event] = ledger.ask(
        "SELECT subject, details::json ->> 'count', remote, salt IS NOT NULL FROM audit_event WHERE "
        "action = 'year.archived'"
    )
    assert event[:2] == (str(year), "2")
    assert event[2].startswith("command line, ")
    code, out, told = command("verify")
    assert (code, out, f"the 2 decisions of {year} are believed gone, file not shown" in told) == (
        1,
        "",
        True,
    )
    assert told.splitlines()[-2].endswith(
        f"; nothing wrong with what is here, but the archive of {year} was not shown"
    )
    code, out, told = command("verify", "--without-archives")
    assert (code, out, "nothing wrong" in told, "excused" in told, "--without-archives" in told) == (
        0,
        "",
        True,
        True,
        False,
    )
    code, out, told = command("verify", "--archive", str(file))
    assert (code, out, "2 in archived years" in told, "not shown" in told) == (0, "", True, False)
    assert "was taken out already" in command("archive", str(year), "--to", str(tmp_path))[2]


def test_nothing_is_added_to_a_year_that_is_being_archived(ledger, last_year, year):
    columns = ", ".join(
        name for name in (*StoredDecision.__struct_fields__, *PACKED_COLUMNS) if name not in ("id", "xid")
    )

    async def add_meanwhile() -> None:
        async with create_async_engine(
            driver_url(ledger.database.owner_url), poolclass=NullPool
        ).begin() as conn:
            assert await archive.is_there(conn, year)
            with psycopg.connect(ledger.superuser_url) as other:
                other.execute("SET lock_timeout = 200")
                with pytest.raises(psycopg.errors.LockNotAvailable):
                    other.execute(
                        f"INSERT INTO decision (id, {columns}) SELECT (left(id::text, 35) || "
                        f"'9')::uuid, {columns}"
                        f" FROM decision WHERE id = '{last_year[0]}'"
                    )

    asyncio.run(add_meanwhile())


def rewrite(file, change) -> None:
    lines = [json.loads(line) for line in gzip.decompress(file.read_bytes()).splitlines()]
    file.write_bytes(gzip.compress(b"".join(json.dumps(line).encode() + b"\n" for line in change(lines))))


HARMS = {
    "a confidence changed": (lambda rows: [{**rows[0], "confidence": 1}, *rows[1:]], "was changed"),
    "a decision left out": (lambda rows: rows[1:], "made of 2 decisions and holds 1"),
    "a decision put in": (lambda rows: [*rows, {**rows[0], "id": str(uuid7())}], "was inserted"),
}


@pytest.mark.parametrize("harm", HARMS)
def test_an_archive_that_was_changed_is_named(command, last_year, year, tmp_path, harm):
    command("archive", str(year), "--to", str(tmp_path))
    file = tmp_path / f"decisions-{year}.ndjson.gz"
    change, words = HARMS[harm]
    rewrite(file, change)

    code, out, _ = command("verify", "--archive", str(file))
    assert code == 1
    assert words in out
    assert "is not the file of any archived year" in out


def test_what_is_not_as_it_was_sealed_is_not_taken_out(ledger, command, last_year, year, tmp_path):
    ledger.harm(f"UPDATE decision SET confidence = 1 WHERE id = '{last_year[1]}'")
    code, _, told = command("archive", str(year), "--to", str(tmp_path))

    assert (code, "is not as it was sealed" in told) == (1, True)
    assert list(tmp_path.iterdir()) == []
    assert ledger.ask(f"SELECT count(*)::int FROM decision WHERE id < first_id_of_year({year + 1})") == [(2,)]


def test_a_year_that_is_not_there_or_not_over_is_refused(command, tmp_path, this_year):
    for year, words in ((this_year, "is not over"), (1999, "holds no year 1999")):
        code, _, told = command("archive", str(year), "--to", str(tmp_path))
        assert (code, words in told) == (1, True)


def test_a_year_that_is_not_sealed_is_refused(ledger, command, last_year, year, tmp_path):
    ledger.harm("DELETE FROM audit_seal_member")
    code, _, told = command("archive", str(year), "--to", str(tmp_path))
    assert (code, "is not under a seal yet" in told) == (1, True)


def test_verify_names_what_is_wrong_and_exits_with_one(ledger, command):
    ledger.harm(f"UPDATE decision SET confidence = confidence - 1 WHERE id = '{ledger.ids[1]}'")

    code, out, told = command("verify")
    assert (code, out) == (1, f"changed: decision {ledger.ids[1]} was changed (confidence)\n")
    assert "1 wrong" in told
    code, out, _ = command("verify", "--json")
    assert (code, json.loads(out)["troubles"][0]["record"]) == (1, str(ledger.ids[1]))


def test_verify_wants_a_whole_head(command):
    assert command("verify", "--expect", "abc")[0] == 2


def test_keys_made_and_revoked_on_the_command_line_leave_events(ledger, capsys):
    place = ["--owner-url", ledger.database.owner_url]
    assert main(["keys", "create", "--client", "Cheese Store", "--scope", "preview", *place], {}) == 0
    key = capsys.readouterr().err.split("key ")[1].split(" ")[0]
    assert main(["keys", "revoke", key, *place], {}) == 0
    found = ledger.ask(
        "SELECT action, by_role, remote LIKE 'command line, %@%' FROM audit_event WHERE subject = "
        f"'{key}' ORDER BY id"
    )
    assert found == [("key.created", "coldcase_owner", True), ("key.revoked", "coldcase_owner", True)]


def over_http(ledger, work):
    """What `work` comes to, given callers of the record's first client and of another, with the service
    running meanwhile."""

    async def run():
        app = create_app(
            Settings(database_url=ledger.database.service_url, pool_size=2, warm_properties=False)
        )
        async with app.lifespan():
            running = Service(app, ledger.database.owner_url)
            callers = [await running.caller(*SCOPES, client=name) for name in ("Tern Haven", "Butter Store")]
            try:
                return await work(*callers)
            finally:
                for caller in running.open:
                    await caller.aclose()

    return asyncio.run(run())


def test_a_verdict_retried_after_its_year_was_archived_is_answered_as_at_first(
    ledger, command, last_year, year, tmp_path
):
    place, given = f"/v1/decisions/{last_year[0]}/verdicts", {"cause": "moisture", "basis": "teardown"}

    async def post(caller, *, key=None, path=place, **changed):
        return await caller.post(
            path, json=given | changed, headers={} if key is None else {"Idempotency-Key": key}
        )

    async def work(caller, stranger):
        first = await post(caller, key="wo-1")
        assert (await asyncio.to_thread(command, "archive", str(year), "--to", str(tmp_path)))[0] == 0
        again = await post(caller, key="wo-1")
        refused = [
            await post(caller, key="wo-1", basis="field"),
            await post(caller, key="wo-1", basis="rumour"),
            await post(caller, key="wo-1", cause="AAA"),
            await post(caller, key="wo-1", path=f"/v1/decisions/{last_year[1]}/verdicts"),
            await post(caller, key="wo-2"),
            await post(caller),
            await post(caller, basis="rumour"),
            await post(stranger, key="wo-1"),
            await post(caller, path=f"/v1/decisions/{uuid7()}/verdicts"),
            await post(caller, path=f"/v1/decisions/{uuid4()}/verdicts"),
        ]
        return first, again, refused

    first, again, refused = over_http(ledger, work)
    assert (first.status_code, again.status_code, again.content) == (201, 200, first.content)
    assert (again.headers["Answer-Repeated"], again.headers["Location"]) == (
        "true",
        f"/v1/decisions/{last_year[0]}",
    )
    kinds = [(told.status_code, told.json()["type"].removeprefix("/problems/")) for told in refused]
    assert kinds == [(422, "key_reused")] * 4 + [(410, "archived")] * 4 + [(404, "not_found")] * 2
    assert str(year) in refused[4].json()["detail"]
