"""What a verification asks of the record: members with their records, rows that no seal holds, erasures,
archives.
"""

from collections.abc import AsyncIterator, Sequence
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from psycopg.rows import dict_row
from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.archive import is_erased
from coldcase.db.engine import raw_connection
from coldcase.db.seals import (
    ID,
    RECORDS_AT_A_TIME,
    SEALED_COLUMNS,
    TIMES,
    Member,
    member_id_sql,
    stored_decisions,
)
from coldcase.proof.leaves import ERASED_TEXT, PERSONAL_TEXTS, RECORD_KINDS

Checked = tuple[Member, Any]
"""A member with its record: a `StoredDecision`, a dictionary for another kind, None where there is none."""


async def begin(conn: AsyncConnection) -> None:
    """Must come first in its transaction: all that is read is of one moment, and nothing can be written."""
    await conn.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"))


async def take_turn(conn: AsyncConnection) -> bool:
    """Whether this transaction is the one that may verify at the service's expense."""
    return bool(await conn.scalar(text("SELECT pg_try_advisory_xact_lock(hashtext('coldcase verify'))")))


async def members_with_records(conn: AsyncConnection, seal: int) -> AsyncIterator[list[Checked]]:
    """The members of a seal in their order, each with its record, some at a time."""
    place = 0
    while batch := await _batch(conn, seal, place):
        rows: dict[tuple[int, UUID], Any] = {}
        for kind in {member.kind for member in batch}:
            wanted = [member.record for member in batch if member.kind == kind]
            rows |= {(kind, id_): row for id_, row in await records(conn, RECORD_KINDS[kind], wanted)}
        yield [(member, rows.get((member.kind, member.record))) for member in batch]
        place = batch[-1].position + 1


async def _batch(conn: AsyncConnection, seal: int, place: int) -> list[Member]:
    raw = await raw_connection(conn)
    statement = (
        "SELECT position, kind, record, leaf, client_id FROM audit_seal_member"
        " WHERE seal = %s AND position >= %s ORDER BY position LIMIT %s"
    )
    async with raw.cursor(binary=True) as cursor:
        await cursor.execute(statement, (seal, place, RECORDS_AT_A_TIME))
        return [Member(*row) for row in await cursor.fetchall()]


async def records(conn: AsyncConnection, kind: str, wanted: Sequence[UUID]) -> list[tuple[UUID, Any]]:
    """These records of a kind, each with its name: a `StoredDecision`, or a dictionary for another kind."""
    raw = await raw_connection(conn)
    if kind == "decision":
        async with raw.cursor(binary=True) as cursor:
            await cursor.execute(
                f"SELECT {SEALED_COLUMNS[kind]} FROM decision AS r WHERE r.id = ANY(%s)",  # noqa: S608
                (list(wanted),),
            )
            rows = await cursor.fetchall()
        return [(row.id, row) for row in await stored_decisions(conn, rows)]
    keys = list(wanted) if kind == "verdict" else [record.int for record in wanted]
    async with raw.cursor(binary=True, row_factory=dict_row) as cursor:
        statement = (
            f"SELECT {member_id_sql(kind)} AS record_, {SEALED_COLUMNS[kind]} FROM {kind} AS "  # noqa: S608
            f"r WHERE {ID[kind]} = ANY(%s)"
        )
        await cursor.execute(statement, (keys,))
        return [(row.pop("record_"), row) for row in await cursor.fetchall()]


class UnsealedRecord(msgspec.Struct, frozen=True):
    """A record that no seal holds; `at` is when it says that it was recorded, `to_come` whether no
    transaction has its number yet.
    """

    kind: str
    record: UUID
    client_id: int | None
    xid: int
    at: datetime
    to_come: bool


async def unsealed_rows(conn: AsyncConnection, kind: str) -> AsyncIterator[list[UnsealedRecord]]:
    """The records of one kind that no seal holds, some at a time."""
    client = "r.client_id" if kind in ("decision", "verdict", "audit_event") else "NULL::integer"
    statement = (
        f"SELECT {member_id_sql(kind)}, {client}, r.xid::text, r.{TIMES[kind]},"  # noqa: S608 - our own names
        f" r.xid >= pg_snapshot_xmax(pg_current_snapshot()) FROM {kind} AS r"
        f" LEFT JOIN audit_seal_member AS m ON m.kind = {RECORD_KINDS.index(kind)} AND m.record = "
        f"{member_id_sql(kind)}"
        " WHERE m.record IS NULL"
    )
    raw = await raw_connection(conn)
    async with raw.cursor(name="loose", binary=True) as cursor:
        await cursor.execute(statement)
        while rows := await cursor.fetchmany(RECORDS_AT_A_TIME):
            yield [UnsealedRecord(kind, row[0], row[1], int(row[2]), *row[3:]) for row in rows]


async def erased(conn: AsyncConnection, kind: str) -> dict[str, int]:
    """How many records of a kind have lost each of their personal texts, and under "" how many have lost
    any.
    """
    lost = {word: is_erased(kind, word) for word in PERSONAL_TEXTS[kind]}
    counts = ", ".join(
        f"count(*) FILTER (WHERE {condition})" for condition in (*lost.values(), " OR ".join(lost.values()))
    )
    row = (await conn.execute(text(f"SELECT {counts} FROM {kind}"))).one()  # noqa: S608 - our own names
    return dict(zip((*lost, ""), row, strict=True))


async def establishers_erased(conn: AsyncConnection) -> int:
    """How many verdicts have lost who established them."""
    query = text("SELECT count(*) FROM verdict WHERE established_by = :erased")
    return int(await conn.scalar(query, {"erased": ERASED_TEXT}) or 0)


async def erasures(conn: AsyncConnection) -> list[dict[str, Any]]:
    """The details of every event of an erasure."""
    rows = await conn.scalars(text("SELECT details FROM audit_event WHERE action = 'words.erased'"))
    return [msgspec.json.decode(row) for row in rows]


class ListedArchive(msgspec.Struct, frozen=True):
    """A year whose decisions were taken out, into a file of this digest."""

    year: int
    count: int
    file_sha256: bytes


async def archives(conn: AsyncConnection) -> list[ListedArchive]:
    """The years that were taken out, by the table of them: nothing seals it."""
    return [
        ListedArchive(*row)
        for row in await conn.execute(
            text("SELECT year, count, file_sha256 FROM audit_archive ORDER BY year")
        )
    ]


class SealedEvent(NamedTuple):
    """An event that is under a seal."""

    id: int
    subject: str
    details: dict[str, Any]
    at: datetime


async def sealed_events(conn: AsyncConnection, action: str) -> list[SealedEvent]:
    """The events of an action that are under a seal, in their order."""
    place, name = RECORD_KINDS.index("audit_event"), member_id_sql("audit_event")
    query = text(
        "SELECT r.id, r.subject, r.details, r.at FROM audit_event AS r WHERE r.action = :action AND EXISTS"  # noqa: S608 - our own names
        f" (SELECT FROM audit_seal_member AS m WHERE m.kind = {place} AND m.record = {name}) ORDER BY r.id"
    )
    found = await conn.execute(query, {"action": action})
    return [SealedEvent(row[0], row[1], msgspec.json.decode(row[2]), row[3]) for row in found]


async def decisions_of(conn: AsyncConnection, year: int) -> int:
    """How many decisions of a year the record holds."""
    query = text(
        "SELECT count(*) FROM decision WHERE id >= first_id_of_year(:year) AND id < "
        "first_id_of_year(:year + 1)"
    )
    return int(await conn.scalar(query, {"year": year}) or 0)


async def epoch(conn: AsyncConnection) -> str:
    """The cluster that the record is in."""
    return str(await conn.scalar(text("SELECT record_epoch()")))


class Sealed(msgspec.Struct, frozen=True):
    """The hash of a record's leaf as it was sealed, and its format."""

    leaf: bytes
    format: int


async def known_leaves(conn: AsyncConnection, kind: str, wanted: Sequence[UUID]) -> dict[UUID, Sealed]:
    """The sealed leaves of these records."""
    query = text(
        "SELECT record, leaf, format FROM audit_seal_member JOIN audit_seal ON number = seal WHERE "
        "kind = :kind AND record = ANY(:wanted)"
    )
    return {
        row[0]: Sealed(row[1], row[2])
        for row in await conn.execute(query, {"kind": RECORD_KINDS.index(kind), "wanted": list(wanted)})
    }
