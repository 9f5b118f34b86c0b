"""Idempotency keys: each is recorded once, whoever sends it, however often and wherever."""

import asyncio
from datetime import timedelta

import psycopg
import pytest
from uuid_utils.compat import uuid7

from coldcase.db.recorder import SWEPT_EVERY, Recorder
from coldcase.errors import KeyInFlight, KeyReused
from tests.db.conftest import begun, count, outcomes, plain

pytestmark = pytest.mark.anyio


async def test_the_same_key_and_case_gives_the_first_answer_again(recorder, new_decision, as_owner):
    first = await recorder.record(new_decision(key="wo-1"))
    again = await recorder.record(new_decision(key="wo-1"))
    assert (again.id, again.answer, again.replayed) == (first.id, first.answer, True)
    assert count(as_owner) == 1


async def test_the_same_key_with_another_case_is_refused(recorder, new_decision, as_owner):
    await recorder.record(new_decision(key="wo-1"))
    with pytest.raises(KeyReused):
        await recorder.record(
            new_decision(key="wo-1", case=b'{"unit":{"compressor_type":"screw","motor":"unknown"}}')
        )
    assert count(as_owner) == 1


async def test_two_clients_may_use_the_same_key(recorder, new_decision, as_owner):
    both = await asyncio.gather(
        *(recorder.record(new_decision(key="wo-1", client_id=number)) for number in (1, 2))
    )
    assert [recorded.replayed for recorded in both] == [False, False]
    assert count(as_owner) == 2


async def test_one_key_sent_many_times_at_once_is_recorded_once(recorder, new_decision, as_owner):
    answers = await asyncio.gather(*(recorder.record(new_decision(key="wo-1")) for _ in range(40)))
    assert len({recorded.answer for recorded in answers}) == 1
    assert sum(not recorded.replayed for recorded in answers) == 1
    assert count(as_owner) == 1


async def test_replicas_that_race_for_the_same_keys_record_each_once(
    service_database, new_decision, as_owner
):
    replicas = [await begun(Recorder(service_database.service_url)) for _ in range(3)]
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
        other.execute(
            "INSERT INTO idempotency VALUES (1, 'held', %s, %s, now() + interval '1 day')",
            [b"x" * 32, uuid7()],
        )
        calls = [recorder.record(new_decision(key=key)) for key in (None, "free", "held", None)]
        told = await outcomes(calls)
    assert [type(one) for one in told if isinstance(one, Exception)] == [KeyInFlight]
    assert isinstance(told[2], KeyInFlight)
    assert count(as_owner) == 3


async def test_keys_that_are_held_hold_no_other_key_up(recorder, new_decision, service_database, as_owner):
    held = [f"held-{number}" for number in range(8)]
    with psycopg.connect(plain(service_database.service_url)) as other:
        for key in held:
            other.execute(
                "INSERT INTO idempotency VALUES (1, %s, %s, %s, now() + interval '1 day')",
                [key, b"x" * 32, uuid7()],
            )
        told = await outcomes([recorder.record(new_decision(key=key)) for key in [*held, "free", "free too"]])
        other.rollback()
    assert [type(one).__name__ for one in told] == ["KeyInFlight"] * 8 + ["Recorded"] * 2
    assert count(as_owner) == 2
    assert not (await recorder.record(new_decision(key="held-1"))).replayed


async def test_of_one_key_sent_for_two_cases_at_once_one_is_recorded(recorder, new_decision, as_owner):
    told = await outcomes(
        [recorder.record(new_decision(key="wo-1", case=case)) for case in (b"{}", b"[]", b"{}", b"[]")]
    )
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
        other.execute(
            "INSERT INTO idempotency VALUES (1, 'wo-1', %s, %s, now() + interval '1 day')",
            [new.fingerprint, new.id],
        )
        waiting = asyncio.create_task(recorder.record(new_decision(key="wo-1")))
        while other.execute("SELECT count(*) FROM pg_locks WHERE NOT granted").fetchone()[0] == 0:
            await asyncio.sleep(0.01)
        other.execute(
            "INSERT INTO decision (id, client_id, recorded_at, fingerprint, case_text, answer_text, "
            "cause, status, confidence,"
            " compressor_type, rule_table, engine) VALUES (%s, 1, now(), %s, '{}', 'theirs', "
            "'moisture', 'coded', 1, 'scroll', 1, '1')",
            [new.id, new.fingerprint],
        )
    recorded = await waiting
    assert (recorded.id, recorded.answer, recorded.replayed) == (new.id, b"theirs", True)


@pytest.fixture
async def brief(service_database):
    """A recorder whose keys have expired at once. It is closed whatever becomes of a test: it would wait for
    ever otherwise."""
    made = await begun(Recorder(service_database.service_url, keys_live=timedelta(0)))
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
        "INSERT INTO idempotency SELECT 1, 'old-' || n, sha256(''), gen_random_uuid(), now() - "
        "interval '1 s' FROM generate_series(1, 99) n"
    )
    for number in range(SWEPT_EVERY):
        await recorder.record(new_decision(key=f"wo-{number}"))
    await recorder.close()
    kept = {row[0] for row in as_owner.execute("SELECT key FROM idempotency").fetchall()}
    assert kept == {f"wo-{number}" for number in range(SWEPT_EVERY)}


async def test_keys_are_taken_in_one_order_whatever_the_order_of_the_batch(
    new_decision, service_database, as_owner, monkeypatch
):
    """While a batch waits for a key in the middle it holds those before it and none of those after it."""
    for patience in ("COMMAND_SECONDS", "LOCK_SECONDS"):
        monkeypatch.setattr(f"coldcase.db.recorder.{patience}", 30.0)
    recorder = await begun(Recorder(service_database.service_url))
    slot = "INSERT INTO idempotency VALUES (1, %s, sha256(''), gen_random_uuid(), now() + interval '1 day')"
    with (
        psycopg.connect(plain(service_database.service_url)) as other,
        psycopg.connect(plain(service_database.service_url)) as third,
    ):
        other.execute(slot, ["m"])
        calls = [
            asyncio.create_task(recorder.record(new_decision(key=key))) for key in ("z", "m", "a", "Z", "B")
        ]
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
