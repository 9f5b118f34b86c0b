"""Seals and what they cover: the rows that are complete and not sealed yet, the seals, and their members.

All of it is read and written as the role `coldcase_auditor`, which sees every client's rows: see `as_auditor`.
"""

from collections.abc import AsyncIterator, Iterable, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
import psycopg
from psycopg.rows import dict_row, tuple_row
from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.core.leaves import KINDS, DecisionRow
from coldcase.db.engine import raw_connection
from coldcase.errors import StoreAway

BATCH = 500
"""Rows at a time: few enough that whoever shares the event loop with a seal is not held up by it."""

MOST_IN_SEAL = 50_000
"""Rows of decisions after which a seal ends with their transaction, so that a proof need not read many more hashes."""

DECISION = ", ".join("r." + name + ("::text" if name == "xid" else "") for name in DecisionRow._fields)
ID = {"decision": "r.id", "verdict": "r.id", "rule_table": "r.version", "rule_table_event": "r.id", "audit_event": "r.id"}
COLUMNS = {
    "decision": DECISION,
    "verdict": "r.id, r.decision_id, r.client_id, r.recorded_at, r.xid::text, r.idempotency_key, r.fingerprint, r.cause,"
    " r.not_determinable, r.basis, r.by_key, r.person, r.note, r.salt, r.person_sha256, r.note_sha256",
    "rule_table": "r.version, r.digest, r.document, r.based_on, r.created_at, r.created_by, r.note, r.salt, r.created_by_sha256,"
    " r.note_sha256, r.xid::text",
    "rule_table_event": "r.id, r.version, r.kind, r.at, r.by_key, r.person, r.reason, r.salt, r.person_sha256, r.reason_sha256,"
    " r.xid::text",
    "audit_event": "r.id, r.at, r.xid::text, r.action, r.subject, r.client_id, r.by_role, r.by_key, r.person, r.remote, r.request_id,"
    " r.details, r.salt, r.person_sha256, r.remote_sha256",
}


def record_id(kind: str) -> str:
    """The expression that names a row as a member: its UUID, or its number written as one."""
    return ID[kind] if kind in ("decision", "verdict") else f"lpad(to_hex({ID[kind]}), 32, '0')::uuid"


class Seal(msgspec.Struct, frozen=True, kw_only=True):
    """A seal: over `count` records whose transactions lie from `from_xid` to before `up_to_xid`.

    `next_xid`: no transaction of this number or above had begun to write when the seal was made.
    """

    number: int
    at: datetime
    count: int
    from_xid: int
    up_to_xid: int
    next_xid: int
    previous: bytes
    root: bytes
    head: bytes


class Member(msgspec.Struct, frozen=True):
    """A record's place under a seal and the hash of its leaf; `kind` is a place in `KINDS`."""

    position: int
    kind: int
    record: UUID
    leaf: bytes


class Horizon(msgspec.Struct, frozen=True):
    """Every transaction before `oldest` has ended; none from `following` on has begun to write."""

    oldest: int
    following: int


@asynccontextmanager
async def as_auditor(conn: AsyncConnection) -> AsyncIterator[AsyncConnection]:
    """For the rest of the transaction, or of the block, acts as the auditor. Raises StoreAway when the database goes away."""
    try:
        await conn.execute(text("SET LOCAL ROLE coldcase_auditor"))
        yield conn
        await conn.execute(text("RESET ROLE"))
    except psycopg.OperationalError as away:
        raise StoreAway from away


async def take_turn(conn: AsyncConnection) -> bool:
    """Whether this transaction is the one that may seal; another replica may be at it."""
    return bool(await conn.scalar(text("SELECT pg_try_advisory_xact_lock(hashtext('coldcase seal'))")))


async def horizon(conn: AsyncConnection) -> Horizon:
    """Which transactions are over. Ids and times cannot tell: a slow transaction commits rows that are older than others' newest."""
    row = (await conn.execute(text("SELECT pg_snapshot_xmin(s)::text, pg_snapshot_xmax(s)::text FROM pg_current_snapshot() AS s"))).one()
    return Horizon(int(row[0]), int(row[1]))


SEAL = "number, at, count, from_xid::text, up_to_xid::text, next_xid::text, previous, root, head"


async def seals(conn: AsyncConnection, *, after: int = 0, limit: int | None = None) -> list[Seal]:
    """Seals in their order, those after a number only."""
    query = text(f"SELECT {SEAL} FROM audit_seal WHERE number > :after ORDER BY number LIMIT :most")  # noqa: S608 - our own columns
    return [_seal(row) for row in await conn.execute(query, {"after": after, "most": limit})]


async def last(conn: AsyncConnection) -> Seal | None:
    """The newest seal."""
    row = (await conn.execute(text(f"SELECT {SEAL} FROM audit_seal ORDER BY number DESC LIMIT 1"))).one_or_none()  # noqa: S608
    return None if row is None else _seal(row)


def _seal(row: Any) -> Seal:
    values = row._asdict()
    xids = {name: int(values[name]) for name in ("from_xid", "up_to_xid", "next_xid")}
    return Seal(**{**values, **xids})


async def end_of_seal(conn: AsyncConnection, start: int, end: int, most: int) -> int:
    """Where a seal from `start` has to end so that it holds not many more than `most` decisions: between two transactions."""
    query = text(
        "SELECT xid::text FROM decision WHERE xid >= CAST(:start AS xid8) AND xid < CAST(:end AS xid8) ORDER BY xid OFFSET :most LIMIT 1"
    )
    found = await conn.scalar(query, {"start": str(start), "end": str(end), "most": most})
    return end if found is None else max(int(found), start + 1)


async def unsealed(conn: AsyncConnection, kind: str, start: int, end: int) -> AsyncIterator[list[Any]]:
    """The rows of one kind in a range of transactions that no seal holds, by transaction and id, some at a time.

    Decisions come as `DecisionRow`, others as dictionaries.
    """
    place = KINDS.index(kind)
    statement = (
        f"SELECT {COLUMNS[kind]} FROM {kind} AS r WHERE r.xid >= %s::text::xid8 AND r.xid < %s::text::xid8"  # noqa: S608 - our own names
        f" AND NOT EXISTS (SELECT FROM audit_seal_member AS m WHERE m.kind = {place} AND m.record = {record_id(kind)})"
        f" ORDER BY r.xid, {ID[kind]}"
    )
    async for rows in stream(conn, kind, statement, (str(start), str(end))):
        yield rows


async def stream(conn: AsyncConnection, kind: str, statement: str, values: Sequence[Any]) -> AsyncIterator[list[Any]]:
    """The rows of a query over one kind of records, some at a time, from a cursor on the server."""
    raw = await raw_connection(conn)
    async with raw.cursor(name="records", binary=True, row_factory=tuple_row if kind == "decision" else dict_row) as cursor:
        await cursor.execute(statement, values)
        while rows := await cursor.fetchmany(BATCH):
            yield [DecisionRow._make(row) for row in rows] if kind == "decision" else list(rows)


async def add_members(conn: AsyncConnection, seal: int, members: Iterable[Member]) -> None:
    """Stores members of a seal."""
    raw = await raw_connection(conn)
    statement = "COPY audit_seal_member (seal, position, kind, record, leaf) FROM STDIN (FORMAT BINARY)"
    async with raw.cursor() as cursor, cursor.copy(statement) as copy:
        copy.set_types(["int4", "int4", "int2", "uuid", "bytea"])
        for member in members:
            await copy.write_row((seal, member.position, member.kind, member.record, member.leaf))


async def add_seal(conn: AsyncConnection, seal: Seal) -> None:
    """Stores a seal."""
    values = {**msgspec.structs.asdict(seal), **{name: str(getattr(seal, name)) for name in ("from_xid", "up_to_xid", "next_xid")}}
    await conn.execute(
        text(
            "INSERT INTO audit_seal (number, at, count, from_xid, up_to_xid, next_xid, previous, root, head) VALUES (:number, :at, :count,"
            " CAST(:from_xid AS xid8), CAST(:up_to_xid AS xid8), CAST(:next_xid AS xid8), :previous, :root, :head)"
        ),
        values,
    )


class Place(msgspec.Struct, frozen=True):
    """Where a record is sealed."""

    seal: int
    position: int


async def place_of(conn: AsyncConnection, kind: str, record: UUID) -> Place | None:
    """Under which seal a record is, and where; None while it is not sealed."""
    query = text("SELECT seal, position FROM audit_seal_member WHERE kind = :kind AND record = :record")
    row = (await conn.execute(query, {"kind": KINDS.index(kind), "record": record})).one_or_none()
    return None if row is None else Place(*row)


async def leaves(conn: AsyncConnection, seal: int, *, first: int, most: int) -> list[bytes]:
    """The hashes of so many leaves of a seal from position `first` on, in order."""
    query = text("SELECT leaf FROM audit_seal_member WHERE seal = :seal AND position >= :first ORDER BY position LIMIT :most")
    return list(await conn.scalars(query, {"seal": seal, "first": first, "most": most}))


async def decision_row(conn: AsyncConnection, id_: UUID) -> DecisionRow | None:
    """One decision, as its leaf is made from it."""
    row = (await conn.execute(text(f"SELECT {DECISION} FROM decision AS r WHERE r.id = :id"), {"id": id_})).one_or_none()  # noqa: S608
    return None if row is None else DecisionRow._make(row)
