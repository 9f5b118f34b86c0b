"""Lines of imports on record: each in the transaction of its decision, and never twice, whoever else posts
them.

A database that goes away meanwhile is waited for. What became of a transaction whose end was not seen is
looked up by the lines' identities, which are on record with their decisions or not at all.
"""

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence
from datetime import timedelta
from functools import partial
from typing import Any, TypeVar
from uuid import UUID

import asyncpg
import msgspec
import structlog
from sqlalchemy.dialects import postgresql

from coldcase.db.clock import DatabaseClock
from coldcase.db.decision_batch import LOST, PLACES, BatchRow, RecorderConnection
from coldcase.db.events import Actor
from coldcase.db.tables import verdict
from coldcase.db.verdicts import NewVerdict
from coldcase.db.waiting import (
    VALUE_AT_FAULT,
    WAIT_STATES,
    is_untimely,
    lost_with,
    takes_nothing,
    without_partition,
)
from coldcase.errors import StoreAway

_logger = structlog.get_logger(__name__)
_Result = TypeVar("_Result")

PATIENCE_SECONDS = 40.0
"""How long a database that is away, full or busy is waited for before an import breaks off."""

COMMAND_SECONDS, LOCK_SECONDS, CONNECT_SECONDS = 60.0, 20.0, 5.0
FIRST_PAUSE, LONGEST_PAUSE = 0.1, 2.0
NO_KEYS = timedelta()

# Taken in one order everywhere, so that two imports never wait for each other in a ring.
TAKE_LINES = """
INSERT INTO bulk_line (identity, decision_id)
SELECT identity, decision_id FROM unnest($1::uuid[], $2::uuid[]) AS item (identity, decision_id)
ORDER BY identity
ON CONFLICT DO NOTHING RETURNING decision_id
"""

FIND_LINES = """
SELECT bulk_line.identity, bulk_line.decision_id, decision.job_ref, decision.cause, decision.status,
    decision.confidence
FROM bulk_line LEFT JOIN decision ON decision.id = bulk_line.decision_id
WHERE bulk_line.identity = ANY ($1::uuid[])
"""

LINE_VERDICT_COLUMNS = {
    name: verdict.c[name].type.compile(postgresql.dialect())  # type: ignore[no-untyped-call]
    for name in NewVerdict.__struct_fields__
    if name != "idempotency_key"
}
"""A verdict of an import has no key: it is recorded with its line, which is known by its own."""
LINE_VERDICT_NAMES = ", ".join(LINE_VERDICT_COLUMNS)
LINE_VERDICT_ARRAYS = ", ".join(
    f"${place}::{kind}[]" for place, kind in enumerate(LINE_VERDICT_COLUMNS.values(), start=1)
)
ADD_VERDICTS = f"""
INSERT INTO verdict ({LINE_VERDICT_NAMES}, recorded_at, origin)
SELECT {LINE_VERDICT_NAMES}, now(), 'bulk' FROM unnest({LINE_VERDICT_ARRAYS}) AS item ({LINE_VERDICT_NAMES})
"""  # noqa: S608 - names of our own columns


class NewLine(msgspec.Struct, frozen=True):
    """A line to be recorded: what it is known by, its decision's id and row, and the verdict that it
    carries.
    """

    identity: UUID
    id: UUID
    row: BatchRow
    verdict: NewVerdict | None


class KnownLine(msgspec.Struct, frozen=True):
    """A line on record: its decision, of which nothing but the id is known once its year was taken out."""

    id: UUID
    job_ref: str | None
    cause: str | None
    status: str | None
    confidence: int | None


class LinesRecorded(msgspec.Struct, frozen=True):
    """What became of some lines, by their decisions' ids; a line that is in none of these was on record."""

    recorded: frozenset[UUID]
    superseding_nothing: frozenset[UUID]
    not_recordable: frozenset[UUID]


class _SupersedingNothing(Exception):
    def __init__(self, ids: frozenset[UUID]) -> None:
        super().__init__(ids)
        self.ids = ids


class BulkRecorder:
    """A connection that records lines, and looks for those on record. `recorded_by` acts in the events.

    With `copies` it records by COPY, as the owner alone can: the rows of decisions have a policy.
    """

    def __init__(self, url: str, clock: DatabaseClock, recorded_by: Actor, *, copies: bool = False) -> None:
        self.clock = clock
        self._url = url
        self._copies = copies
        self._actor = msgspec.json.encode(recorded_by).decode()
        self._conn: RecorderConnection | None = None

    async def start(self) -> None:
        """Connects. Raises StoreAway."""
        await self._patiently(lambda conn: conn.make_partitions())

    def close(self) -> None:
        """Disconnects."""
        if self._conn is not None:
            self._conn.raw.terminate()
            self._conn = None

    async def known(self, identities: Sequence[UUID]) -> dict[UUID, KnownLine]:
        """Those of these lines that are on record, by what they are known by."""
        rows = await self._patiently(lambda conn: conn.raw.fetch(FIND_LINES, identities))
        return {
            UUID(bytes=identity.bytes): KnownLine(UUID(bytes=id_.bytes), *shown)
            for identity, id_, *shown in rows
        }

    async def answers(self, ids: Sequence[UUID]) -> Mapping[UUID, bytes]:
        """The answers of decisions on record, as they were given."""
        return await self._patiently(lambda conn: conn.answers(ids))

    async def record(self, lines: Sequence[NewLine]) -> LinesRecorded:
        """Records lines with their decisions, in one transaction unless one of them is at fault.

        Raises StoreAway where the database stays away; what was recorded until then stands.
        """
        superseding: frozenset[UUID] = frozenset()
        while True:
            left = [line for line in lines if line.id not in superseding]
            try:
                recorded = await self._patiently(partial(self._take, left))
            except _SupersedingNothing as nothing:
                superseding |= nothing.ids
            except asyncpg.PostgresError as error:
                if (error.sqlstate or "")[:2] not in VALUE_AT_FAULT:
                    raise
                return await self._apart(left, superseding, error)
            else:
                return LinesRecorded(recorded, superseding, frozenset())

    async def _apart(
        self, lines: Sequence[NewLine], superseding: frozenset[UUID], error: asyncpg.PostgresError
    ) -> LinesRecorded:
        """A row is at fault: nothing was recorded, and halves find out which."""
        if len(lines) == 1:
            _logger.warning("a line was not recorded", error=str(error), sqlstate=error.sqlstate)
            return LinesRecorded(frozenset(), superseding, frozenset({lines[0].id}))
        half = len(lines) // 2
        first, second = await self.record(lines[:half]), await self.record(lines[half:])
        return LinesRecorded(
            first.recorded | second.recorded,
            first.superseding_nothing | second.superseding_nothing | superseding,
            first.not_recordable | second.not_recordable,
        )

    async def _take(self, lines: Sequence[NewLine], conn: RecorderConnection) -> frozenset[UUID]:
        if not lines:
            return frozenset()
        async with conn.raw.transaction():
            taken = await conn.raw.fetch(
                TAKE_LINES, [line.identity for line in lines], [line.id for line in lines]
            )
            ids = frozenset(UUID(bytes=row[0].bytes) for row in taken)
            won = [line for line in lines if line.id in ids]
            if won:
                await self._add_rows(conn, [line.row for line in won])
                await self._add_verdicts(conn, [line.verdict for line in won if line.verdict is not None])
        return ids

    async def _add_rows(self, conn: RecorderConnection, rows: Sequence[BatchRow]) -> None:
        if self._copies:
            # What supersedes another is looked for by the statement.
            await conn.copy([row for row in rows if row[PLACES["supersedes"]] is None])
            rows = [row for row in rows if row[PLACES["supersedes"]] is not None]
        if rows:
            outcome = await conn.insert(rows, NO_KEYS)
            if outcome.superseding_nothing:
                raise _SupersedingNothing(outcome.superseding_nothing)

    async def _add_verdicts(self, conn: RecorderConnection, verdicts: Sequence[NewVerdict]) -> None:
        if verdicts:
            await conn.raw.execute("SELECT set_config('coldcase.actor', $1, true)", self._actor)
            columns = [[getattr(one, name) for one in verdicts] for name in LINE_VERDICT_COLUMNS]
            await conn.raw.execute(ADD_VERDICTS, *columns)

    async def _patiently(self, work: Callable[[RecorderConnection], Awaitable[_Result]]) -> _Result:
        """Does it, again where the database went away or had to wait. Raises StoreAway in the end, and at
        once what a row is at fault for.
        """
        end, pause = time.monotonic() + PATIENCE_SECONDS, FIRST_PAUSE
        while True:
            try:
                conn = await self._connected()
                await conn.read(self.clock)
                return await work(conn)
            except (*LOST, asyncpg.PostgresError) as error:
                if not await self._may_pass(error):
                    raise
                _logger.warning("an import waits for the database", error=repr(error))
                if time.monotonic() > end:
                    raise StoreAway from error
            await asyncio.sleep(pause)
            pause = min(pause * 2, LONGEST_PAUSE)

    async def _may_pass(self, error: Exception) -> bool:
        """Whether the same may go well later; a connection that may be lost is dropped."""
        if not isinstance(error, asyncpg.PostgresError) or lost_with(error) or isinstance(error, LOST):
            self.close()
            return True
        if without_partition(error) and self._conn is not None:
            return await self._conn.make_partitions() > 0
        state = error.sqlstate or ""
        if state[:2] in VALUE_AT_FAULT:
            return False
        return state in WAIT_STATES or takes_nothing(error) or is_untimely(error) or state[:2] == "40"

    async def _connected(self) -> RecorderConnection:
        if self._conn is None or self._conn.raw.is_closed():
            patience: dict[str, Any] = {
                "connect_seconds": CONNECT_SECONDS,
                "command_seconds": COMMAND_SECONDS,
                "lock_seconds": LOCK_SECONDS,
            }
            self._conn = await RecorderConnection.open(self._url, self.clock, **patience)
        return self._conn
