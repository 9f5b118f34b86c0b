"""Verdicts on record: what people established to be the cause. Append-only; of one decision the newest
stands.
"""

from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec
from sqlalchemy import func, select
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import api_key, verdict
from coldcase.errors import KeyReused


class StoredVerdict(msgspec.Struct, frozen=True, kw_only=True):
    """A verdict on record. A text that was erased reads `erased`."""

    id: UUID
    decision_id: UUID
    recorded_at: datetime
    cause: str | None
    not_determinable: bool
    basis: str
    person: str | None
    note: str | None
    established_by: str | None
    established_at: datetime | None


class NewVerdict(msgspec.Struct, frozen=True, kw_only=True):
    """A verdict to be recorded; `client_id` is that of the decision, `fingerprint` what a retry is compared
    by.

    `idempotency_key` is one of the client's whose key is `by_key`, whichever client's decision it is about.
    """

    id: UUID
    decision_id: UUID
    client_id: int
    idempotency_key: str | None
    fingerprint: bytes
    cause: str | None
    not_determinable: bool
    basis: str
    by_key: UUID
    person: str | None
    note: str | None
    established_by: str | None
    established_at: datetime | None


REUSED = "This Idempotency-Key was already used for another verdict."
VERDICT_COLUMNS = [verdict.c[name] for name in StoredVerdict.__struct_fields__]


async def add_verdict(conn: AsyncConnection, new: NewVerdict) -> tuple[StoredVerdict, bool]:
    """Records a verdict at the database's time, or finds the one that its key stands for; and whether it did
    the latter. Raises KeyReused.

    A verdict with the same key that another transaction is just recording is waited for.
    """
    added = await conn.scalar(
        insert(verdict)
        .values(**msgspec.structs.asdict(new), recorded_at=func.now())
        .on_conflict_do_nothing()
        .returning(verdict.c.id)
    )
    if added is not None:
        return (await verdicts_of(conn, new.decision_id, id_=added))[0], False
    held = await of_key(conn, new.by_key, new.idempotency_key, fingerprint=new.fingerprint)
    if held is None:
        # It is about a decision that may not be seen any more.
        raise KeyReused(REUSED)
    return held, True


async def of_key(
    conn: AsyncConnection, by_key: UUID, idempotency_key: str | None, *, fingerprint: bytes | None
) -> StoredVerdict | None:
    """The verdict that an idempotency key of the client behind `by_key` stands for; None if it stands for
    none that may be seen.

    Raises KeyReused if that has another fingerprint.
    """
    own = select(api_key.c.client_id).where(api_key.c.id == by_key).scalar_subquery()
    held = verdict.c.by_client_id == own, verdict.c.idempotency_key == idempotency_key
    row = (await conn.execute(select(*VERDICT_COLUMNS, verdict.c.fingerprint).where(*held))).one_or_none()
    if row is None:
        return None
    if row.fingerprint != fingerprint:
        raise KeyReused(REUSED)
    return StoredVerdict(**{name: getattr(row, name) for name in StoredVerdict.__struct_fields__})


async def verdicts_of(
    conn: AsyncConnection, decision_id: UUID, *, id_: UUID | None = None
) -> list[StoredVerdict]:
    """The verdicts on a decision, the newest first."""
    query = (
        select(*VERDICT_COLUMNS)
        .where(verdict.c.decision_id == decision_id)
        .order_by(verdict.c.recorded_at.desc(), verdict.c.id.desc())
    )
    if id_ is not None:
        query = query.where(verdict.c.id == id_)
    return [StoredVerdict(**row._asdict()) for row in await conn.execute(query)]


async def count_with_verdict(conn: AsyncConnection, *, most: int) -> int:
    """How many decisions that may be seen have a verdict; no more than `most` are counted."""
    some = select(verdict.c.decision_id).distinct().limit(most).subquery()
    return int(await conn.scalar(select(func.count()).select_from(some)) or 0)


Basis = Literal["teardown", "laboratory", "field", "supplier_report"]
