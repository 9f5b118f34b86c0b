"""Changes of keys and tables are heard of: by notice, by looking, and again after the connection was lost."""

import asyncio
import hashlib

import psycopg
import pytest

from coldcase.db import change_listener, embedded
from coldcase.db.change_listener import ChangeListener
from tests.db.conftest import plain
from tests.proxy import Proxy, socket_of

pytestmark = pytest.mark.anyio

NEW_KEY = """
INSERT INTO api_key (id, client_id, secret_sha256, scopes, created_at)
VALUES (gen_random_uuid(), 1, sha256(gen_random_uuid()::text::bytea), '{preview}', now())
"""
NEW_TABLE = (
    "INSERT INTO rule_table (version, digest, document, created_at, created_by) VALUES (1, "
    "'d', '{}', now(), 'x')"
)
PUBLISHED = "INSERT INTO rule_table_event (version, kind, at) VALUES (1, 'publish', now())"


class Heard:
    """Counts what it is told."""

    def __init__(self):
        self.keys = asyncio.Queue()
        self.tables = asyncio.Queue()

    def on_keys(self, known):
        self.keys.put_nowait(known)

    async def on_tables(self):
        self.tables.put_nowait(None)


@pytest.fixture
async def heard(service_database, as_owner):
    """What a watch was told, after the two calls that it begins with."""
    as_owner.execute("INSERT INTO client (name) VALUES ('Tern Haven')")
    told = Heard()
    listener = ChangeListener(service_database.service_url, on_keys=told.on_keys, on_tables=told.on_tables)
    await listener.start()
    async with asyncio.timeout(20):
        await told.keys.get()
        await told.tables.get()
        yield told
    await listener.close()


async def test_a_new_key_and_a_new_table_are_told_each_to_whom_it_concerns(heard, as_owner):
    as_owner.execute(NEW_KEY)
    await heard.keys.get()
    as_owner.execute("UPDATE api_key SET revoked_at = now()")
    await heard.keys.get()
    assert heard.tables.empty()
    as_owner.execute(NEW_TABLE)
    as_owner.execute(PUBLISHED)
    await heard.tables.get()
    assert heard.keys.empty()


async def test_a_change_is_told_by_notice_and_not_by_the_next_look(heard, as_owner, monkeypatch):
    monkeypatch.setattr(change_listener, "POLL_SECONDS", 1000.0)
    as_owner.execute(NEW_KEY)
    await heard.keys.get()
    as_owner.execute(NEW_KEY)
    await heard.keys.get()


async def test_without_a_notice_a_look_finds_the_change(heard, as_owner):
    as_owner.execute("ALTER TABLE api_key DISABLE TRIGGER told")
    as_owner.execute(NEW_KEY)
    await heard.keys.get()


async def test_after_a_lost_connection_what_was_missed_is_told(heard, as_owner, postgres, service_database):
    with psycopg.connect(
        plain(postgres.url(embedded.SUPERUSER, service_database.name)), autocommit=True
    ) as conn:
        ended = conn.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = "
            "'coldcase watch' AND datname = current_database()"
        )
        assert ended.rowcount == 1
    as_owner.execute(NEW_KEY)
    await heard.keys.get()
    await heard.tables.get()
    as_owner.execute(NEW_KEY)
    await heard.keys.get()


async def test_a_callback_that_failed_is_called_again(service_database):
    calls = asyncio.Queue()

    def fail_once(known):
        calls.put_nowait(None)
        if calls.qsize() == 1:
            raise RuntimeError("not now")

    listener = ChangeListener(service_database.service_url, on_keys=fail_once, on_tables=Heard().on_tables)
    await listener.start()
    async with asyncio.timeout(20):
        while calls.qsize() < 2:
            await asyncio.sleep(0.01)
    await listener.close()


async def test_new_tables_that_could_not_be_taken_over_are_told_again(service_database):
    calls = []

    async def fail_once():
        calls.append(None)
        if len(calls) == 1:
            raise RuntimeError("not now")

    listener = ChangeListener(service_database.service_url, on_keys=Heard().on_keys, on_tables=fail_once)
    await listener.start()
    async with asyncio.timeout(20):
        while len(calls) < 2:
            await asyncio.sleep(0.01)
    await listener.close()


async def test_without_a_database_a_watch_starts_and_stops(tmp_path):
    told = Heard()
    listener = ChangeListener(
        f"postgresql+psycopg://coldcase_service@/coldcase?host={tmp_path}",
        on_keys=told.on_keys,
        on_tables=told.on_tables,
    )
    await listener.start()
    await asyncio.sleep(0)
    await listener.close()
    assert told.keys.empty()


async def test_the_keys_that_are_handed_over_are_those_that_are_good(heard, as_owner):
    made = {}
    for name in ("one", "two"):
        as_owner.execute(
            NEW_KEY.replace("gen_random_uuid()::text::bytea", f"'{name}'::bytea").replace(
                "'{preview}'", "'{preview,tables:read}'"
            )
        )
        made[name] = hashlib.sha256(name.encode()).digest()
        known = await heard.keys.get()
    assert set(known) == set(made.values())
    assert {(key.client, key.scopes, key.revoked_at) for key in known.values()} == {
        ("Tern Haven", frozenset({"preview", "tables:read"}), None)
    }

    as_owner.execute("UPDATE api_key SET revoked_at = now() WHERE secret_sha256 = sha256('one')")
    assert set(await heard.keys.get()) == {made["two"]}


async def test_a_person_s_label_that_was_erased_is_forgotten_here_too(heard, as_owner):
    as_owner.execute(
        "INSERT INTO api_key (id, client_id, person, salt, secret_sha256, scopes, created_at)"
        " VALUES (gen_random_uuid(), 1, 'bench', sha256('salt'), sha256('one'), '{preview}', now())"
    )
    assert [key.person for key in (await heard.keys.get()).values()] == ["bench"]
    as_owner.execute("UPDATE api_key SET person = 'erased'")
    async with asyncio.timeout(10):
        while [key.person for key in (await heard.keys.get()).values()] != ["erased"]:
            pass


async def test_a_database_that_does_not_answer_is_missed_and_heard_again(service_database, postgres):
    told = Heard()
    with Proxy(socket_of(postgres)) as proxy:
        listener = ChangeListener(
            proxy.instead_of(service_database.service_url), on_keys=told.on_keys, on_tables=told.on_tables
        )
        await listener.start()
        await told.keys.get()
        proxy.freeze()
        async with asyncio.timeout(10):
            while not listener.pulse.silent:
                await asyncio.sleep(0.01)
        assert await listener.look() is False
        proxy.thaw()
        async with asyncio.timeout(10):
            while listener.pulse.silent:
                await asyncio.sleep(0.01)
        await told.keys.get()
        assert await listener.look() is True
        proxy.freeze()
        async with asyncio.timeout(5):
            await listener.close()
