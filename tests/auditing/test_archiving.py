"""Archives that never were, and archiving while others read and record."""

import asyncio
import gzip
import os
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import psycopg
import pytest

from coldcase.auditing import archiving
from coldcase.db import archive as store
from coldcase.db.recorder import Recorder
from tests.auditing.conftest import plain
from tests.auditing.test_archive import last_year, year
from tests.db.conftest import begun, new_decision
from tests.proof.test_leaves import DECISION

__all__ = ["last_year", "new_decision", "year"]

ROW = "INSERT INTO audit_archive (year, at, count, file_sha256) VALUES ({year}, now(), {count}, sha256('x'))"
EVENT = (
    "INSERT INTO audit_event (at, action, subject, by_role, details) VALUES (now(), 'year.archived', "
    "'{year}', 'coldcase_owner',"
    ' format(\'{{"count":{count},"dropped":false,"file_sha256":"%s"}}\', encode(sha256(\'x\'), \'hex\')))'
)


LINE_MEMBERS = (
    "id client_id recorded_at xid idempotency_key fingerprint case_text answer_text cause status confidence "
    "job_ref circuit closed_at compressor_type refrigerant rule_table engine supersedes"
)


def test_a_line_has_the_members_of_the_first_files_in_their_order(tmp_path):
    members = archiving._members(DECISION)
    assert " ".join(members) == LINE_MEMBERS
    path = tmp_path / "decisions-2026.ndjson.gz"
    path.write_bytes(gzip.compress(msgspec.json.encode(members)))
    assert list(archiving.read_rows(path)) == [[DECISION]]


def test_a_line_has_own_words_where_there_are_any(tmp_path):
    row = msgspec.structs.replace(DECISION, own_words='{"crosswalk":"form","sent":{},"version":1}')
    path = tmp_path / "decisions-2026.ndjson.gz"
    path.write_bytes(gzip.compress(msgspec.json.encode(archiving._members(row))))
    assert list(archiving.read_rows(path)) == [[row]]


def named(ledger, **options) -> dict[str, int]:
    found: dict[str, int] = {}
    for discrepancy in asyncio.run(ledger.verify(**options)).troubles:
        found[discrepancy.what] = found.get(discrepancy.what, 0) + 1
    return found


def test_a_false_row_forgives_no_deletion(ledger, this_year):
    ledger.harm(f"DELETE FROM decision WHERE id = '{ledger.ids[0]}'", ROW.format(year=this_year, count=1))
    assert named(ledger, expect=ledger.head) == {"missing": 1, "archive": 1}


def test_nor_does_a_forged_event_of_a_year_that_otherwise_stands(ledger, this_year):
    told = {"year": this_year, "count": 1}
    ledger.harm(
        f"DELETE FROM decision WHERE id = '{ledger.ids[0]}'", ROW.format(**told), EVENT.format(**told)
    )
    assert named(ledger) == {"missing": 1, "archive": 1}
    asyncio.run(ledger.seal())
    assert named(ledger) == {"missing": 1, "archive": 1}


def test_nor_one_of_another_count(ledger, this_year):
    told = {"year": this_year, "count": 11}
    ledger.harm("DELETE FROM decision", ROW.format(**told), EVENT.format(**told))
    asyncio.run(ledger.seal())
    assert named(ledger) == {"missing": 12, "archive": 1}


def test_a_whole_year_under_a_forged_event_is_believed_gone_and_never_shown(ledger, command, this_year):
    told = {"year": this_year, "count": 12}
    ledger.harm("DELETE FROM decision", ROW.format(**told), EVENT.format(**told))
    asyncio.run(ledger.seal())
    code, out, told = command("verify")
    assert (code, out, f"the 12 decisions of {this_year} are believed gone, file not shown" in told) == (
        1,
        "",
        True,
    )


@pytest.mark.parametrize("change", ["count = 1", "file_sha256 = sha256('other')"])
def test_a_row_that_says_other_than_its_event_is_named(ledger, command, last_year, year, tmp_path, change):
    assert command("archive", str(year), "--to", str(tmp_path))[0] == 0
    ledger.harm(f"UPDATE audit_archive SET {change}")
    file = tmp_path / f"decisions-{year}.ndjson.gz"
    assert command("verify", "--archive", str(file))[:2] == (
        1,
        f"archive: the archive of {year} stands with another count or file than its sealed event says\n",
    )


def test_a_decision_that_comes_back_after_its_archive_is_named(ledger, command, last_year, year, tmp_path):
    command("archive", str(year), "--to", str(tmp_path))
    ledger.harm(
        f"ALTER TABLE decision ATTACH PARTITION decision_{year} FOR VALUES FROM "
        f"(first_id_of_year({year})) TO (first_id_of_year({year + 1}))"
    )
    assert "the record holds 2" in command("verify")[1]


@contextmanager
def reader(ledger):
    """Somebody who has read decisions and leaves the transaction open."""
    with psycopg.connect(plain(ledger.database.owner_url)) as conn:
        conn.execute("SELECT count(*) FROM decision")
        yield conn


async def record_all_the_while(ledger, new_decision, work):
    """Records one decision after another while a command works; how long the slowest took, and what the
    command gave back."""
    recorder = await begun(Recorder(ledger.database.service_url))
    running = asyncio.create_task(asyncio.to_thread(work))
    slowest = 0.0
    try:
        while not running.done():
            began = time.perf_counter()
            await recorder.record(new_decision(recorded_at=datetime.now(UTC)))
            slowest = max(slowest, time.perf_counter() - began)
        return slowest, recorder.rows, await running
    finally:
        await recorder.close()


def test_an_archive_that_waits_for_a_reader_holds_up_no_recording(
    ledger, command, last_year, year, tmp_path, new_decision, monkeypatch
):
    monkeypatch.setattr(store, "DETACH_TRIES", 3)
    archive = lambda: command("archive", str(year), "--to", str(tmp_path))  # noqa: E731
    with reader(ledger):
        slowest, rows, (code, _, told) = asyncio.run(record_all_the_while(ledger, new_decision, archive))

    assert (code, "Decisions are being read all the time" in told) == (1, True)
    # Nothing was refused (each would have raised), and each waited for one try at most.
    assert rows > 5
    assert slowest < 1.5
    assert list(tmp_path.iterdir()) == []
    assert ledger.ask(f"SELECT count(*)::int FROM decision WHERE id < first_id_of_year({year + 1})") == [(2,)]
    assert ledger.ask("SELECT count(*)::int FROM audit_event WHERE action = 'year.archived'") == [(0,)]
    assert archive()[0] == 0


def test_an_archive_goes_on_once_the_reader_has_ended(
    ledger, command, last_year, year, tmp_path, new_decision
):
    def archive():
        with reader(ledger) as conn:
            running = asyncio.new_event_loop()
            try:
                running.call_later(1, conn.rollback)
                return running.run_until_complete(
                    asyncio.to_thread(command, "archive", str(year), "--to", str(tmp_path))
                )
            finally:
                running.close()

    slowest, _, (code, _, _) = asyncio.run(record_all_the_while(ledger, new_decision, archive))
    assert code == 0
    assert slowest < 1.5


def test_a_year_without_decisions_is_refused(ledger, command, year, tmp_path):
    code, _, told = command("archive", str(year), "--to", str(tmp_path))
    assert (code, f"no decision that was recorded in {year}" in told) == (1, True)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_could_not_be_written_whole_is_removed(command, last_year, year, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        command("archive", str(year), "--to", str(tmp_path))
    assert list(tmp_path.iterdir()) == []
    monkeypatch.undo()
    assert command("archive", str(year), "--to", str(tmp_path))[0] == 0


def test_file_and_folder_are_on_the_disk_before_the_year_goes(
    command, last_year, year, tmp_path, monkeypatch
):
    done = []
    fsync, take_out = os.fsync, store.take_out

    def synced(handle):
        done.append(str(Path(f"/proc/self/fd/{handle}").readlink()))
        fsync(handle)

    async def taken(*args, **options):
        done.append("taken out")
        return await take_out(*args, **options)

    monkeypatch.setattr("os.fsync", synced)
    monkeypatch.setattr(store, "take_out", taken)
    assert command("archive", str(year), "--to", str(tmp_path), "--drop")[0] == 0
    assert done == [str(tmp_path / f"decisions-{year}.ndjson.gz"), str(tmp_path), "taken out"]
