"""What a verification asks of clients, keys and rule tables: the rows, and the events that say how they came
about.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncConnection


class HolderEvent(msgspec.Struct, frozen=True):
    """What an event says of a client or key."""

    action: str
    subject: str
    client_id: int | None
    details: dict[str, Any]


class KeyRow(msgspec.Struct, frozen=True):
    """A key as the record holds it; `secret` is the digest of its secret's digest, in hexadecimal, as the
    events have it.
    """

    id: UUID
    client_id: int
    person: str | None
    scopes: list[str]
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None
    salt: bytes | None
    person_sha256: bytes | None
    secret: str


async def holder_events(conn: AsyncConnection) -> list[HolderEvent]:
    """The events of keys and clients, in their order."""
    query = (
        "SELECT action, subject, client_id, details FROM audit_event WHERE action LIKE 'key.%' OR "
        "action LIKE 'client.%' ORDER BY id"
    )
    return [HolderEvent(row[0], row[1], row[2], _members(row[3])) for row in await conn.execute(text(query))]


def _members(details: str) -> dict[str, Any]:
    """None of those of an event that was tampered with may stop a verification."""
    try:
        found = msgspec.json.decode(details)
    except msgspec.DecodeError:
        return {}
    return found if isinstance(found, dict) else {}


async def keys(conn: AsyncConnection) -> list[KeyRow]:
    """All keys."""
    columns = "id, client_id, person, scopes, created_at, expires_at, revoked_at, salt, person_sha256"
    query = f"SELECT {columns}, encode(sha256(secret_sha256), 'hex') FROM api_key ORDER BY id"  # noqa: S608 - our own columns
    return [KeyRow(*row) for row in await conn.execute(text(query))]


async def clients(conn: AsyncConnection) -> dict[int, str]:
    """The clients' names by their number."""
    return {row[0]: row[1] for row in await conn.execute(text("SELECT id, name FROM client ORDER BY id"))}


async def misplaced_verdicts(conn: AsyncConnection) -> Sequence[tuple[UUID, int]]:
    """Verdicts that stand under another client's idempotency keys than that of the key that gave them; with
    the decision's client.
    """
    query = (
        "SELECT verdict.id, verdict.client_id FROM verdict LEFT JOIN api_key ON api_key.id = by_key"
        " WHERE by_client_id IS DISTINCT FROM api_key.client_id ORDER BY verdict.id"
    )
    return [(row[0], row[1]) for row in await conn.execute(text(query))]


async def table_events_without_audit(conn: AsyncConnection) -> list[int]:
    """What was done to rule tables without an audit event of it, by number; not what is older than all such
    events.
    """
    query = (
        "SELECT id FROM rule_table_event AS done WHERE at >= (SELECT min(at) FROM audit_event) AND "
        "NOT EXISTS ("
        "SELECT FROM audit_event WHERE subject = version::text AND action = 'rule_table.' || kind"
        " AND CASE WHEN details IS JSON OBJECT THEN details::jsonb ->> 'event' END = done.id::text) "
        "ORDER BY id"
    )
    return [row[0] for row in await conn.execute(text(query))]


async def verdicts_without_audit(conn: AsyncConnection) -> Sequence[tuple[UUID, int]]:
    """Verdicts without an audit event of them, each with the decision's client. Those of an import share one
    a transaction, which says how many they are; where there are more, it is of none of them.
    """
    return [(row[0], row[1]) for row in await conn.execute(text(VERDICTS_WITHOUT_AUDIT))]


VERDICTS_WITHOUT_AUDIT = """
WITH imported AS (
    SELECT told.xid, told.client_id,
        told.details::jsonb ->> 'first' AS first, told.details::jsonb ->> 'last' AS last
    FROM audit_event AS told
    WHERE told.action = 'verdicts.imported' AND (told.details::jsonb ->> 'verdicts')::bigint >= (
        SELECT count(*) FROM verdict
        WHERE verdict.xid = told.xid AND verdict.client_id = told.client_id AND verdict.origin = 'bulk')
)
SELECT id, client_id FROM verdict
WHERE NOT EXISTS (
    SELECT FROM audit_event WHERE action = 'verdict.recorded' AND subject = verdict.id::text
) AND NOT EXISTS (
    SELECT FROM imported
    WHERE verdict.origin = 'bulk' AND imported.xid = verdict.xid AND imported.client_id = verdict.client_id
    AND verdict.id::text BETWEEN imported.first AND imported.last
)
ORDER BY id
"""
