"""Rule tables on record: the first one is published once, and events decide which one answers."""

import asyncio
from datetime import UTC, datetime

import pytest

from coldcase.db import rule_tables
from coldcase.errors import NotFound

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
ADDED = "INSERT INTO rule_table (version, digest, document, based_on, created_at, created_by) VALUES (%s, %s, '{}', 1, now(), 'analyst')"
DONE = "INSERT INTO rule_table_event (version, kind, at) VALUES (%s, %s, now())"


@pytest.fixture
async def first(service_engine):
    async with service_engine.begin() as conn:
        await rule_tables.publish_first(conn, b'{"a":1}', "d1", now=NOW)


async def test_replicas_that_start_at_once_publish_the_first_table_once(service_engine, service):
    async def start(number):
        async with service_engine.begin() as conn:
            return await rule_tables.publish_first(conn, b'{"n":%d}' % number, f"digest {number}", now=NOW)

    published = await asyncio.gather(*(start(number) for number in range(6)))
    assert sum(published) == 1
    winner = published.index(True)
    current = await rule_tables.current(service)
    assert (current.version, current.digest, current.document) == (1, f"digest {winner}", b'{"n":%d}' % winner)
    assert (current.state, current.created_by, current.created_at) == ("published", rule_tables.STARTER, NOW)


async def test_an_empty_record_has_no_table(service):
    with pytest.raises(NotFound):
        await rule_tables.current(service)
    with pytest.raises(NotFound):
        await rule_tables.get(service, 1)
    assert await rule_tables.list_tables(service) == []


async def test_the_table_published_last_answers_until_it_is_withdrawn(first, as_service, service):
    async def now_current():
        await service.rollback()
        return (await rule_tables.current(service)).version, (await rule_tables.get(service, 2)).state

    as_service.execute(ADDED, [2, "d2"])
    told = []
    for version, kind in [(2, "draft"), (2, "approve"), (2, "publish"), (1, "publish"), (2, "publish"), (2, "withdraw")]:
        as_service.execute(DONE, [version, kind])
        told.append(await now_current())
    assert told == [(1, "draft"), (1, "approved"), (2, "published"), (1, "published"), (2, "published"), (1, "withdrawn")]
    assert [(table.version, table.based_on) for table in await rule_tables.list_tables(service)] == [(2, 1), (1, None)]


async def test_a_change_that_is_committed_out_of_turn_shows_in_the_mark(first, service_database, as_service, service, service_engine):
    """Of two transactions the one that took the higher number may be committed first."""
    async with service_engine.connect() as slow:
        await slow.exec_driver_sql("INSERT INTO rule_table_event (version, kind, at) VALUES (1, 'withdraw', now())")
        as_service.execute(DONE, [1, "approve"])
        before = await rule_tables.changes(service)
        await slow.commit()
    assert await rule_tables.changes(service) != before
