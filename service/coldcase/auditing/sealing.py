"""Sealing: at intervals, a Merkle tree over the records since the last seal, chained to it; and proofs that a
record is in one.

The database itself makes a seal (`seal_records`, as its owner): members, leaves, root, time, epoch and head.
Whoever stole the service's password can have a seal made too early, can hold up sealing by holding locks
(which is logged as overdue), and can record decisions and verdicts that nobody asked for, of the present
minute and under the next seal; he can write, change or leave out nothing of the chain.
"""

import asyncio
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import msgspec
import structlog
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing.proving import NotAsSealed, Trees
from coldcase.db import seals
from coldcase.db.seals import Seal
from coldcase.db.transactions import Transaction
from coldcase.errors import ColdcaseError, NotFound
from coldcase.proof import merkle
from coldcase.proof.canonical import canonical_json
from coldcase.proof.leaves import decision_leaf, plain_leaf

_logger = structlog.get_logger(__name__)

BEFORE_FIRST_SEAL = bytes(32)
"""What stands for the head before the first seal."""

OVERDUE_S = 300.0
"""For how long a record may wait for a seal before that is a warning; or five intervals, if that is
longer."""

LAST_TRIES = 20
TRY_AGAIN_S = 0.1
"""How often a service that stops tries to have its last seal made, and how far apart, while others are at
it: workers stop together.
"""

LAST_SEAL_S = 4.0
"""How long the last seal of a service that stops may take."""


class NotSealed(ColdcaseError):
    """The decision is on record but under no seal yet; it will be with one of the next."""

    code = "not_sealed"


def head_members(seal: Seal) -> dict[str, Any]:
    """What the head of a seal is the hash of. Transaction ids are text: JSON's numbers end at 2⁵³."""
    head = {
        "number": seal.number,
        "at": seal.at.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "count": seal.count,
        "from_xid": str(seal.from_xid),
        "up_to_xid": str(seal.up_to_xid),
        "next_xid": str(seal.next_xid),
        "previous": seal.previous.hex(),
        "root": seal.root.hex(),
    }
    return head if seal.format == 1 else {**head, "epoch": seal.epoch, "format": seal.format}


def record_leaf(kind: str, row: Any, form: int) -> bytes:
    """The leaf of a record as `db.seals` reads it, in a format."""
    return decision_leaf(row, form=form) if kind == "decision" else plain_leaf(kind, row, form=form)


async def seal(conn: AsyncConnection, *, most: int = seals.MOST_IN_SEAL) -> Seal | None:
    """Seals what is complete and not sealed yet; None if there is nothing, or another replica is at it.

    Rows of a transaction that is still open when this one looks are left for a later seal, and so is
    everything that began after it: a seal never has to be reopened. One seal takes about `most` decisions;
    ask again until None. In a new cluster, after a restore, the first takes all that stands there, and an
    event tells of it.
    """
    return await seals.make(conn, most)


class Sealer:
    """Seals from the start, at intervals, and once more at the end. All replicas try; the database lets one
    at a time.

    `last_sealed_at` and `last_head` are of the newest seal that was seen, whoever made it;
    `oldest_unsealed_s` says for how many seconds the oldest record has waited for one, None if none waits.
    All are as of the last try.
    """

    def __init__(self, transaction: Transaction, *, seconds: float) -> None:
        self.last_sealed_at: datetime | None = None
        self.last_head: str | None = None
        self.oldest_unsealed_s: float | None = None
        self._transaction = transaction
        self._seconds = seconds
        self._closing = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begins, with a first seal at once."""
        self._task = asyncio.create_task(self._work(), name="sealer")

    async def close(self) -> None:
        """Stops after a last seal; one that takes too long is undone."""
        self._closing.set()
        if self._task is None:
            return
        await asyncio.wait([self._task], timeout=LAST_SEAL_S)
        self._task.cancel()
        with suppress(asyncio.CancelledError):
            await self._task

    async def _work(self) -> None:
        while not self._closing.is_set():
            await self._seal_all()
            with suppress(TimeoutError):
                await asyncio.wait_for(self._closing.wait(), self._seconds)
        for _ in range(LAST_TRIES):
            if await self._seal_all() or self.oldest_unsealed_s is None:
                break
            await asyncio.sleep(TRY_AGAIN_S)

    async def _seal_all(self) -> bool:
        """Seals all that can be; whether there was anything."""
        made = False
        try:
            while await self.once() is not None:
                made = True
            await self._look()
        except ColdcaseError as error:
            _logger.warning("nothing was sealed", why=error.detail)
        except Exception:
            _logger.exception("sealing failed in an unforeseen way")
        return made

    async def once(self) -> Seal | None:
        """Makes one seal, if there is anything to seal; its head goes to the log, where no one who owns the
        database can reach it.
        """
        async with self._transaction() as conn:
            made = await seal(conn)
        if made is not None:
            self.last_sealed_at, self.last_head = made.at, made.head.hex()
            _logger.info("sealed", seal=made.number, count=made.count, head=self.last_head)
        return made

    async def _look(self) -> None:
        async with self._transaction() as conn, seals.as_auditor(conn):
            state = await seals.sealing_state(conn)
        if state.last is not None:
            self.last_sealed_at, self.last_head = state.last.at, state.last.head.hex()
        self.oldest_unsealed_s = state.oldest_unsealed_s
        if state.oldest_unsealed_s is not None and state.oldest_unsealed_s > max(
            OVERDUE_S, 5 * self._seconds
        ):
            _logger.warning(
                "sealing is overdue",
                oldest_unsealed_s=round(state.oldest_unsealed_s),
                last_sealed_at=str(self.last_sealed_at),
            )


class Inclusion(msgspec.Struct, frozen=True, kw_only=True):
    """The proof that a decision is under a seal.

    `leaf` and `seal` are the very texts that are hashed; `case` and `answer` the texts whose digests stand in
    the leaf; `path` leads from the leaf at `position` to the seal's root. `deploy/check_inclusion.py` checks
    all of it.
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
    """The proof for a decision that the caller may see, quicker with `trees` that are kept. Raises NotFound,
    NotSealed, NotAsSealed.
    """
    row = await seals.decision_row(conn, id_)
    if row is None:
        raise NotFound
    async with seals.as_auditor(conn):
        place = await seals.place_of(conn, "decision", id_)
        if place is None:
            raise NotSealed
        [found] = await seals.list_seals_after(conn, after=place.seal - 1, limit=1)
        path = await (trees or Trees()).path(conn, found, place.position)
    entry = decision_leaf(row, form=found.format)
    if not merkle.proves(merkle.leaf_hash(entry), place.position, found.count, path, found.root):
        raise NotAsSealed
    return Inclusion(
        decision=id_,
        leaf=entry.decode(),
        case=row.case_text,
        answer=row.answer_text,
        position=place.position,
        path=[step.hex() for step in path],
        seal=canonical_json(head_members(found)).decode(),
        head=found.head.hex(),
    )
