"""Rule tables asked for by number: compiled beside the event loop, once, and the ones asked for last are kept."""

import asyncio
import threading
from functools import partial

import psycopg
import pytest

from coldcase import governing
from coldcase.db import embedded
from coldcase.db.engine import make_engine
from coldcase.db.transactions import transaction
from coldcase.errors import ScopeMissing
from coldcase.governing import open_shelf
from coldcase.shipped import starter_table

pytestmark = pytest.mark.anyio

TABLES = """
INSERT INTO rule_table (version, digest, document, created_at, created_by)
SELECT n, 'sha256:' || encode(sha256(n::text::bytea), 'hex'), document, created_at, created_by FROM rule_table, generate_series(2, 20) AS n
WHERE version = 1;
INSERT INTO rule_table_event (version, kind, at) SELECT n, CASE n WHEN 20 THEN 'draft' ELSE 'withdraw' END, now()
FROM generate_series(2, 20) AS n;
"""
DRAFT = 20


@pytest.fixture
async def shelf(postgres, service_database):
    engine = make_engine(service_database.service_url)
    made = await open_shelf(partial(transaction, engine), starter_table())
    with psycopg.connect(postgres.url(embedded.SUPERUSER, service_database.name).replace("+psycopg", ""), autocommit=True) as conn:
        conn.execute("SET session_replication_role = replica")
        conn.execute(TABLES)
    yield made
    await engine.dispose()


@pytest.fixture
def compiled(monkeypatch):
    """The versions that were compiled, in their order; compiling on the event loop's own thread fails."""
    found: list[int] = []
    loop, bind = threading.get_ident(), governing.bind
    running = threading.Lock()

    def watched(stored):
        assert threading.get_ident() != loop, "the event loop stood still"
        assert running.acquire(blocking=False), "two at a time"
        try:
            found.append(stored.version)
            return bind(stored)
        finally:
            running.release()

    monkeypatch.setattr(governing, "bind", watched)
    return found


async def test_a_table_is_compiled_once_for_all_who_ask_and_one_at_a_time(shelf, compiled):
    asked = [2, 3, 2, 3, 3, 4]
    books = await asyncio.gather(*(shelf.book(version) for version in asked))
    assert [book.version for book in books] == asked
    assert sorted(compiled) == [2, 3, 4]


async def test_the_ones_asked_for_last_are_kept(shelf, compiled, monkeypatch):
    kept = 2
    monkeypatch.setattr(governing, "KEPT", kept)
    for version in range(2, 2 + kept):
        await shelf.book(version)
    await shelf.book(2)
    await shelf.book(2 + kept)
    compiled.clear()
    await shelf.book(2)
    assert compiled == []
    await shelf.book(3)
    assert compiled == [3]


async def test_whoever_leaves_takes_the_table_from_nobody_else(shelf, compiled):
    leaving, staying = asyncio.ensure_future(shelf.book(2)), asyncio.ensure_future(shelf.book(2))
    while not compiled:
        await asyncio.sleep(0)
    leaving.cancel()
    assert (await staying).version == 2
    assert compiled == [2]


async def test_a_draft_that_is_kept_is_kept_from_who_may_not_see_it(shelf, compiled):
    await shelf.book(DRAFT, drafts=True)
    await shelf.book(DRAFT, drafts=True)
    assert compiled == [DRAFT]
    with pytest.raises(ScopeMissing):
        await shelf.book(DRAFT)


async def test_a_newly_published_table_is_compiled_beside_the_loop(shelf, compiled, postgres, service_database):
    with psycopg.connect(postgres.url(embedded.SUPERUSER, service_database.name).replace("+psycopg", ""), autocommit=True) as conn:
        conn.execute("SET session_replication_role = replica")
        conn.execute("INSERT INTO rule_table_event (version, kind, at) VALUES (5, 'publish', now())")
    await shelf.refresh()
    assert (shelf.current.version, compiled) == (5, [5])
