"""What the README says of backup, restore, upgrade and archive, done as it stands there, with PostgreSQL's
own programs."""

import asyncio
import os
import re
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest

from coldcase.db import embedded, migrating
from coldcase.db.server_programs import wheel_programs
from coldcase.proof.verdict_prints import verdict_fingerprint
from tests.auditing.conftest import plain
from tests.auditing.test_archive import last_year, year

__all__ = ["last_year", "year"]

# Each step is a process. What a step promises is tried within one in test_restore.py, test_archive.py,
# test_packing_texts.py, test_sealing.py and tests/migrations.
pytestmark = pytest.mark.slow

README = (Path(__file__).parents[2] / "README.md").read_text()
SECTION = README.split("## Operate it for years")[1].split("\n## ")[0]
BACKUP, RESTORE, UPGRADE, PACK, ACKNOWLEDGE, ARCHIVE = re.findall(r"```sh\n(.*?)```", SECTION, re.DOTALL)


@pytest.fixture
def shell(ledger, tmp_path):
    """Runs a block of the README, all of it, whatever fails; what was said, and how the last command
    ended."""
    coldcase = tmp_path / "coldcase"
    coldcase.write_text(f'#!/bin/sh\nexec {sys.executable} -m coldcase "$@"\n')
    coldcase.chmod(0o755)
    environ = {**os.environ, "PATH": f"{tmp_path}:{wheel_programs()}:{os.environ['PATH']}"}
    environ |= {
        "OWNER": plain(ledger.database.owner_url),
        "SERVICE": plain(ledger.database.service_url),
        "HEAD": ledger.head,
    }

    def run(block: str, **more: str):
        done = subprocess.run(
            ["sh", "-c", block],
            cwd=tmp_path,
            env={**environ, **more},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        return done.returncode, done.stdout, done.stderr

    return run


@pytest.fixture
def elsewhere():
    """Another server, with an empty database and none of the service's roles; the URLs of its owner and of
    the service."""
    with embedded.temporary(fsync="off") as server:
        with psycopg.connect(plain(server.url(embedded.SUPERUSER, "postgres")), autocommit=True) as conn:
            conn.execute(f"CREATE DATABASE restored OWNER {embedded.OWNER}")
            assert conn.execute(
                "SELECT count(*) FROM pg_roles WHERE rolname LIKE 'coldcase%'"
            ).fetchone() == (1,)
        yield {
            "NEW_OWNER": plain(server.url(embedded.OWNER, "restored")),
            "NEW_SERVICE": plain(server.url(embedded.SERVICE, "restored")),
        }


def test_a_record_is_backed_up_and_restored_on_a_server_without_its_roles(ledger, shell, elsewhere):
    code, _, told = shell(BACKUP)
    assert (code, f"head {ledger.head}" in told) == (0, True), told

    code, out, told = shell(RESTORE, **elsewhere)

    assert (code, out) == (0, ""), told
    for made in ("policy seen on decision", "grant coldcase_service on decision", "function publish_first"):
        assert f"made anew, for it was missing: {made}" in told
    with psycopg.connect(elsewhere["NEW_OWNER"]) as conn:
        assert conn.execute("SELECT count(*) FROM decision").fetchone() == (12,)
        assert conn.execute(
            "SELECT action, details::json ->> 'made' LIKE '%policy seen%' FROM audit_event ORDER BY "
            "id DESC LIMIT 1"
        ).fetchone() == (
            "guards.mended",
            True,
        )


def test_a_dump_of_before_the_head_that_was_kept_is_told(shell, elsewhere):
    shell(BACKUP)
    code, out, _ = shell(RESTORE, **elsewhere, HEAD="00" * 32)
    assert (code, "expected: no seal has the expected head" in out) == (1, True)


def as_the_first_release_kept_it(ledger) -> str:
    """Takes from the verdicts who established them and when, which it could not say; the head of the seals
    anew."""
    said = {
        "cause": "moisture",
        "not_determinable": False,
        "basis": "teardown",
        "note": "copper on the journals",
    }
    said |= {"established_by": None, "established_at": None}
    for verdict in ledger.verdicts:
        [(decision,)] = ledger.ask(f"SELECT decision_id FROM verdict WHERE id = '{verdict}'")
        print_of = verdict_fingerprint(decision, said).hex()
        ledger.harm(
            "UPDATE verdict SET established_by = NULL, established_at = NULL,"
            f" fingerprint = '\\x{print_of}' WHERE id = '{verdict}'"
        )
    ledger.harm("DELETE FROM audit_seal_member", "DELETE FROM audit_seal")
    return asyncio.run(ledger.seal()).head.hex()


def test_a_record_is_upgraded_from_the_first_release_that_sealed(ledger, shell):
    head = as_the_first_release_kept_it(ledger)
    migrating.downgrade(ledger.database.owner_url, "20261125_1050")
    code, out, told = shell(UPGRADE, HEAD=head)
    assert (code, out) == (0, ""), told
    # What it kept as text is packed, and is still what was sealed then.
    code, out, told = shell(PACK)
    assert (code, out) == (0, ""), told
    assert f"coldcase: {len(ledger.ids)} answers packed" in told
    assert shell('coldcase verify --database-url "$SERVICE" --expect "$HEAD"', HEAD=head)[0] == 0


def test_a_year_is_archived_and_verified_with_its_file(ledger, shell, last_year, year, tmp_path):
    (tmp_path / "years").mkdir()
    code, out, told = shell(ARCHIVE, YEAR=str(year), ARCHIVE=str(tmp_path / "years"))
    assert (code, out) == (0, f"{tmp_path}/years/decisions-{year}.ndjson.gz\n"), told
    assert "2 in archived years" in told


def test_known_disorder_is_acknowledged_and_any_other_still_rings(ledger, shell):
    verify = 'coldcase verify --database-url "$SERVICE"'
    ledger.harm(f"UPDATE decision SET confidence = confidence - 1 WHERE id = '{ledger.ids[1]}'")
    assert shell(verify)[0] == 1

    code, out, told = shell(ACKNOWLEDGE, REASON="a slip at the console")

    assert (code, out, "1 troubles acknowledged on " in told, "a slip at the console" in told) == (
        0,
        "",
        True,
        True,
    )
    assert shell(verify)[0] == 0
    for harmed in (0, 1):
        ledger.harm(f"UPDATE decision SET confidence = confidence - 1 WHERE id = '{ledger.ids[harmed]}'")
        code, out, _ = shell(verify)
        assert (code, f"decision {ledger.ids[harmed]} was changed" in out) == (1, True)
