"""What a verification asks of the record: members with their records, rows that no seal holds, erasures, archives."""

from collections.abc import AsyncIterator, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from psycopg.rows import dict_row
from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.core.leaves import KINDS, WORDS, DecisionRow
from coldcase.db.archive import is_erased
from coldcase.db.engine import raw_connection
from coldcase.db.seals import BATCH, COLUMNS, ID, Member, record_id

Checked = tuple[Member, Any]
"""A member with its record: a `DecisionRow`, a dictionary for another kind, None where there is none."""


async def take_turn(conn: AsyncConnection) -> bool:
    """Whether this transaction is the one that may verify at the service's expense."""
    return bool(await conn.scalar(text("SELECT pg_try_advisory_xact_lock(hashtext('coldcase verify'))")))


async def members(conn: AsyncConnection, seal: int) -> AsyncIterator[list[Checked]]:
    """The members of a seal in their order, each with its record, some at a time."""
    place = 0
    while batch := await _batch(conn, seal, place):
        rows: dict[tuple[int, UUID], Any] = {}
        for kind in {member.kind for member in batch}:
            wanted = [member.record for member in batch if member.kind == kind]
            rows |= {(kind, id_): row for id_, row in await _records(conn, KINDS[kind], wanted)}
        yield [(member, rows.get((member.kind, member.record))) for member in batch]
        place = batch[-1].position + 1


async def _batch(conn: AsyncConnection, seal: int, place: int) -> list[Member]:
    raw = await raw_connection(conn)
    statement = "SELECT position, kind, record, leaf FROM audit_seal_member WHERE seal = %s AND position >= %s ORDER BY position LIMIT %s"
    async with raw.cursor(binary=True) as cursor:
        await cursor.execute(statement, (seal, place, BATCH))
        return [Member(*row) for row in await cursor.fetchall()]


async def _records(conn: AsyncConnection, kind: str, wanted: Sequence[UUID]) -> list[tuple[UUID, Any]]:
    raw = await raw_connection(conn)
    if kind == "decision":
        async with raw.cursor(binary=True) as cursor:
            await cursor.execute(f"SELECT {COLUMNS[kind]} FROM decision AS r WHERE r.id = ANY(%s)", (list(wanted),))  # noqa: S608
            return [(row[0], DecisionRow._make(row)) for row in await cursor.fetchall()]
    keys = list(wanted) if kind == "verdict" else [record.int for record in wanted]
    async with raw.cursor(binary=True, row_factory=dict_row) as cursor:
        statement = f"SELECT {record_id(kind)} AS record_, {COLUMNS[kind]} FROM {kind} AS r WHERE {ID[kind]} = ANY(%s)"  # noqa: S608
        await cursor.execute(statement, (keys,))
        return [(row.pop("record_"), row) for row in await cursor.fetchall()]


class Loose(msgspec.Struct, frozen=True):
    """A record that no seal holds; `at` is when it says that it was recorded."""

    kind: str
    record: UUID
    client_id: int | None
    xid: int
    at: datetime


TIMES = {"decision": "recorded_at", "verdict": "recorded_at", "rule_table": "created_at", "rule_table_event": "at", "audit_event": "at"}


async def loose(conn: AsyncConnection, kind: str) -> AsyncIterator[list[Loose]]:
    """The records of one kind that no seal holds, some at a time."""
    client = "r.client_id" if kind in ("decision", "verdict", "audit_event") else "NULL::integer"
    statement = (
        f"SELECT {record_id(kind)}, {client}, r.xid::text, r.{TIMES[kind]} FROM {kind} AS r"  # noqa: S608 - our own names
        f" LEFT JOIN audit_seal_member AS m ON m.kind = {KINDS.index(kind)} AND m.record = {record_id(kind)} WHERE m.record IS NULL"
    )
    raw = await raw_connection(conn)
    async with raw.cursor(name="loose", binary=True) as cursor:
        await cursor.execute(statement)
        while rows := await cursor.fetchmany(BATCH):
            yield [Loose(kind, row[0], row[1], int(row[2]), row[3]) for row in rows]


async def erased(conn: AsyncConnection, kind: str) -> dict[str, int]:
    """How many records of a kind have lost each of their words, and under "" how many have lost any."""
    lost = {word: is_erased(kind, word) for word in WORDS[kind]}
    counts = ", ".join(f"count(*) FILTER (WHERE {condition})" for condition in (*lost.values(), " OR ".join(lost.values())))
    row = (await conn.execute(text(f"SELECT {counts} FROM {kind}"))).one()  # noqa: S608 - our own names
    return dict(zip((*lost, ""), row, strict=True))


async def erasures(conn: AsyncConnection) -> list[dict[str, Any]]:
    """The details of every event of an erasure."""
    rows = await conn.scalars(text("SELECT details FROM audit_event WHERE action = 'words.erased'"))
    return [msgspec.json.decode(row) for row in rows]


class Archive(msgspec.Struct, frozen=True):
    """A year whose decisions were taken out, into a file of this digest."""

    year: int
    count: int
    file_sha256: bytes


async def archives(conn: AsyncConnection) -> list[Archive]:
    """The years that were taken out."""
    return [Archive(*row) for row in await conn.execute(text("SELECT year, count, file_sha256 FROM audit_archive ORDER BY year"))]


async def known_leaves(conn: AsyncConnection, kind: str, wanted: Sequence[UUID]) -> dict[UUID, bytes]:
    """The sealed leaves of these records."""
    query = text("SELECT record, leaf FROM audit_seal_member WHERE kind = :kind AND record = ANY(:wanted)")
    return {row[0]: row[1] for row in await conn.execute(query, {"kind": KINDS.index(kind), "wanted": list(wanted)})}
