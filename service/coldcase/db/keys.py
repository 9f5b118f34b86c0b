"""API keys: the record holds the SHA-256 of a key's secret, never the secret."""

import hashlib
import secrets
import sys
from collections.abc import Iterable
from datetime import datetime
from functools import cache
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import ARRAY, RowMapping, Select, Uuid, any_, cast, func, insert, select, text, update
from sqlalchemy.dialects import postgresql
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import api_key, client
from coldcase.errors import NotFound

KEYS_CHANGED = "coldcase_keys"
"""The channel on which the database tells of new and revoked keys."""

SECRET_BYTES = 32

ALL_SCOPES = (
    "decisions:write",
    "preview",
    "decisions:read",
    "decisions:read:all",
    "verdicts:write",
    "verdicts:write:all",
    "tables:read",
    "tables:draft",
    "tables:approve",
    "audit:read",
)
"""Whatever a key may be made for."""

PAGE = 250
"""Keys read at a time: some milliseconds of the event loop."""

TOKENS = """
SELECT string_agg(uuid_send(id) || CASE WHEN person = 'erased' THEN '\\x01'::bytea
    ELSE '\\x00'::bytea END, ''::bytea) FROM api_key
WHERE revoked_at IS NULL AND (expires_at IS NULL OR expires_at > now() - interval '1 day')
"""

MARK = """
SELECT concat_ws(' ', count(*), count(revoked_at), count(*) FILTER (WHERE person = 'erased'), max(created_at),
    max(revoked_at)) FROM api_key
"""


class ApiKey(msgspec.Struct, frozen=True, kw_only=True):
    """A key without its secret: which client's, who stands behind it, what it may do and until when."""

    id: UUID
    client_id: int
    client: str
    person: str | None
    scopes: frozenset[str]
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None

    def is_good(self, now: datetime) -> bool:
        """Whether it opens anything now."""
        return self.revoked_at is None and (self.expires_at is None or now < self.expires_at)


def new_secret() -> str:
    """A secret of 256 bits, in letters that survive a header and a shell."""
    return f"cc_{secrets.token_urlsafe(SECRET_BYTES)}"


def secret_digest(secret: str) -> bytes:
    """What the record holds of a secret. It has 256 bits, so no salt and no slow hash is needed."""
    return hashlib.sha256(secret.encode()).digest()


async def create_key(
    conn: AsyncConnection,
    *,
    id_: UUID,
    client_name: str,
    person: str | None,
    scopes: Iterable[str],
    secret_sha256: bytes,
    now: datetime,
    expires_at: datetime | None = None,
) -> ApiKey:
    """A new key; a client that is not known yet is made too."""
    client_id = await ensure_client(conn, client_name)
    values = {
        "id": id_,
        "client_id": client_id,
        "person": person,
        "created_at": now,
        "expires_at": expires_at,
    }
    await conn.execute(
        insert(api_key).values(**values, scopes=sorted(set(scopes)), secret_sha256=secret_sha256)
    )
    return as_key((await conn.execute(select_keys().where(api_key.c.id == id_))).mappings().one())


async def list_keys(conn: AsyncConnection) -> list[ApiKey]:
    """All keys, oldest first, revoked and expired ones too."""
    return [
        as_key(row)
        for row in (await conn.execute(select_keys().order_by(api_key.c.created_at, api_key.c.id))).mappings()
    ]


async def revoke_key(conn: AsyncConnection, id_: UUID, *, now: datetime) -> ApiKey:
    """Revokes a key for good; one that is revoked already stays as it was. Raises NotFound."""
    await conn.execute(
        update(api_key).where(api_key.c.id == id_, api_key.c.revoked_at.is_(None)).values(revoked_at=now)
    )
    row = (await conn.execute(select_keys().where(api_key.c.id == id_))).mappings().one_or_none()
    if row is None:
        raise NotFound(f"There is no key {id_}.")
    return as_key(row)


async def good_tokens(conn: AsyncConnection) -> set[bytes]:
    """A token of 17 bytes for each key that is not revoked: its id, and whether its person's label was
    erased.

    Nothing else of a key ever changes. Keys that expired a day ago or earlier are left out; the others' time
    is for the caller to tell.
    """
    joined: bytes = await conn.scalar(text(TOKENS)) or b""
    return {joined[start : start + 17] for start in range(0, len(joined), 17)}


async def page_of(conn: AsyncConnection, tokens: Iterable[bytes]) -> dict[bytes, tuple[bytes, ApiKey]]:
    """The keys of these tokens, each with the digest of its secret, by token."""
    by_id = {UUID(bytes=token[:16]): token for token in tokens}
    query = (
        select_keys()
        .add_columns(api_key.c.secret_sha256)
        .where(api_key.c.id == any_(cast(list(by_id), ARRAY(Uuid))))
    )
    found = {}
    for row in (await conn.execute(query)).mappings():
        members = dict(row)
        digest_ = bytes(members.pop("secret_sha256"))
        members |= {"client": sys.intern(row["client"]), "scopes": _shared(frozenset(row["scopes"]))}
        found[by_id[row["id"]]] = (digest_, ApiKey(**members))
    return found


@cache
def _shared(scopes: frozenset[str]) -> frozenset[str]:
    """Thousands of keys have few sets of scopes: each is kept once."""
    return scopes


async def key_of_secret(conn: AsyncConnection, secret: str) -> tuple[ApiKey | None, bool]:
    """The key of a secret, if there is one, and whether it opens anything now, by the database's clock."""
    query = select_keys().where(api_key.c.secret_sha256 == secret_digest(secret))
    row = (await conn.execute(query)).mappings().one_or_none()
    if row is None:
        return None, False
    key = as_key(row)
    return key, key.is_good((await conn.execute(select(func.now()))).scalar_one())


async def ensure_client(conn: AsyncConnection, name: str) -> int:
    """The number of the client of this name, made if need be."""
    await conn.execute(postgresql.insert(client).values(name=name).on_conflict_do_nothing())
    number: int = (await conn.execute(select(client.c.id).where(client.c.name == name))).scalar_one()
    return number


async def keys_mark(conn: AsyncConnection) -> str:
    """A mark that is another one once any key was made or revoked, or a person's label erased."""
    return str(await conn.scalar(text(MARK)))


def select_keys() -> Select[Any]:
    """Keys with their client's name."""
    return select(
        api_key.c.id,
        api_key.c.client_id,
        client.c.name.label("client"),
        api_key.c.person,
        api_key.c.scopes,
        api_key.c.created_at,
        api_key.c.expires_at,
        api_key.c.revoked_at,
    ).join(client, client.c.id == api_key.c.client_id)


def as_key(row: RowMapping) -> ApiKey:
    """A row of `select_keys` as a value."""
    return ApiKey(**{**row, "scopes": frozenset(row["scopes"])})
