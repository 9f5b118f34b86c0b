"""Sealing: at intervals, a Merkle tree over the records since the last seal, chained to it; and proofs that a record is in one."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing.proving import Trees
from coldcase.core import merkle
from coldcase.core.canonical import canonical
from coldcase.core.leaves import KINDS, DecisionRow, decision_leaf, leaf
from coldcase.db import seals
from coldcase.db.seals import Member, Seal
from coldcase.db.transactions import Transaction
from coldcase.errors import ColdcaseError, NotFound

log = logging.getLogger(__name__)

BEFORE_ALL = bytes(32)
"""What stands for the head before the first seal."""

LEAST_XID = 3
"""PostgreSQL numbers ordinary transactions from here."""


class NotSealed(ColdcaseError):
    """The decision is on record but under no seal yet; it will be with one of the next."""

    code = "not_sealed"


def members(seal: Seal) -> dict[str, Any]:
    """What the head of a seal is the hash of. Transaction ids are text: JSON's numbers end at 2⁵³."""
    return {
        "number": seal.number,
        "at": seal.at.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "count": seal.count,
        "from_xid": str(seal.from_xid),
        "up_to_xid": str(seal.up_to_xid),
        "next_xid": str(seal.next_xid),
        "previous": seal.previous.hex(),
        "root": seal.root.hex(),
    }


def record_leaf(kind: str, row: Any) -> bytes:
    """The leaf of a record as `db.seals` reads it."""
    return decision_leaf(row) if kind == "decision" else leaf(kind, row)


def record_id(kind: str, row: Any) -> UUID:
    """The name of a record as a member of a seal: its UUID, or its number written as one."""
    if isinstance(row, DecisionRow):
        return row.id
    return row["id"] if kind == "verdict" else UUID(int=row["version" if kind == "rule_table" else "id"])


async def seal(conn: AsyncConnection, *, now: datetime, most: int = seals.MOST_IN_SEAL) -> Seal | None:
    """Seals what is complete and not sealed yet; None if there is nothing, or another replica is at it.

    Rows of a transaction that is still open when this one looks are left for a later seal, and so is everything that
    began after it: a seal never has to be reopened. One seal takes about `most` decisions; ask again until None.
    """
    async with seals.as_auditor(conn):
        if not await seals.take_turn(conn):
            return None
        last, horizon = await seals.last(conn), await seals.horizon(conn)
        start = LEAST_XID if last is None or horizon.oldest < last.up_to_xid else last.up_to_xid
        end = await seals.end_of_seal(conn, start, horizon.oldest, most)
        number, tree = last.number + 1 if last else 1, merkle.Tree()
        async for batch in _new_members(conn, tree, start, end):
            await seals.add_members(conn, number, batch)
        if tree.count == 0:
            return None
        made = Seal(
            number=number,
            at=now,
            count=tree.count,
            from_xid=start,
            up_to_xid=end,
            next_xid=horizon.following,
            previous=last.head if last else BEFORE_ALL,
            root=tree.root(),
            head=b"",
        )
        made = msgspec.structs.replace(made, head=merkle.head(members(made)))
        await seals.add_seal(conn, made)
        return made


async def _new_members(conn: AsyncConnection, tree: merkle.Tree, start: int, end: int) -> AsyncIterator[list[Member]]:
    for place, kind in enumerate(KINDS):
        async for rows in seals.unsealed(conn, kind, start, end):
            batch = []
            for row in rows:
                hashed = merkle.leaf_hash(record_leaf(kind, row))
                batch.append(Member(tree.count, place, record_id(kind, row), hashed))
                tree.add(hashed)
            yield batch


class Sealer:
    """Seals at intervals for as long as the service runs. All replicas try; the database lets one at a time."""

    def __init__(self, transaction: Transaction, *, seconds: float, clock: Callable[[], datetime]) -> None:
        self._transaction = transaction
        self._seconds = seconds
        self._clock = clock
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begins."""
        self._task = asyncio.create_task(self._work(), name="sealer")

    async def close(self) -> None:
        """Stops; a seal that is not finished is undone."""
        if self._task is not None:
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task

    async def _work(self) -> None:
        while True:
            await asyncio.sleep(self._seconds)
            try:
                while await self.once() is not None:
                    pass
            except ColdcaseError as error:
                log.warning("nothing was sealed: %s", error.detail)
            except Exception:
                log.exception("sealing failed in an unforeseen way")

    async def once(self) -> Seal | None:
        """Makes one seal, if there is anything to seal; its head goes to the log, where no one who owns the database can reach it."""
        async with self._transaction() as conn:
            made = await seal(conn, now=self._clock())
        if made is not None:
            log.info("sealed %d records as seal %d, head %s", made.count, made.number, made.head.hex())
        return made


class Inclusion(msgspec.Struct, frozen=True, kw_only=True):
    """The proof that a decision is under a seal.

    `leaf` and `seal` are the very texts that are hashed; `case` and `answer` the texts whose digests stand in the leaf;
    `path` leads from the leaf at `position` to the seal's root. `deploy/check_inclusion.py` checks all of it.
    """

    decision: UUID
    leaf: str
    case: str
    answer: str
    position: int
    path: list[str]
    seal: str
    head: str


async def inclusion(conn: AsyncConnection, id_: UUID, trees: Trees | None = None) -> Inclusion:
    """The proof for a decision that the caller may see, quicker with `trees` that are kept. Raises NotFound, NotSealed."""
    row = await seals.decision_row(conn, id_)
    if row is None:
        raise NotFound
    async with seals.as_auditor(conn):
        place = await seals.place_of(conn, "decision", id_)
        if place is None:
            raise NotSealed
        [found] = await seals.seals(conn, after=place.seal - 1, limit=1)
        path = await (trees or Trees()).path(conn, found, place.position)
    return Inclusion(
        decision=id_,
        leaf=decision_leaf(row).decode(),
        case=row.case_text,
        answer=row.answer_text,
        position=place.position,
        path=[step.hex() for step in path],
        seal=canonical(members(found)).decode(),
        head=found.head.hex(),
    )
