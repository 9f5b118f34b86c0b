"""A request's transaction: committed at the end, undone by a raise, and plain about a database that is
away."""

import asyncio
import time
from functools import partial

import msgspec
import psycopg
import pytest
from sqlalchemy import text

from coldcase.db import embedded, transactions
from coldcase.db.engine import READS, make_engine
from coldcase.db.pulse import Pulse, within
from coldcase.db.transactions import transaction
from coldcase.errors import Busy, OutcomeUnknown, StoreAway
from tests.db.conftest import plain
from tests.proxy import Proxy, socket_of

pytestmark = pytest.mark.anyio

NEW_SLOT = text(
    "INSERT INTO idempotency VALUES (1, 'TH-1184', sha256(''), gen_random_uuid(), now() + interval '1 day')"
)
SLOTS = text("SELECT count(*) FROM idempotency")


@pytest.fixture
async def begin(service_database):
    engine = make_engine(service_database.service_url, connections=1)
    yield partial(transaction, engine)
    await engine.dispose()


@pytest.fixture
def end_connections(postgres, service_database):
    """A function that ends the service's connections."""

    def end():
        with psycopg.connect(
            plain(postgres.url(embedded.SUPERUSER, service_database.name)), autocommit=True
        ) as conn:
            conn.execute(
                "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity"
                " WHERE usename = 'coldcase_service' AND datname = current_database()"
            )

    return end


async def test_it_is_committed_at_the_end_and_undone_by_a_raise(begin):
    async def fail():
        async with begin() as conn:
            await conn.execute(NEW_SLOT)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        await fail()
    async with begin() as conn:
        assert await conn.scalar(SLOTS) == 0
        await conn.execute(NEW_SLOT)
    async with begin() as conn:
        assert await conn.scalar(SLOTS) == 1


async def test_a_connection_lost_before_the_commit_means_that_the_store_is_away(begin, end_connections):
    async def lose():
        async with begin() as conn:
            await conn.execute(NEW_SLOT)
            end_connections()
            await conn.scalar(SLOTS)

    with pytest.raises(StoreAway):
        await lose()
    async with begin() as conn:
        assert await conn.scalar(SLOTS) == 0


async def test_a_connection_lost_during_the_commit_means_that_nobody_knows(begin, end_connections):
    async def lose():
        async with begin() as conn:
            await conn.execute(NEW_SLOT)
            end_connections()

    with pytest.raises(OutcomeUnknown):
        await lose()


@pytest.mark.parametrize(
    ("before", "waits_for"),
    [
        ("SET LOCAL lock_timeout = '20ms'", NEW_SLOT),
        ("SET LOCAL statement_timeout = '20ms'", text("SELECT pg_sleep(60)")),
    ],
    ids=["a lock", "too long a statement"],
)
async def test_what_the_server_itself_gave_up_is_no_database_that_is_away(
    begin, service_database, before, waits_for
):
    async def wait():
        async with begin() as conn:
            await conn.execute(text(before))
            await conn.execute(waits_for)

    with psycopg.connect(plain(service_database.owner_url)) as owner:
        owner.execute("LOCK TABLE idempotency")
        with pytest.raises(Busy, match="nothing was changed"):
            await wait()
    async with begin() as conn:
        assert await conn.scalar(SLOTS) == 0


async def test_a_deadlock_is_no_database_that_is_away(service_database):
    engine = make_engine(service_database.service_url, connections=2)
    both = asyncio.Barrier(2)

    async def lock(first, second):
        async with transaction(engine) as conn:
            await conn.execute(text(f"SELECT pg_advisory_xact_lock({first})"))
            await both.wait()
            await conn.execute(text(f"SELECT pg_advisory_xact_lock({second})"))

    told = await asyncio.gather(lock(1, 2), lock(2, 1), return_exceptions=True)
    await engine.dispose()
    assert [type(one) for one in told if one is not None] == [Busy]


async def test_a_connection_that_died_in_the_pool_is_replaced(begin, end_connections):
    async with begin() as conn:
        await conn.execute(NEW_SLOT)
    end_connections()
    async with begin() as conn:
        assert await conn.scalar(SLOTS) == 1


async def test_without_a_free_connection_it_gives_up_and_the_pool_stays_whole(begin, monkeypatch):
    monkeypatch.setattr(transactions, "LONGEST_CONNECT_S", 0.05)
    async with begin():
        for _ in range(3):
            with pytest.raises(StoreAway):
                async with begin():
                    pass
    monkeypatch.setattr(transactions, "LONGEST_CONNECT_S", 10)
    async with begin() as conn:
        assert await conn.scalar(SLOTS) == 0


async def test_a_request_that_goes_away_while_it_waits_gives_its_connection_back(begin):
    async def ask():
        async with begin():
            pytest.fail("it was cancelled before")

    async with begin():
        asking = asyncio.create_task(ask())
        await asyncio.sleep(0.01)
        asking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asking
    async with begin() as conn:
        assert await conn.scalar(SLOTS) == 0


@pytest.fixture
def proxy(postgres):
    with Proxy(socket_of(postgres)) as between:
        yield between


@pytest.fixture
async def distant(service_database, proxy):
    """An engine with one connection, through the proxy, and a pulse of its own."""
    pulse = Pulse()
    engine = make_engine(proxy.instead_of(service_database.service_url), connections=1, pulse=pulse)
    yield engine, pulse
    await engine.dispose()


async def in_time(seconds, work):
    """What `work` raises, which must not take longer."""
    began = time.monotonic()
    with pytest.raises(StoreAway) as raised:
        await work
    assert time.monotonic() - began < seconds
    return raised.value


async def ask(engine, limits=READS, pulse=None, question=SLOTS):
    async with transaction(engine, limits, pulse=pulse) as conn:
        return await conn.scalar(question)


async def test_a_connection_that_does_not_come_about_is_given_up_in_time(distant, proxy):
    engine, _ = distant
    proxy.freeze()
    await in_time(2.5, ask(engine))
    proxy.thaw()
    assert await ask(engine) == 0


async def test_what_the_network_swallows_is_given_up_when_its_time_is_over(distant, proxy):
    engine, _ = distant
    assert await ask(engine) == 0
    proxy.freeze()
    proxy.thaw()
    await in_time(3, ask(engine, msgspec.structs.replace(READS, transaction=0.3)))
    assert await ask(engine) == 0


async def test_an_answer_that_does_not_come_ends_its_connection(service_database, proxy):
    engine = make_engine(
        proxy.instead_of(service_database.service_url),
        msgspec.structs.replace(READS, answer=0.3),
        connections=1,
    )
    assert await ask(engine) == 0
    proxy.freeze()
    proxy.thaw()
    await in_time(3, ask(engine))
    assert await ask(engine) == 0
    await engine.dispose()


async def test_a_silent_database_ends_what_waits_for_it_and_is_not_asked_again(distant, proxy):
    engine, pulse = distant
    assert await ask(engine, pulse=pulse) == 0
    proxy.freeze()
    asking = asyncio.create_task(ask(engine, pulse=pulse))
    await asyncio.sleep(0.1)
    pulse.missed()
    await in_time(1, asking)
    taken = proxy.taken
    await in_time(0.5, ask(engine, pulse=pulse))
    assert proxy.taken == taken
    proxy.thaw()
    pulse.heard()
    assert await ask(engine, pulse=pulse) == 0


async def test_a_silent_database_leaves_those_their_time_who_have_patience(distant):
    engine, pulse = distant
    patient = msgspec.structs.replace(READS, silence=60)
    asking = asyncio.create_task(ask(engine, patient, pulse, text("SELECT count(*) FROM pg_sleep(0.5)")))
    await asyncio.sleep(0.1)
    pulse.missed()
    assert await asking == 1


async def test_what_lay_in_the_pool_during_a_silence_is_replaced(distant, proxy):
    engine, pulse = distant
    assert await ask(engine, pulse=pulse) == 0
    proxy.freeze()
    pulse.missed()
    proxy.thaw()
    pulse.heard()
    async with asyncio.timeout(2.5):
        assert await ask(engine, pulse=pulse) == 0
    assert proxy.taken == 2


async def test_a_caller_that_goes_away_waits_for_no_answer(distant, proxy):
    engine, _ = distant
    assert await ask(engine) == 0
    proxy.freeze()
    proxy.thaw()
    asking = asyncio.create_task(ask(engine))
    await asyncio.sleep(0.1)
    asking.cancel()
    done, _ = await asyncio.wait({asking}, timeout=2)
    assert done
    assert asking.cancelled()
    assert await ask(engine) == 0


async def test_a_rollback_that_hangs_is_given_up_too(distant, proxy):
    engine, _ = distant

    async def fail():
        async with transaction(engine, msgspec.structs.replace(READS, transaction=0.5)) as conn:
            await conn.execute(NEW_SLOT)
            proxy.freeze()
            raise ZeroDivisionError

    async with asyncio.timeout(3):
        with pytest.raises((ZeroDivisionError, StoreAway)):
            await fail()
    proxy.thaw()
    assert await ask(engine) == 0


async def test_an_event_loop_that_stood_still_does_not_blame_the_database():
    async def answer():
        await asyncio.sleep(0.1)
        return "there"

    async def stand_still():
        time.sleep(0.6)  # noqa: ASYNC251 - as a computation does

    asking = asyncio.create_task(within(0.4, answer()))
    standing = asyncio.create_task(stand_still())
    assert await asking == "there"
    await standing
