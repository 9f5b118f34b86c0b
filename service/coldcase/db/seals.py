"""Seals and what they cover. The database makes them (`seal_records`); they are read as the role
`coldcase_auditor`.
"""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
import psycopg
from psycopg.rows import dict_row, tuple_row
from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.answers import STORED_COLUMNS, with_sound_answers
from coldcase.db.engine import raw_connection
from coldcase.errors import StoreAway
from coldcase.proof.decision_columns import StoredDecision
from coldcase.proof.leaves import RECORD_KINDS

RECORDS_AT_A_TIME = 500
"""Rows at a time: few enough that whoever shares the event loop with a seal is not held up by it."""

MOST_IN_SEAL = 50_000
"""Rows of decisions after which a seal ends with their transaction, so that a proof need not read many more
hashes."""

ANSWER_PLACE = StoredDecision.__struct_fields__.index("answer_text")
LEAF_COLUMNS = [name for name in StoredDecision.__struct_fields__ if name != "answer_text"]
DECISION = ", ".join(
    "r." + name + ("::text" if name == "xid" else "") for name in (*LEAF_COLUMNS, *STORED_COLUMNS)
)
"""What a decision's leaf is made from, in the order that `stored_decisions` takes."""
ID = {
    "decision": "r.id",
    "verdict": "r.id",
    "rule_table": "r.version",
    "rule_table_event": "r.id",
    "audit_event": "r.id",
}
TIMES = {
    "decision": "recorded_at",
    "verdict": "recorded_at",
    "rule_table": "created_at",
    "rule_table_event": "at",
    "audit_event": "at",
}
SEALED_COLUMNS = {
    "decision": DECISION,
    "verdict": "r.id, r.decision_id, r.client_id, r.recorded_at, r.xid::text, r.idempotency_key, "
    "r.fingerprint, r.cause,"
    " r.not_determinable, r.basis, r.by_key, r.by_client_id, r.person, r.note, r.salt, "
    "r.person_sha256, r.note_sha256, r.established_by, r.established_at",
    "rule_table": "r.version, r.digest, r.document, r.based_on, r.created_at, r.created_by, r.note, "
    "r.salt, r.created_by_sha256,"
    " r.note_sha256, r.xid::text",
    "rule_table_event": "r.id, r.version, r.kind, r.at, r.by_key, r.person, r.reason, r.salt, "
    "r.person_sha256, r.reason_sha256,"
    " r.xid::text",
    "audit_event": "r.id, r.at, r.xid::text, r.action, r.subject, r.client_id, r.by_role, r.by_key, "
    "r.person, r.remote, r.request_id,"
    " r.details, r.salt, r.person_sha256, r.remote_sha256",
}


def member_id_sql(kind: str) -> str:
    """The expression that names a row as a member: its UUID, or its number written as one."""
    return ID[kind] if kind in ("decision", "verdict") else f"lpad(to_hex({ID[kind]}), 32, '0')::uuid"


class Seal(msgspec.Struct, frozen=True, kw_only=True):
    """A seal: over `count` records whose transactions lie from `from_xid` to before `up_to_xid`, in the
    cluster `epoch`.

    `next_xid`: no transaction of this number or above had begun to write when the seal was made. The first
    seal of an epoch also covers what the former one left. `format`: that of its head and leaves, see
    `proof.leaves`.
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
    format: int
    epoch: str


class Member(msgspec.Struct, frozen=True):
    """A record's place under a seal, the hash of its leaf and whose it is; `kind` is a place in
    `RECORD_KINDS`.

    Members of the first releases do not say whose they are.
    """

    position: int
    kind: int
    record: UUID
    leaf: bytes
    client_id: int | None


@asynccontextmanager
async def as_auditor(conn: AsyncConnection) -> AsyncIterator[AsyncConnection]:
    """For the rest of the transaction, or of the block, acts as the auditor. Raises StoreAway when the
    database goes away.
    """
    try:
        await conn.execute(text("SET LOCAL ROLE coldcase_auditor"))
        yield conn
        await conn.execute(text("RESET ROLE"))
    except psycopg.OperationalError as away:
        raise StoreAway from away


async def make(conn: AsyncConnection, most: int) -> Seal | None:
    """Has the database seal what is complete and not sealed yet; None if there is nothing, or somebody else
    is at it.
    """
    row = (await conn.execute(text(f"SELECT {SEAL} FROM seal_records(:most)"), {"most": most})).one_or_none()  # noqa: S608 - our own columns
    return None if row is None else _seal(row)


class SealingState(msgspec.Struct, frozen=True):
    """How sealing stands: the newest seal, and for how many seconds the oldest record has waited that no seal
    holds.
    """

    last: Seal | None
    oldest_unsealed_s: float | None


async def sealing_state(conn: AsyncConnection) -> SealingState:
    """How sealing stands, by the database's clock."""
    newest = await last(conn)
    # In another cluster nothing of the former's numbering means anything.
    here = await conn.scalar(text("SELECT record_epoch()"))
    start = newest.up_to_xid if newest is not None and newest.epoch == here else 0
    oldest = ", ".join(
        f"(SELECT r.{TIMES[kind]} FROM {kind} AS r WHERE r.xid >= CAST(:start AS xid8) AND NOT EXISTS"  # noqa: S608 - our own names
        f" (SELECT FROM audit_seal_member AS m WHERE m.kind = {place} AND m.record = "
        f"{member_id_sql(kind)}) ORDER BY r.xid LIMIT 1)"
        for place, kind in enumerate(RECORD_KINDS)
    )
    query = text(f"SELECT extract(epoch FROM now() - least({oldest}))::float8")  # noqa: S608 - as above
    waited = await conn.scalar(query, {"start": str(start)})
    return SealingState(newest, waited)


SEAL = (
    "number, at, count, from_xid::text, up_to_xid::text, next_xid::text, previous, root, head, format, epoch"
)


async def list_seals_after(conn: AsyncConnection, *, after: int = 0, limit: int | None = None) -> list[Seal]:
    """Seals in their order, those after a number only."""
    query = text(f"SELECT {SEAL} FROM audit_seal WHERE number > :after ORDER BY number LIMIT :most")  # noqa: S608 - our own columns
    return [_seal(row) for row in await conn.execute(query, {"after": after, "most": limit})]


async def last(conn: AsyncConnection) -> Seal | None:
    """The newest seal."""
    row = (
        await conn.execute(text(f"SELECT {SEAL} FROM audit_seal ORDER BY number DESC LIMIT 1"))  # noqa: S608
    ).one_or_none()
    return None if row is None else _seal(row)


def _seal(row: Any) -> Seal:
    values = row._asdict()
    xids = {name: int(values[name]) for name in ("from_xid", "up_to_xid", "next_xid")}
    return Seal(**{**values, **xids})


async def stream(
    conn: AsyncConnection, kind: str, statement: str, values: Sequence[Any]
) -> AsyncIterator[list[Any]]:
    """The rows of a query over one kind of records, some at a time, from a cursor on the server."""
    raw = await raw_connection(conn)
    async with raw.cursor(
        name="records", binary=True, row_factory=tuple_row if kind == "decision" else dict_row
    ) as cursor:
        await cursor.execute(statement, values)
        while rows := await cursor.fetchmany(RECORDS_AT_A_TIME):
            yield await stored_decisions(conn, rows) if kind == "decision" else list(rows)


async def stored_decisions(conn: AsyncConnection, rows: Sequence[Any]) -> list[StoredDecision]:
    """Decisions from rows of `DECISION`. One whose answer cannot be unpacked has "" for it, which no leaf
    stands for.
    """
    return [StoredDecision(*row) for row in await with_sound_answers(conn, rows, at=ANSWER_PLACE)]


class SealPosition(msgspec.Struct, frozen=True):
    """Where a record is sealed."""

    seal: int
    position: int


async def place_of(conn: AsyncConnection, kind: str, record: UUID) -> SealPosition | None:
    """Under which seal a record is, and where; None while it is not sealed."""
    query = text("SELECT seal, position FROM audit_seal_member WHERE kind = :kind AND record = :record")
    row = (await conn.execute(query, {"kind": RECORD_KINDS.index(kind), "record": record})).one_or_none()
    return None if row is None else SealPosition(*row)


async def leaves(conn: AsyncConnection, seal: int, *, first: int, most: int) -> list[bytes]:
    """The hashes of so many leaves of a seal from position `first` on, in order."""
    query = text(
        "SELECT leaf FROM audit_seal_member WHERE seal = :seal AND position >= :first ORDER BY "
        "position LIMIT :most"
    )
    return list(await conn.scalars(query, {"seal": seal, "first": first, "most": most}))


async def decision_row(conn: AsyncConnection, id_: UUID) -> StoredDecision | None:
    """One decision, as its leaf is made from it."""
    row = (
        await conn.execute(text(f"SELECT {DECISION} FROM decision AS r WHERE r.id = :id"), {"id": id_})  # noqa: S608
    ).one_or_none()
    return None if row is None else (await stored_decisions(conn, [tuple(row)]))[0]
