"""A request's transaction: committed at the end, undone by a raise, and plain about a database that is away."""

import asyncio
from functools import partial

import psycopg
import pytest
from sqlalchemy import text

from coldcase.db import embedded, transactions
from coldcase.db.engine import make_engine
from coldcase.db.transactions import transaction
from coldcase.errors import Busy, OutcomeUnknown, StoreAway
from tests.db.conftest import plain

pytestmark = pytest.mark.anyio

NEW_SLOT = text("INSERT INTO idempotency VALUES (1, 'TH-1184', sha256(''), gen_random_uuid(), now() + interval '1 day')")
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
        with psycopg.connect(plain(postgres.url(embedded.SUPERUSER, service_database.name)), autocommit=True) as conn:
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
    [("SET LOCAL lock_timeout = '20ms'", NEW_SLOT), ("SET LOCAL statement_timeout = '20ms'", text("SELECT pg_sleep(60)"))],
    ids=["a lock", "too long a statement"],
)
async def test_what_the_server_itself_gave_up_is_no_database_that_is_away(begin, service_database, before, waits_for):
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
    monkeypatch.setattr(transactions, "LONGEST_WAIT_S", 0.05)
    async with begin():
        for _ in range(3):
            with pytest.raises(StoreAway):
                async with begin():
                    pass
    monkeypatch.setattr(transactions, "LONGEST_WAIT_S", 10)
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
