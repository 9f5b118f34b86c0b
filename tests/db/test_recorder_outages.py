"""A database that hangs, goes away, takes nothing or loses a connection: nobody is told what is not so."""

import asyncio
import os
import signal
from pathlib import Path

import psycopg
import pytest
import structlog
from uuid_utils.compat import uuid7

from coldcase.db import embedded, migrating, server_programs
from coldcase.db.recorder import IDLE_SECONDS, MOST_IN_BATCH, Recorder
from coldcase.errors import OutcomeUnknown, StoreAway
from tests.db.conftest import begun, count, outcomes, plain
from tests.proxy import Proxy, socket_of

pytestmark = pytest.mark.anyio


def processes_of(server):
    parent = int((embedded.cluster(server.folder) / "postmaster.pid").read_text().splitlines()[0])
    return [parent, *map(int, Path(f"/proc/{parent}/task/{parent}/children").read_text().split())]


async def test_a_table_that_its_owner_holds_makes_nobody_wait_for_ever(
    recorder, new_decision, service_database, as_owner
):
    with psycopg.connect(plain(service_database.owner_url)) as owner:
        owner.execute("LOCK TABLE decision IN ACCESS EXCLUSIVE MODE")
        told = await outcomes([recorder.record(new_decision()) for _ in range(5)])
    assert [type(one) for one in told] == [StoreAway] * 5
    assert not (await recorder.record(new_decision())).replayed
    assert count(as_owner) == 1


REFUSE = """
CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS
    $$ BEGIN RAISE EXCEPTION 'no' USING ERRCODE = '{}'; END $$;
CREATE TRIGGER refuse BEFORE INSERT ON decision FOR EACH ROW EXECUTE FUNCTION refuse()
"""


@pytest.mark.parametrize(
    "state", ["53100", "25006", "58030"], ids=["disk_full", "read_only", "input_output_error"]
)
async def test_a_database_that_takes_no_records_is_said_to_be_away_until_it_does(
    recorder, new_decision, as_owner, state
):
    as_owner.execute(REFUSE.format(state))
    with structlog.testing.capture_logs() as logged:
        told = await outcomes([recorder.record(new_decision(key=f"wo-{number}")) for number in range(20)])
        assert {type(one) for one in told} == {StoreAway}
        assert len({id(one) for one in told}) == 20
        assert not recorder.available
        for _ in range(30):
            with pytest.raises(StoreAway):
                await recorder.record(new_decision())
        await asyncio.sleep(1.5 * IDLE_SECONDS)
        assert not recorder.available
    errors = [line for line in logged if line["log_level"] == "error"]
    assert 2 <= len(errors) <= 4
    assert (errors[-1]["sqlstate"], errors[-1]["refused"]) == (state, 50)

    as_owner.execute("DROP TRIGGER refuse ON decision")
    async with asyncio.timeout(10):
        while not recorder.available:
            await asyncio.sleep(0.02)
    assert count(as_owner) == 0
    assert not (await recorder.record(new_decision(key="wo-1"))).replayed


async def test_an_idle_recorder_notices_by_itself_that_nothing_comes_any_more(
    service_database, new_decision, postgres
):
    with Proxy(socket_of(postgres)) as proxy:
        distant = await begun(Recorder(proxy.instead_of(service_database.service_url)))
        await distant.record(new_decision())
        proxy.freeze()
        async with asyncio.timeout(10):
            while distant.available:
                await asyncio.sleep(0.02)
        proxy.thaw()
        async with asyncio.timeout(10):
            while not distant.available:
                await asyncio.sleep(0.02)
        assert not (await distant.record(new_decision())).replayed
        await distant.close()


async def test_each_who_waits_is_given_an_error_of_its_own(recorder, new_decision):
    calls = [asyncio.create_task(recorder.record(new_decision())) for _ in range(5)]
    await asyncio.sleep(0)
    recorder._give_up()
    told = await outcomes(calls)
    assert {type(one) for one in told} == {StoreAway}
    assert len({id(one) for one in told}) == 5


async def test_a_connection_ended_during_the_insert_tells_the_truth(
    recorder, new_decision, service_database, as_owner, postgres
):
    """The backend dies while it waits for a lock, so nothing was committed; the recorder finds that out and
    goes on."""
    as_superuser = psycopg.connect(
        plain(postgres.url(embedded.SUPERUSER, service_database.name)), autocommit=True
    )
    with as_superuser, psycopg.connect(plain(service_database.owner_url)) as owner:
        owner.execute("LOCK TABLE decision IN ACCESS EXCLUSIVE MODE")
        call = asyncio.create_task(recorder.record(new_decision()))
        for _ in range(300):
            await asyncio.sleep(0.01)
            if as_superuser.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE application_name = 'coldcase recorder' AND wait_event_type = 'Lock' AND "
                "datname = current_database()"
            ).fetchall():
                break
        else:
            pytest.fail("the recorder never waited for the lock")
        owner.rollback()
        with pytest.raises((StoreAway, OutcomeUnknown)):
            await call
    assert count(as_owner) == 0
    assert not (await recorder.record(new_decision())).replayed


async def test_a_connection_lost_on_our_side_commits_nothing_after_we_said_so(
    recorder, new_decision, service_database, as_owner, monkeypatch
):
    """Its other end does not know, waits for a key, and would commit once it has it: it is ended before
    anybody is told."""
    monkeypatch.setattr("coldcase.db.recorder.SETTLE_SECONDS", 20)
    await recorder._conn.wait_for_locks(60)
    with psycopg.connect(plain(service_database.service_url)) as other:
        other.execute(
            "INSERT INTO idempotency VALUES (1, 'held', %s, %s, now() + interval '1 day')",
            [b"x" * 32, uuid7()],
        )
        call = asyncio.create_task(recorder.record(new_decision(key="held")))
        while as_owner.execute("SELECT count(*) FROM pg_locks WHERE NOT granted").fetchone()[0] == 0:
            await asyncio.sleep(0.01)
        recorder._conn.raw.terminate()
        with pytest.raises(StoreAway):
            await call
        other.rollback()

    while as_owner.execute(
        "SELECT FROM pg_locks WHERE relation = 'idempotency'::regclass AND mode = 'RowExclusiveLock'"
    ).fetchall():
        await asyncio.sleep(0.01)
    assert count(as_owner) == 0


async def test_a_batch_that_was_committed_although_its_connection_broke_is_answered(
    recorder, new_decision, as_owner, monkeypatch
):
    connection = recorder._conn
    insert = connection.insert

    async def insert_then_break(rows, keys_live):
        await insert(rows, keys_live)
        connection.raw.terminate()
        raise ConnectionResetError

    monkeypatch.setattr(connection, "insert", insert_then_break)
    new = new_decision(key="wo-1")
    assert (await recorder.record(new)).answer == new.answer_text.encode()
    assert count(as_owner) == 1


async def test_closing_while_a_batch_is_looked_for_leaves_nobody_waiting(recorder, new_decision, monkeypatch):
    connection = recorder._conn

    async def break_while_closing(rows, keys_live):
        connection.raw.terminate()
        closing.append(asyncio.create_task(recorder.close()))
        raise ConnectionResetError

    closing = []
    monkeypatch.setattr(connection, "insert", break_while_closing)
    with pytest.raises(StoreAway):
        await recorder.record(new_decision())
    await closing[0]


@pytest.mark.slow
@pytest.mark.skipif(
    not Path("/proc/self/task").exists(), reason="finds the server's processes as Linux shows them"
)
async def test_a_server_that_hangs_is_given_up_and_found_again(tmp_path, new_decision):
    """Every process of it is stopped in the middle of its work: it takes connections and never answers."""
    with embedded.Embedded.start(tmp_path) as server:
        migrating.upgrade(server.owner_url)
        recorder = await begun(Recorder(server.service_url))
        await recorder.record(new_decision())
        processes = processes_of(server)
        try:
            for process in processes:
                os.kill(process, signal.SIGSTOP)
            async with asyncio.timeout(20):
                told = await outcomes(
                    [recorder.record(new_decision(key=f"wo-{number}")) for number in range(100)]
                )
                assert {type(one) for one in told} == {OutcomeUnknown, StoreAway}
                assert sum(isinstance(one, OutcomeUnknown) for one in told) == MOST_IN_BATCH
                with pytest.raises(StoreAway):
                    await recorder.record(new_decision())
        finally:
            for process in reversed(processes):
                os.kill(process, signal.SIGCONT)
        while not recorder.available:
            await asyncio.sleep(0.02)
        again = await asyncio.gather(
            *(recorder.record(new_decision(key=f"wo-{number}")) for number in range(100))
        )
        await recorder.close()
        with psycopg.connect(plain(server.owner_url)) as owner:
            assert count(owner) == 101
    assert len({one.id for one in again}) == 100


async def test_a_database_that_goes_away_is_said_to_be_and_is_found_again(tmp_path, new_decision):
    with embedded.Embedded.start(tmp_path) as server:
        migrating.upgrade(server.owner_url)
        recorder = await begun(Recorder(server.service_url))
        await recorder.record(new_decision())
        programs = embedded.wheel_programs()
        await asyncio.to_thread(embedded.halt, server.folder, programs)
        for _ in range(3):
            with pytest.raises(StoreAway):
                await recorder.record(new_decision())
        assert not recorder.available
        await asyncio.to_thread(embedded.launch, server.folder, programs, {})
        while not recorder.available:
            await asyncio.sleep(0.02)
        await recorder.record(new_decision())
        await recorder.close()
        with psycopg.connect(plain(server.owner_url)) as owner:
            assert count(owner) == 2


@pytest.mark.slow
async def test_a_server_that_is_killed_under_load_loses_nothing_that_was_answered(tmp_path, new_decision):
    with embedded.Embedded.start(tmp_path) as server:
        migrating.upgrade(server.owner_url)
        recorder = await begun(Recorder(server.service_url))
        answered = []

        async def send(number):
            new = new_decision(key=f"wo-{number}")
            try:
                answered.append((await recorder.record(new)).id)
            except (StoreAway, OutcomeUnknown):
                await asyncio.sleep(0.01)

        async def client(start):
            for number in range(start, start + 40):
                await send(number)

        clients = [asyncio.create_task(client(1000 * one)) for one in range(16)]
        while len(answered) < 200:
            await asyncio.sleep(0.001)
        programs = embedded.wheel_programs()
        server_programs.run_program(
            programs / "pg_ctl", "stop", "--mode", "immediate", "--pgdata", embedded.cluster(server.folder)
        )
        await asyncio.gather(*clients)
        await recorder.close()
        embedded.launch(server.folder, programs, {})
        with psycopg.connect(plain(server.owner_url)) as owner:
            kept = {row[0] for row in owner.execute("SELECT id FROM decision")}
            torn = owner.execute(
                "SELECT count(*) FROM idempotency LEFT JOIN decision ON id = decision_id WHERE id IS NULL"
            ).fetchone()[0]
    assert set(answered) <= kept
    assert torn == 0


async def test_without_a_database_the_recorder_starts_and_says_so(tmp_path, new_decision):
    recorder = Recorder(f"postgresql+psycopg://coldcase_service@/coldcase?host={tmp_path}")
    await recorder.start()
    assert not recorder.available
    with pytest.raises(StoreAway):
        await recorder.record(new_decision())
    await recorder.close()
