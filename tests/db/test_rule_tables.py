"""Rule tables on record: the first one is published once, and events decide which one answers."""

import asyncio
import hashlib

import psycopg
import pytest
from sqlalchemy.exc import DBAPIError

from coldcase.db import rule_tables
from coldcase.errors import NotFound
from tests.db.conftest import plain

pytestmark = pytest.mark.anyio

ADDED = (
    "INSERT INTO rule_table (version, digest, document, based_on, created_at, created_by) VALUES "
    "(%s, %s, '{}', 1, now(), 'analyst')"
)
DONE = "INSERT INTO rule_table_event (version, kind, at) VALUES (%s, %s, now())"


def digest(document: bytes) -> str:
    return "sha256:" + hashlib.sha256(document).hexdigest()


@pytest.fixture
async def first(service_engine):
    async with service_engine.begin() as conn:
        await rule_tables.publish_first(conn, b'{"a":1}', digest(b'{"a":1}'))


async def test_replicas_that_start_at_once_publish_the_first_table_once(service_engine, service):
    async def start(number):
        async with service_engine.begin() as conn:
            return await rule_tables.publish_first(conn, b'{"n":%d}' % number, digest(b'{"n":%d}' % number))

    published = await asyncio.gather(*(start(number) for number in range(6)))
    assert sum(published) == 1
    winner = published.index(True)
    current = await rule_tables.current_table(service)
    assert (current.version, current.digest, current.document) == (
        1,
        digest(b'{"n":%d}' % winner),
        b'{"n":%d}' % winner,
    )
    assert (current.state, current.created_by) == ("published", "starter")


async def test_a_first_table_under_another_digest_is_refused(service):
    with pytest.raises(DBAPIError, match="not that of the document"):
        await rule_tables.publish_first(service, b'{"a":1}', digest(b'{"a":2}'))


async def test_an_empty_record_has_no_table(service):
    with pytest.raises(NotFound):
        await rule_tables.current_table(service)
    with pytest.raises(NotFound):
        await rule_tables.get_table(service, 1)
    assert await rule_tables.list_tables(service) == []


async def test_the_table_published_last_answers_until_it_is_withdrawn(first, as_owner, service):
    async def now_current():
        await service.rollback()
        return (await rule_tables.current_table(service)).version, (
            await rule_tables.get_table(service, 2)
        ).state

    as_owner.execute(ADDED, [2, "d2"])
    told = []
    for version, kind in [
        (2, "draft"),
        (2, "approve"),
        (2, "publish"),
        (1, "publish"),
        (2, "publish"),
        (2, "withdraw"),
    ]:
        as_owner.execute(DONE, [version, kind])
        told.append(await now_current())
    assert told == [
        (1, "draft"),
        (1, "approved"),
        (2, "published"),
        (1, "published"),
        (2, "published"),
        (1, "withdrawn"),
    ]
    assert [(table.version, table.based_on) for table in await rule_tables.list_tables(service)] == [
        (2, 1),
        (1, None),
    ]


async def test_a_change_that_is_committed_out_of_turn_shows_in_the_mark(
    first, service_database, as_owner, service
):
    """Of two transactions the one that took the higher number may be committed first."""
    with psycopg.connect(plain(service_database.owner_url)) as slow:
        slow.execute(DONE, [1, "withdraw"])
        as_owner.execute(DONE, [1, "approve"])
        before = await rule_tables.tables_mark(service)
        slow.commit()
    assert await rule_tables.tables_mark(service) != before
