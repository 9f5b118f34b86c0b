"""Rule tables asked for by number: compiled beside the event loop, once, and the ones asked for last are
kept."""

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
from coldcase.governing import load_rule_tables
from coldcase.shipped import starter_table

pytestmark = pytest.mark.anyio

TABLES = """
INSERT INTO rule_table (version, digest, document, created_at, created_by)
SELECT n, 'sha256:' || encode(sha256(n::text::bytea), 'hex'), document, created_at, created_by
    FROM rule_table, generate_series(2, 20) AS n
WHERE version = 1;
INSERT INTO rule_table_event (version, kind, at) SELECT n, CASE n WHEN 20 THEN 'draft'
    ELSE 'withdraw' END, now()
FROM generate_series(2, 20) AS n;
"""
DRAFT = 20


@pytest.fixture
async def rule_tables(postgres, service_database):
    engine = make_engine(service_database.service_url)
    made = await load_rule_tables(partial(transaction, engine), starter_table())
    with psycopg.connect(
        postgres.url(embedded.SUPERUSER, service_database.name).replace("+psycopg", ""), autocommit=True
    ) as conn:
        conn.execute("SET session_replication_role = replica")
        conn.execute(TABLES)
    yield made
    await engine.dispose()


@pytest.fixture
def compiled(monkeypatch):
    """The versions that were compiled, in their order; compiling on the event loop's own thread fails."""
    found: list[int] = []
    loop, bind = threading.get_ident(), governing.compile_stored
    running = threading.Lock()

    def watched(stored):
        assert threading.get_ident() != loop, "the event loop stood still"
        assert running.acquire(blocking=False), "two at a time"
        try:
            found.append(stored.version)
            return bind(stored)
        finally:
            running.release()

    monkeypatch.setattr(governing, "compile_stored", watched)
    return found


async def test_a_table_is_compiled_once_for_all_who_ask_and_one_at_a_time(rule_tables, compiled):
    asked = [2, 3, 2, 3, 3, 4]
    compiled_tables = await asyncio.gather(*(rule_tables.compiled(version) for version in asked))
    assert [compiled.version for compiled in compiled_tables] == asked
    assert sorted(compiled) == [2, 3, 4]


async def test_the_ones_asked_for_last_are_kept(rule_tables, compiled, monkeypatch):
    kept = 2
    monkeypatch.setattr(governing, "MOST_CACHED_TABLES", kept)
    for version in range(2, 2 + kept):
        await rule_tables.compiled(version)
    await rule_tables.compiled(2)
    await rule_tables.compiled(2 + kept)
    compiled.clear()
    await rule_tables.compiled(2)
    assert compiled == []
    await rule_tables.compiled(3)
    assert compiled == [3]


async def test_whoever_leaves_takes_the_table_from_nobody_else(rule_tables, compiled):
    leaving, staying = (
        asyncio.ensure_future(rule_tables.compiled(2)),
        asyncio.ensure_future(rule_tables.compiled(2)),
    )
    while not compiled:
        await asyncio.sleep(0)
    leaving.cancel()
    assert (await staying).version == 2
    assert compiled == [2]


async def test_a_draft_that_is_kept_is_kept_from_who_may_not_see_it(rule_tables, compiled):
    await rule_tables.compiled(DRAFT, drafts=True)
    await rule_tables.compiled(DRAFT, drafts=True)
    assert compiled == [DRAFT]
    with pytest.raises(ScopeMissing):
        await rule_tables.compiled(DRAFT)


async def test_a_newly_published_table_is_compiled_beside_the_loop(
    rule_tables, compiled, postgres, service_database
):
    with psycopg.connect(
        postgres.url(embedded.SUPERUSER, service_database.name).replace("+psycopg", ""), autocommit=True
    ) as conn:
        conn.execute("SET session_replication_role = replica")
        conn.execute("INSERT INTO rule_table_event (version, kind, at) VALUES (5, 'publish', now())")
    await rule_tables.refresh()
    assert (rule_tables.current.version, compiled) == (5, [5])
