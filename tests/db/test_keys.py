"""API keys on record: made, listed, found by their secret's digest, revoked for good; nothing else can be
done to them."""

import asyncio
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool
from uuid_utils.compat import uuid7

from coldcase.db import keys
from coldcase.db.tables import api_key
from coldcase.errors import NotFound

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
async def owner_engine(service_database):
    engine = create_async_engine(service_database.owner_url, poolclass=NullPool)
    yield engine
    await engine.dispose()


@pytest.fixture
async def owner(owner_engine):
    """A connection as the owner, in a transaction that is undone."""
    async with owner_engine.connect() as conn:
        yield conn


async def create(conn, **members):
    secret = keys.new_secret()
    usual = {"id_": uuid7(), "client_name": "Tern Haven", "person": None, "scopes": ("preview",), "now": NOW}
    return secret, await keys.create_key(
        conn, secret_sha256=keys.secret_digest(secret), **{**usual, **members}
    )


async def found_by(conn, digest):
    found = await conn.execute(keys.select_keys().where(api_key.c.secret_sha256 == digest))
    row = found.mappings().one_or_none()
    return None if row is None else keys.as_key(row)


async def test_a_key_is_found_by_its_secret_s_digest_alone(owner):
    secret, made = await create(owner, person="bench", scopes=["tables:read", "preview", "preview"])
    assert await found_by(owner, keys.secret_digest(secret)) == made
    assert (made.client, made.person, made.scopes) == ("Tern Haven", "bench", {"preview", "tables:read"})
    assert await found_by(owner, keys.secret_digest(secret + "x")) is None


async def test_keys_of_one_firm_share_its_client(owner):
    (_, first), (_, second), (_, other) = [
        await create(owner, client_name=name) for name in ("Tern Haven", "Tern Haven", "Butter Store")
    ]
    assert first.client_id == second.client_id != other.client_id


async def test_two_may_make_the_first_key_of_a_firm_at_once(owner_engine):
    async def one():
        async with owner_engine.begin() as conn:
            return (await create(conn))[1].client_id

    assert len(set(await asyncio.gather(*(one() for _ in range(8))))) == 1


async def test_a_key_is_good_until_it_expires(owner):
    _, made = await create(owner, expires_at=NOW + timedelta(days=1))
    assert made.is_good(NOW)
    assert not made.is_good(NOW + timedelta(days=1))


async def test_a_revoked_key_stays_revoked_and_listed(owner):
    secret, made = await create(owner)
    revoked = await keys.revoke_key(owner, made.id, now=NOW)
    again = await keys.revoke_key(owner, made.id, now=NOW + timedelta(days=1))
    assert (again, again.revoked_at, again.is_good(NOW)) == (revoked, NOW, False)
    assert await found_by(owner, keys.secret_digest(secret)) == revoked
    assert await keys.list_keys(owner) == [revoked]


async def test_a_key_that_is_not_there_cannot_be_revoked(owner):
    with pytest.raises(NotFound):
        await keys.revoke_key(owner, uuid7(), now=NOW)


async def test_every_change_of_keys_shows_in_the_mark(owner):
    marks = [await keys.keys_mark(owner)]
    _, first = await create(owner)
    marks.append(await keys.keys_mark(owner))
    _, second = await create(owner)
    marks.append(await keys.keys_mark(owner))
    for key in (first, second):
        await keys.revoke_key(owner, key.id, now=NOW)
        marks.append(await keys.keys_mark(owner))
    assert len(set(marks)) == len(marks)


@pytest.mark.parametrize(
    "change",
    [
        "DELETE FROM api_key",
        "TRUNCATE api_key CASCADE",
        "INSERT INTO client (name) VALUES ('Nobody')",
        "UPDATE client SET name = 'Nobody'",
        (
            "INSERT INTO api_key SELECT gen_random_uuid(), client_id, person, sha256(''), '{audit:read}', "
            "now(), NULL, NULL FROM api_key"
        ),
        "UPDATE api_key SET scopes = '{tables:approve}'",
        "UPDATE api_key SET secret_sha256 = sha256('')",
        "UPDATE api_key SET expires_at = NULL",
        "UPDATE api_key SET revoked_at = NULL",
        "UPDATE api_key SET revoked_at = now()",
        "UPDATE api_key SET person = 'erased'",
        "ALTER TABLE api_key DISABLE TRIGGER ALL",
    ],
)
async def test_the_service_can_do_nothing_to_a_key(owner_engine, as_service, change):
    async with owner_engine.begin() as conn:
        _, made = await create(conn)
        await keys.revoke_key(conn, made.id, now=NOW)
    with pytest.raises((psycopg.errors.InsufficientPrivilege, psycopg.errors.RestrictViolation)):
        as_service.execute(change)


@pytest.mark.parametrize(
    "change",
    [
        "scopes = '{tables:approve}'",
        "secret_sha256 = sha256('')",
        "client_id = 2",
        "expires_at = now()",
        "person = 'another'",
        "salt = NULL",
        "person = NULL, salt = NULL",
        "created_at = now()",
    ],
)
async def test_the_owner_is_held_back_from_changing_a_key_by_accident(owner_engine, as_owner, change):
    async with owner_engine.begin() as conn:
        await create(conn, person="bench")
        await create(conn, client_name="Butter Store")
    with pytest.raises(psycopg.errors.RestrictViolation):
        as_owner.execute(f"UPDATE api_key SET {change} WHERE client_id = 1")
    assert as_owner.execute("UPDATE api_key SET person = 'erased' WHERE client_id = 1").rowcount == 1
    assert as_owner.execute("SELECT person, salt FROM api_key WHERE client_id = 1").fetchone() == (
        "erased",
        None,
    )


def test_a_live_idempotency_key_is_neither_changed_nor_removed(as_service, as_owner):
    as_owner.execute(
        "INSERT INTO idempotency VALUES (1, 'live', sha256(''), gen_random_uuid(), now() + interval '1 day')"
    )
    as_owner.execute(
        "INSERT INTO idempotency VALUES (1, 'old', sha256(''), gen_random_uuid(), now() - interval '1 day')"
    )
    assert as_service.execute("UPDATE idempotency SET fingerprint = '' WHERE key = 'live'").rowcount == 0
    assert as_service.execute("DELETE FROM idempotency").rowcount == 1
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        as_service.execute("TRUNCATE idempotency")
    assert as_owner.execute("SELECT key FROM idempotency").fetchall() == [("live",)]
