"""A record that was dumped and restored with PostgreSQL's own programs goes on in its new server, and
verifies good there."""

import asyncio
import json
import subprocess
from contextlib import contextmanager
from dataclasses import dataclass

import psycopg
import pytest
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool

from coldcase.auditing import sealing, verifying
from coldcase.db import embedded, migrating
from coldcase.db.engine import driver_url
from coldcase.db.server_programs import wheel_programs
from tests.auditing.conftest import plain
from tests.auditing.test_seals import copy_of

OLDER = "DO $$ BEGIN FOR i IN 1..20000 LOOP PERFORM pg_current_xact_id(); COMMIT; END LOOP; END $$"
"""A server that has long been at work numbers its transactions higher than the one that the record is
restored into."""


@dataclass
class Restored:
    """The record in its new server."""

    owner_url: str
    service_url: str
    superuser_url: str
    ids: list

    def run(self, work, **options):
        async def once():
            engine = create_async_engine(driver_url(self.service_url), poolclass=NullPool)
            async with engine.begin() as conn:
                return await work(conn, **options)

        return asyncio.run(once())

    def verify(self):
        return self.run(verifying.verify)

    def seal(self):
        return self.run(sealing.seal)

    @contextmanager
    def behind_its_back(self):
        with psycopg.connect(self.superuser_url, autocommit=True) as conn:
            conn.execute("SET session_replication_role = replica")
            yield conn

    def insert(self, *, xid: str = "pg_current_xact_id()", at: str = "now()") -> None:
        with self.behind_its_back() as conn:
            conn.execute(copy_of(self, xid=xid, recorded_at=at))


def program(name: str, *arguments: str, check: bool = True) -> None:
    subprocess.run([wheel_programs() / name, *arguments], check=check, capture_output=True)


@pytest.fixture
def restored(ledger, tmp_path):
    """Restored with two decisions that no seal held at the dump."""
    with psycopg.connect(ledger.superuser_url, autocommit=True) as conn:
        conn.execute(OLDER)
    ledger.harm(*[copy_of(ledger, xid="pg_current_xact_id()", recorded_at="now()") for _ in range(2)])
    dump = tmp_path / "record.dump"
    program("pg_dump", "--format=custom", f"--file={dump}", plain(ledger.database.owner_url))
    with embedded.temporary(fsync="off") as server:
        superuser = plain(server.url(embedded.SUPERUSER, embedded.DATABASE))
        with psycopg.connect(superuser, autocommit=True) as conn:
            [(here,)] = conn.execute(
                "SELECT pg_snapshot_xmax(pg_current_snapshot())::text::bigint"
            ).fetchall()
        [(there,)] = ledger.ask("SELECT pg_snapshot_xmin(pg_current_snapshot())::text::bigint")
        assert here < there - 10_000
        # The service's roles are not there: it says so, goes on, and the migration makes what is missing.
        program("pg_restore", "--no-owner", f"--dbname={plain(server.owner_url)}", str(dump), check=False)
        migrating.upgrade(server.owner_url)
        yield Restored(server.owner_url, server.service_url, superuser, ledger.ids)


def test_a_restored_record_goes_on_and_verifies_good_all_the_way(ledger, restored):
    found = restored.verify()
    assert (found.good, found.troubles, found.epochs, found.head) == (True, [], 1, ledger.head)
    assert found.unsealed >= 2
    restored.insert()
    assert restored.verify().troubles == []

    first = restored.seal()

    [(former,)] = ledger.ask("SELECT record_epoch()")
    assert (first.number, first.previous.hex(), first.count, first.epoch == former) == (
        4,
        ledger.head,
        found.unsealed + 1,
        False,
    )
    again = restored.verify()
    # The event of the restore itself is under the next seal.
    assert (again.good, again.epochs, again.unsealed) == (True, 2, 1)
    with restored.behind_its_back() as conn:
        [(details,)] = conn.execute(
            "SELECT details FROM audit_event WHERE action = 'record.restored'"
        ).fetchall()
    told = json.loads(details)
    assert told == {"from": former, "to": first.epoch, "last_seal": 3, "last_head": ledger.head}

    assert restored.seal().count == 1
    restored.insert()
    assert restored.seal().count == 1
    assert restored.seal() is None
    last = restored.verify()
    assert (last.good, last.unsealed, last.seals) == (True, 0, 6)


@pytest.mark.parametrize(
    ("xid", "at", "what"),
    [
        ("'4'", "now()", "inserted"),
        ("'4611686018427387904'", "now()", "inserted"),
        ("pg_current_xact_id()", "now() - interval '1 hour'", "backdated"),
    ],
)
def test_from_its_first_seal_there_what_is_slipped_in_is_named(restored, xid, at, what):
    restored.seal()
    restored.insert(xid=xid, at=at)
    assert [discrepancy.what for discrepancy in restored.verify().troubles] == [what]


def test_what_was_changed_in_the_dump_is_named(restored):
    with restored.behind_its_back() as conn:
        conn.execute("UPDATE decision SET confidence = 1 WHERE id = %s", [restored.ids[0]])
    assert [discrepancy.record for discrepancy in restored.verify().troubles] == [restored.ids[0]]
