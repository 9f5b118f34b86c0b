"""API keys on record: made, listed, found by their secret's digest, revoked for good; nothing else can be done to them."""

import asyncio
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from uuid_utils.compat import uuid7

from coldcase.db import keys
from coldcase.errors import NotFound

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


async def create(conn, **members):
    secret = keys.new_secret()
    usual = {"id_": uuid7(), "client_name": "Tern Haven", "person": None, "scopes": ("preview",), "now": NOW}
    return secret, await keys.create(conn, secret_sha256=keys.digest(secret), **{**usual, **members})


async def test_a_key_is_found_by_its_secret_s_digest_alone(service):
    secret, made = await create(service, person="bench", scopes=["tables:read", "preview", "preview"])
    assert await keys.by_hash(service, keys.digest(secret)) == made
    assert (made.client, made.person, made.scopes) == ("Tern Haven", "bench", {"preview", "tables:read"})
    assert await keys.by_hash(service, keys.digest(secret + "x")) is None


async def test_keys_of_one_firm_share_its_client(service):
    (_, first), (_, second), (_, other) = [await create(service, client_name=name) for name in ("Tern Haven", "Tern Haven", "Butter Store")]
    assert first.client_id == second.client_id != other.client_id


async def test_two_may_make_the_first_key_of_a_firm_at_once(service_engine):
    async def one():
        async with service_engine.begin() as conn:
            return (await create(conn))[1].client_id

    assert len(set(await asyncio.gather(*(one() for _ in range(8))))) == 1


async def test_a_key_is_good_until_it_expires(service):
    _, made = await create(service, expires_at=NOW + timedelta(days=1))
    assert made.is_good(NOW)
    assert not made.is_good(NOW + timedelta(days=1))


async def test_a_revoked_key_stays_revoked_and_listed(service):
    secret, made = await create(service)
    revoked = await keys.revoke(service, made.id, now=NOW)
    again = await keys.revoke(service, made.id, now=NOW + timedelta(days=1))
    assert (again, again.revoked_at, again.is_good(NOW)) == (revoked, NOW, False)
    assert await keys.by_hash(service, keys.digest(secret)) == revoked
    assert await keys.list_keys(service) == [revoked]


async def test_a_key_that_is_not_there_cannot_be_revoked(service):
    with pytest.raises(NotFound):
        await keys.revoke(service, uuid7(), now=NOW)


async def test_every_change_of_keys_shows_in_the_mark(service):
    marks = [await keys.changes(service)]
    _, first = await create(service)
    marks.append(await keys.changes(service))
    _, second = await create(service)
    marks.append(await keys.changes(service))
    for key in (first, second):
        await keys.revoke(service, key.id, now=NOW)
        marks.append(await keys.changes(service))
    assert len(set(marks)) == len(marks)


@pytest.mark.parametrize(
    "change",
    [
        "DELETE FROM api_key",
        "TRUNCATE api_key CASCADE",
        "UPDATE api_key SET scopes = '{tables:approve}'",
        "UPDATE api_key SET secret_sha256 = sha256('')",
        "UPDATE api_key SET expires_at = NULL",
        "UPDATE api_key SET revoked_at = NULL",
        "ALTER TABLE api_key DISABLE TRIGGER ALL",
    ],
)
async def test_the_service_can_do_nothing_else_to_a_key(service_engine, as_service, change):
    async with service_engine.begin() as conn:
        _, made = await create(conn)
        await keys.revoke(conn, made.id, now=NOW)
    with pytest.raises((psycopg.errors.InsufficientPrivilege, psycopg.errors.RestrictViolation)):
        as_service.execute(change)


def test_a_live_idempotency_key_is_neither_changed_nor_removed(as_service, as_owner):
    as_owner.execute("INSERT INTO idempotency VALUES (1, 'live', sha256(''), gen_random_uuid(), now() + interval '1 day')")
    as_owner.execute("INSERT INTO idempotency VALUES (1, 'old', sha256(''), gen_random_uuid(), now() - interval '1 day')")
    assert as_service.execute("UPDATE idempotency SET fingerprint = '' WHERE key = 'live'").rowcount == 0
    assert as_service.execute("DELETE FROM idempotency").rowcount == 1
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        as_service.execute("TRUNCATE idempotency")
    assert as_owner.execute("SELECT key FROM idempotency").fetchall() == [("live",)]
