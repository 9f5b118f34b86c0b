"""Every revision goes up and down, says in `tables.py` what it leaves, and can be applied as plain SQL."""

import psycopg
import pytest
from alembic.script import ScriptDirectory

from coldcase.db import engine, migrating
from coldcase.errors import StaleSchema

SCHEMA = """
SELECT table_name, column_name, data_type, is_nullable, coalesce(column_default, '') FROM information_schema.columns
WHERE table_schema = 'public' AND table_name <> 'alembic_version'
UNION ALL
SELECT event_object_table, trigger_name, event_manipulation, action_timing, action_statement FROM information_schema.triggers
UNION ALL
SELECT tablename, policyname, cmd, coalesce(qual, ''), coalesce(with_check, '') FROM pg_policies
UNION ALL
SELECT table_name, grantee, privilege_type, is_grantable, '' FROM information_schema.role_table_grants WHERE grantee LIKE 'coldcase%'
UNION ALL
SELECT tablename, indexname, '', '', indexdef FROM pg_indexes WHERE schemaname = 'public'
ORDER BY 1, 2, 3, 4, 5
"""


def schema(database) -> list[tuple[str, ...]]:
    with psycopg.connect(database.owner_url.replace("+psycopg", "")) as conn:
        return conn.execute(SCHEMA).fetchall()


def test_there_is_one_head():
    assert len(ScriptDirectory.from_config(migrating.configuration()).get_heads()) == 1


def test_up_down_and_up_again_gives_the_same_schema(empty_database):
    migrating.upgrade(empty_database.owner_url)
    first = schema(empty_database)
    migrating.downgrade(empty_database.owner_url)
    assert {row[0] for row in schema(empty_database)} <= {"alembic_version"}
    migrating.upgrade(empty_database.owner_url)
    assert schema(empty_database) == first


def test_each_revision_can_be_taken_back_by_itself(empty_database):
    revisions = [script.revision for script in ScriptDirectory.from_config(migrating.configuration()).walk_revisions()]
    migrating.upgrade(empty_database.owner_url)
    whole = schema(empty_database)
    for revision in [*revisions[1:], "base"]:
        migrating.downgrade(empty_database.owner_url, revision)
    migrating.upgrade(empty_database.owner_url)
    assert schema(empty_database) == whole


def test_the_tables_of_the_code_are_those_of_the_migrations(empty_database):
    migrating.upgrade(empty_database.owner_url)
    migrating.check(empty_database.owner_url)


def test_a_second_upgrade_finds_nothing_to_do(empty_database):
    migrating.upgrade(empty_database.owner_url)
    first = schema(empty_database)
    migrating.upgrade(empty_database.owner_url)
    assert schema(empty_database) == first


def test_the_printed_sql_gives_the_same_schema(empty_database, make_database):
    migrating.upgrade(empty_database.owner_url)
    by_hand = make_database()
    with psycopg.connect(by_hand.owner_url.replace("+psycopg", ""), autocommit=True) as conn:
        conn.execute(migrating.sql())
        conn.execute("SELECT ensure_partitions()")
    assert schema(by_hand) == schema(empty_database)


@pytest.mark.anyio
async def test_the_service_refuses_a_stale_schema_and_names_the_command(empty_database):
    migrating.upgrade(empty_database.owner_url)
    migrating.downgrade(empty_database.owner_url)
    stale = engine.make_engine(empty_database.service_url)
    try:
        async with stale.connect() as conn:
            with pytest.raises(StaleSchema, match="coldcase migrate"):
                await engine.require_current(conn)
    finally:
        await stale.dispose()
