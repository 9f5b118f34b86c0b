import asyncio
import os
import signal
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import psycopg
import pytest
import structlog
from prometheus_client import CollectorRegistry
from uuid_utils.compat import uuid7

from coldcase.db import embedded, migrating, server_programs
from coldcase.db.recorder import IDLE_SECONDS, MOST_IN_BATCH, SWEPT_EVERY, Recorder
from coldcase.errors import Archived, Busy, KeyInFlight, KeyReused, NotRecordable, OutcomeUnknown, StoreAway, SupersedesUnknown
from tests.proxy import Proxy, socket_of

pytestmark = pytest.mark.anyio


def plain(url):
    return url.replace("+psycopg", "")


def count(owner, where="true"):
    return owner.execute(f"SELECT count(*) FROM decision WHERE {where}").fetchone()[0]


def processes_of(server):
    parent = int((embedded.cluster(server.folder) / "postmaster.pid").read_text().splitlines()[0])
    return [parent, *map(int, Path(f"/proc/{parent}/task/{parent}/children").read_text().split())]


async def outcomes(calls):
    return await asyncio.gather(*calls, return_exceptions=True)


async def test_what_is_recorded_is_on_record_byte_for_byte(recorder, new_decision, as_owner):
    new = new_decision(case='{"caption":"Stirnfläche  1.50"}'.encode(), answer='{"b":1.50,"a":"\\u0041ü"}'.encode())
    recorded = await recorder.record(new)
    assert (recorded.id, recorded.answer, recorded.replayed) == (new.id, new.answer, False)
    row = as_owner.execute("SELECT case_text, answer_text, fingerprint, confidence, at = recorded_at FROM decision").fetchone()
    assert (row[0].encode(), row[1].encode(), row[2], row[3], row[4]) == (new.case, new.answer, new.fingerprint, 9312, True)


async def test_requests_that_wait_together_share_a_transaction(recorder, new_decision, as_owner):
    await asyncio.gather(*(recorder.record(new_decision()) for _ in range(50)))
    assert count(as_owner) == 50
    assert recorder.rows == 50
    assert recorder.batches < 5
    assert as_owner.execute("SELECT count(DISTINCT xid::text) FROM decision").fetchone()[0] == recorder.batches


async def test_the_same_key_and_case_gives_the_first_answer_again(recorder, new_decision, as_owner):
    first = await recorder.record(new_decision(key="wo-1"))
    again = await recorder.record(new_decision(key="wo-1"))
    assert (again.id, again.answer, again.replayed) == (first.id, first.answer, True)
    assert count(as_owner) == 1


async def test_the_same_key_with_another_case_is_refused(recorder, new_decision, as_owner):
    await recorder.record(new_decision(key="wo-1"))
    with pytest.raises(KeyReused):
        await recorder.record(new_decision(key="wo-1", case=b'{"unit":{"compressor_type":"screw","motor":"unknown"}}'))
    assert count(as_owner) == 1


async def test_two_clients_may_use_the_same_key(recorder, new_decision, as_owner):
    both = await asyncio.gather(*(recorder.record(new_decision(key="wo-1", client_id=number)) for number in (1, 2)))
    assert [recorded.replayed for recorded in both] == [False, False]
    assert count(as_owner) == 2


async def test_one_key_sent_many_times_at_once_is_recorded_once(recorder, new_decision, as_owner):
    answers = await asyncio.gather(*(recorder.record(new_decision(key="wo-1")) for _ in range(40)))
    assert len({recorded.answer for recorded in answers}) == 1
    assert sum(not recorded.replayed for recorded in answers) == 1
    assert count(as_owner) == 1


async def test_replicas_that_race_for_the_same_keys_record_each_once(service_database, new_decision, as_owner):
    replicas = [Recorder(service_database.service_url) for _ in range(3)]
    for replica in replicas:
        await replica.start()
    sent = [(replica, f"wo-{number}") for number in range(60) for replica in replicas]
    answers = await asyncio.gather(*(replica.record(new_decision(key=key)) for replica, key in sent))
    for replica in replicas:
        await replica.close()
    by_key = {}
    for (_, key), recorded in zip(sent, answers, strict=True):
        by_key.setdefault(key, set()).add(recorded.answer)
    assert all(len(given) == 1 for given in by_key.values())
    assert count(as_owner) == 60


async def test_a_key_that_another_transaction_holds_is_in_flight_and_holds_nobody_else_up(
    recorder, new_decision, service_database, as_owner
):
    with psycopg.connect(plain(service_database.service_url)) as other:
        other.execute("INSERT INTO idempotency VALUES (1, 'held', %s, %s, now() + interval '1 day')", [b"x" * 32, uuid7()])
        calls = [recorder.record(new_decision(key=key)) for key in (None, "free", "held", None)]
        told = await outcomes(calls)
    assert [type(one) for one in told if isinstance(one, Exception)] == [KeyInFlight]
    assert isinstance(told[2], KeyInFlight)
    assert count(as_owner) == 3


async def test_keys_that_are_held_hold_no_other_key_up(recorder, new_decision, service_database, as_owner):
    held = [f"held-{number}" for number in range(8)]
    with psycopg.connect(plain(service_database.service_url)) as other:
        for key in held:
            other.execute("INSERT INTO idempotency VALUES (1, %s, %s, %s, now() + interval '1 day')", [key, b"x" * 32, uuid7()])
        told = await outcomes([recorder.record(new_decision(key=key)) for key in [*held, "free", "free too"]])
        other.rollback()
    assert [type(one).__name__ for one in told] == ["KeyInFlight"] * 8 + ["Recorded"] * 2
    assert count(as_owner) == 2
    assert not (await recorder.record(new_decision(key="held-1"))).replayed


async def test_a_table_that_its_owner_holds_makes_nobody_wait_for_ever(recorder, new_decision, service_database, as_owner):
    with psycopg.connect(plain(service_database.owner_url)) as owner:
        owner.execute("LOCK TABLE decision IN ACCESS EXCLUSIVE MODE")
        told = await outcomes([recorder.record(new_decision()) for _ in range(5)])
    assert [type(one) for one in told] == [StoreAway] * 5
    assert not (await recorder.record(new_decision())).replayed
    assert count(as_owner) == 1


async def test_of_one_key_sent_for_two_cases_at_once_one_is_recorded(recorder, new_decision, as_owner):
    told = await outcomes([recorder.record(new_decision(key="wo-1", case=case)) for case in (b"{}", b"[]", b"{}", b"[]")])
    assert sorted(type(one).__name__ for one in told) == ["KeyReused", "KeyReused", "Recorded", "Recorded"]
    assert len({one.answer for one in told if not isinstance(one, Exception)}) == 1
    assert count(as_owner) == 1


async def test_one_key_sent_many_times_at_once_takes_few_transactions(recorder, new_decision):
    await asyncio.gather(*(recorder.record(new_decision(key="wo-1")) for _ in range(50)))
    assert recorder.batches < 5
    assert recorder.rows == 1


async def test_a_second_replica_waits_for_the_first_and_replays(recorder, new_decision, service_database):
    new = new_decision(key="wo-1")
    with psycopg.connect(plain(service_database.service_url)) as other:
        other.execute("INSERT INTO idempotency VALUES (1, 'wo-1', %s, %s, now() + interval '1 day')", [new.fingerprint, new.id])
        waiting = asyncio.create_task(recorder.record(new_decision(key="wo-1")))
        while other.execute("SELECT count(*) FROM pg_locks WHERE NOT granted").fetchone()[0] == 0:
            await asyncio.sleep(0.01)
        other.execute(
            "INSERT INTO decision (id, client_id, recorded_at, fingerprint, case_text, answer_text, cause, status, confidence,"
            " compressor_type, rule_table, engine) VALUES (%s, 1, now(), %s, '{}', 'theirs', 'moisture', 'coded', 1, 'scroll', 1, '1')",
            [new.id, new.fingerprint],
        )
    recorded = await waiting
    assert (recorded.id, recorded.answer, recorded.replayed) == (new.id, b"theirs", True)


@pytest.fixture
async def brief(service_database):
    """A recorder whose keys have expired at once. It is closed whatever becomes of a test: it would wait for ever otherwise."""
    made = Recorder(service_database.service_url, keys_live=timedelta(0))
    await made.start()
    yield made
    await made.close()


async def test_an_expired_key_may_be_taken_over(brief, new_decision, as_owner):
    async with asyncio.timeout(20):
        first = await brief.record(new_decision(key="wo-1"))
        second = await brief.record(new_decision(key="wo-1", case=b"{}"))
    assert first.id != second.id
    assert as_owner.execute("SELECT decision_id FROM idempotency").fetchall() == [(second.id,)]
    assert count(as_owner) == 2


async def test_expired_keys_are_removed_and_live_ones_stay(recorder, new_decision, as_owner):
    as_owner.execute(
        "INSERT INTO idempotency SELECT 1, 'old-' || n, sha256(''), gen_random_uuid(), now() - interval '1 s' FROM generate_series(1, 99) n"
    )
    for number in range(SWEPT_EVERY):
        await recorder.record(new_decision(key=f"wo-{number}"))
    await recorder.close()
    kept = {row[0] for row in as_owner.execute("SELECT key FROM idempotency").fetchall()}
    assert kept == {f"wo-{number}" for number in range(SWEPT_EVERY)}


@pytest.mark.parametrize(
    "members",
    [{"case": b"a\0b"}, {"answer": b"\xff"}, {"job_ref": "\ud800"}, {"circuit": "\0"}, {"case": b"\xed\xa0\x80"}],
    ids=["nul_in_case", "no_utf8", "lone_surrogate", "nul_in_circuit", "encoded_surrogate"],
)
async def test_what_the_record_cannot_hold_is_refused_before_it_queues(recorder, new_decision, as_owner, members):
    with pytest.raises(NotRecordable):
        await recorder.record(new_decision(key="wo-1", **members))
    assert recorder.batches == 0
    assert as_owner.execute("SELECT count(*) FROM idempotency").fetchone()[0] == 0


@pytest.mark.parametrize("bad", [{"confidence": 10_001}, {"confidence": 10**6}, {"fingerprint": b"short"}, {"status": "certain"}], ids=str)
async def test_a_bad_neighbour_hurts_nobody_and_uses_no_key_up(recorder, new_decision, as_owner, bad):
    calls = [recorder.record(new_decision(key=f"wo-{number}", **(bad if number == 7 else {}))) for number in range(20)]
    told = await outcomes(calls)
    assert [number for number, one in enumerate(told) if isinstance(one, Exception)] == [7]
    assert isinstance(told[7], NotRecordable)
    assert count(as_owner) == 19
    assert not (await recorder.record(new_decision(key="wo-7"))).replayed


async def test_supersedes_names_an_earlier_decision_of_the_same_client_and_job(recorder, new_decision, as_owner):
    first = await recorder.record(new_decision())
    told = await outcomes(
        [
            recorder.record(new_decision(supersedes=first.id)),
            recorder.record(new_decision(supersedes=first.id, job_ref="WO-9", key="other job")),
            recorder.record(new_decision(supersedes=first.id, client_id=2)),
            recorder.record(new_decision(supersedes=uuid7())),
        ]
    )
    assert [type(one) for one in told[1:]] == [SupersedesUnknown] * 3
    assert count(as_owner) == 2
    assert as_owner.execute("SELECT count(*) FROM idempotency").fetchone()[0] == 0


@pytest.fixture
async def archived(recorder, new_decision, as_owner):
    """A decision of a year that was taken out since."""
    year = as_owner.execute("SELECT extract(year FROM now())::int - 1").fetchone()[0]
    id_ = as_owner.execute("SELECT first_id_of_year(%s)", [year]).fetchone()[0]
    old = new_decision(id=UUID(int=id_.int | 7 << 76 | 2 << 62), key="wo-1")
    assert (await recorder.record(old)).id == old.id
    assert not (await recorder.record(new_decision(supersedes=old.id))).replayed
    as_owner.execute("INSERT INTO audit_archive (year, at, count, file_sha256) VALUES (%s, now(), 1, sha256(''))", [year])
    as_owner.execute(f"ALTER TABLE decision DETACH PARTITION decision_{year}")
    return old


async def test_a_retry_after_its_year_was_archived_is_told_so(recorder, new_decision, archived, as_owner):
    with pytest.raises(Archived) as told:
        await recorder.record(new_decision(key="wo-1"))
    assert str(archived.id) in told.value.detail
    assert str(datetime.now(UTC).year - 1) in told.value.detail
    with pytest.raises(KeyReused):
        await recorder.record(new_decision(key="wo-1", case=b"{}"))
    assert count(as_owner) == 1


async def test_supersedes_of_a_decision_whose_year_was_archived_is_told_so(recorder, new_decision, archived):
    names = [archived.id, uuid7(), UUID(int=2**128 - 1), UUID(int=(2**48 - 1) << 80 | 7 << 76 | 2 << 62), UUID(int=0)]
    told = await outcomes([recorder.record(new_decision(supersedes=name)) for name in names])

    assert [type(one) for one in told] == [SupersedesUnknown] * len(names)
    assert ["into an archive" in one.detail for one in told] == [True] + [False] * (len(names) - 1)
    assert (await recorder.record(new_decision())).replayed is False


async def test_past_its_queue_the_recorder_is_busy(service_database, new_decision):
    small = Recorder(service_database.service_url, most_waiting=MOST_IN_BATCH)
    await small.start()
    told = await outcomes([small.record(new_decision()) for _ in range(3 * MOST_IN_BATCH)])
    await small.close()
    assert sum(isinstance(one, Busy) for one in told) == 2 * MOST_IN_BATCH
    assert small.rows == MOST_IN_BATCH


async def test_closing_finishes_what_waits_and_takes_nothing_new(recorder, new_decision, as_owner):
    calls = [asyncio.create_task(recorder.record(new_decision())) for _ in range(2 * MOST_IN_BATCH)]
    await asyncio.sleep(0)
    await recorder.close()
    await asyncio.gather(*calls)
    assert count(as_owner) == 2 * MOST_IN_BATCH
    with pytest.raises(StoreAway):
        await recorder.record(new_decision())


async def test_a_caller_that_went_away_before_its_batch_is_not_recorded(recorder, new_decision, as_owner):
    gone = asyncio.create_task(recorder.record(new_decision()))
    await asyncio.sleep(0)
    gone.cancel()
    await recorder.record(new_decision())
    assert count(as_owner) <= 2
    assert gone.cancelled() or gone.cancelling()


async def test_a_missing_partition_is_made_on_the_way(recorder, new_decision, as_owner):
    new = new_decision()
    year = new.recorded_at.year
    as_owner.execute(f"ALTER TABLE decision DETACH PARTITION decision_{year}; DROP TABLE decision_{year}")
    assert not (await recorder.record(new)).replayed
    assert as_owner.execute(f"SELECT count(*) FROM decision_{year}").fetchone()[0] == 1


async def test_an_id_of_no_partition_is_a_clock_at_fault_and_the_rest_is_recorded(recorder, new_decision, as_owner):
    far = "ffffffff-ffff-7fff-bfff-ffffffffffff"
    with structlog.testing.capture_logs() as logged:
        told = await outcomes([recorder.record(new_decision()), recorder.record(new_decision(id=far)), recorder.record(new_decision())])
    assert [type(one).__name__ for one in told] == ["Recorded", "StoreAway", "Recorded"]
    assert "is the clock right?" in logged[-1]["event"]
    assert count(as_owner) == 2


async def test_a_missing_partition_is_known_in_any_language(recorder, new_decision, as_owner):
    """The server says it in its own words; those here are made up, and the code is the same."""
    as_owner.execute(
        "CREATE FUNCTION pg_temp.none() RETURNS trigger LANGUAGE plpgsql AS"
        " $$ BEGIN RAISE EXCEPTION 'keine Partition' USING ERRCODE = '23514'; END $$"
    )
    as_owner.execute("CREATE TRIGGER none BEFORE INSERT ON decision FOR EACH ROW EXECUTE FUNCTION pg_temp.none()")
    with pytest.raises(StoreAway):
        await recorder.record(new_decision())


REFUSE = """
CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'no' USING ERRCODE = '{}'; END $$;
CREATE TRIGGER refuse BEFORE INSERT ON decision FOR EACH ROW EXECUTE FUNCTION refuse()
"""


@pytest.mark.parametrize("state", ["53100", "25006", "58030"], ids=["disk_full", "read_only", "input_output_error"])
async def test_a_database_that_takes_no_records_is_said_to_be_away_until_it_does(recorder, new_decision, as_owner, state):
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


async def test_an_idle_recorder_notices_by_itself_that_nothing_comes_any_more(service_database, new_decision, postgres):
    with Proxy(socket_of(postgres)) as proxy:
        distant = Recorder(proxy.instead_of(service_database.service_url))
        await distant.start()
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


async def test_keys_are_taken_in_one_order_whatever_the_order_of_the_batch(new_decision, service_database, as_owner, monkeypatch):
    """While a batch waits for a key in the middle it holds those before it and none of those after it."""
    for patience in ("COMMAND_SECONDS", "LOCK_SECONDS"):
        monkeypatch.setattr(f"coldcase.db.recorder.{patience}", 30.0)
    recorder = Recorder(service_database.service_url)
    await recorder.start()
    slot = "INSERT INTO idempotency VALUES (1, %s, sha256(''), gen_random_uuid(), now() + interval '1 day')"
    with psycopg.connect(plain(service_database.service_url)) as other, psycopg.connect(plain(service_database.service_url)) as third:
        other.execute(slot, ["m"])
        calls = [asyncio.create_task(recorder.record(new_decision(key=key))) for key in ("z", "m", "a", "Z", "B")]
        while as_owner.execute("SELECT count(*) FROM pg_locks WHERE NOT granted").fetchone()[0] == 0:
            await asyncio.sleep(0.01)
        third.execute("SET lock_timeout = '50ms'")
        for key, free in (("z", True), ("a", False), ("Z", False), ("B", False)):
            try:
                with third.transaction(force_rollback=True):
                    third.execute(slot, [key])
                taken = False
            except psycopg.errors.LockNotAvailable:
                taken = True
            assert taken is not free, key
        third.rollback()
        other.rollback()
        told = await outcomes(calls)
    await recorder.close()
    assert {type(one).__name__ for one in told} == {"Recorded"}


async def test_what_is_recorded_and_refused_is_counted(service_database, new_decision):
    registry = CollectorRegistry()
    counted = Recorder(service_database.service_url, registry=registry)
    await counted.start()
    await asyncio.gather(*(counted.record(new_decision(status=status)) for status in ("coded", "coded", "provisional")))
    await counted.record(new_decision(key="wo-1"))
    await counted.record(new_decision(key="wo-1"))
    with pytest.raises(KeyReused):
        await counted.record(new_decision(key="wo-1", case=b"{}"))
    await counted.close()
    assert registry.get_sample_value("coldcase_decisions_recorded_total", {"status": "coded"}) == 3
    assert registry.get_sample_value("coldcase_decisions_recorded_total", {"status": "provisional"}) == 1
    assert registry.get_sample_value("coldcase_recorder_refused_total", {"reason": "key_reused"}) == 1
    assert registry.get_sample_value("coldcase_recorder_batch_size_count") == counted.batches
    assert registry.get_sample_value("coldcase_recorder_batch_size_sum") == 6
    assert registry.get_sample_value("coldcase_recorder_commit_seconds_count") == counted.batches


async def test_a_connection_ended_during_the_insert_tells_the_truth(recorder, new_decision, service_database, as_owner, postgres):
    """The backend dies while it waits for a lock, so nothing was committed; the recorder finds that out and goes on."""
    as_superuser = psycopg.connect(plain(postgres.url(embedded.SUPERUSER, service_database.name)), autocommit=True)
    with as_superuser, psycopg.connect(plain(service_database.owner_url)) as owner:
        owner.execute("LOCK TABLE decision IN ACCESS EXCLUSIVE MODE")
        call = asyncio.create_task(recorder.record(new_decision()))
        for _ in range(300):
            await asyncio.sleep(0.01)
            if as_superuser.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE application_name = 'coldcase recorder' AND wait_event_type = 'Lock' AND datname = current_database()"
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
    """Its other end does not know, waits for a key, and would commit once it has it: it is ended before anybody is told."""
    monkeypatch.setattr("coldcase.db.recorder.SETTLE_SECONDS", 20)
    await recorder._conn.wait_for_locks(60)
    with psycopg.connect(plain(service_database.service_url)) as other:
        other.execute("INSERT INTO idempotency VALUES (1, 'held', %s, %s, now() + interval '1 day')", [b"x" * 32, uuid7()])
        call = asyncio.create_task(recorder.record(new_decision(key="held")))
        while as_owner.execute("SELECT count(*) FROM pg_locks WHERE NOT granted").fetchone()[0] == 0:
            await asyncio.sleep(0.01)
        recorder._conn.raw.terminate()
        with pytest.raises(StoreAway):
            await call
        other.rollback()

    while as_owner.execute("SELECT FROM pg_locks WHERE relation = 'idempotency'::regclass AND mode = 'RowExclusiveLock'").fetchall():
        await asyncio.sleep(0.01)
    assert count(as_owner) == 0


async def test_a_batch_that_was_committed_although_its_connection_broke_is_answered(recorder, new_decision, as_owner, monkeypatch):
    connection = recorder._conn
    insert = connection.insert

    async def insert_then_break(rows, keys_live):
        await insert(rows, keys_live)
        connection.raw.terminate()
        raise ConnectionResetError

    monkeypatch.setattr(connection, "insert", insert_then_break)
    new = new_decision(key="wo-1")
    assert (await recorder.record(new)).answer == new.answer
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


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="finds the server's processes as Linux shows them")
async def test_a_server_that_hangs_is_given_up_and_found_again(tmp_path, new_decision):
    """Every process of it is stopped in the middle of its work: it takes connections and never answers."""
    with embedded.Embedded.start(tmp_path) as server:
        migrating.upgrade(server.owner_url)
        recorder = Recorder(server.service_url)
        await recorder.start()
        await recorder.record(new_decision())
        processes = processes_of(server)
        try:
            for process in processes:
                os.kill(process, signal.SIGSTOP)
            async with asyncio.timeout(20):
                told = await outcomes([recorder.record(new_decision(key=f"wo-{number}")) for number in range(100)])
                assert {type(one) for one in told} == {OutcomeUnknown, StoreAway}
                assert sum(isinstance(one, OutcomeUnknown) for one in told) == MOST_IN_BATCH
                with pytest.raises(StoreAway):
                    await recorder.record(new_decision())
        finally:
            for process in reversed(processes):
                os.kill(process, signal.SIGCONT)
        while not recorder.available:
            await asyncio.sleep(0.02)
        again = await asyncio.gather(*(recorder.record(new_decision(key=f"wo-{number}")) for number in range(100)))
        await recorder.close()
        with psycopg.connect(plain(server.owner_url)) as owner:
            assert count(owner) == 101
    assert len({one.id for one in again}) == 100


async def test_a_database_that_goes_away_is_said_to_be_and_is_found_again(tmp_path, new_decision):
    with embedded.Embedded.start(tmp_path) as server:
        migrating.upgrade(server.owner_url)
        recorder = Recorder(server.service_url)
        await recorder.start()
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


async def test_a_server_that_is_killed_under_load_loses_nothing_that_was_answered(tmp_path, new_decision):
    with embedded.Embedded.start(tmp_path) as server:
        migrating.upgrade(server.owner_url)
        recorder = Recorder(server.service_url)
        await recorder.start()
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
        server_programs.run_program(programs / "pg_ctl", "stop", "--mode", "immediate", "--pgdata", embedded.cluster(server.folder))
        await asyncio.gather(*clients)
        await recorder.close()
        embedded.launch(server.folder, programs, {})
        with psycopg.connect(plain(server.owner_url)) as owner:
            kept = {row[0] for row in owner.execute("SELECT id FROM decision")}
            torn = owner.execute("SELECT count(*) FROM idempotency LEFT JOIN decision ON id = decision_id WHERE id IS NULL").fetchone()[0]
    assert set(answered) <= kept
    assert torn == 0


async def test_without_a_database_the_recorder_starts_and_says_so(tmp_path, new_decision):
    recorder = Recorder(f"postgresql+psycopg://coldcase_service@/coldcase?host={tmp_path}")
    await recorder.start()
    assert not recorder.available
    with pytest.raises(StoreAway):
        await recorder.record(new_decision())
    await recorder.close()
