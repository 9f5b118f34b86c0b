"""Group commit: requests that wait at the same time share one INSERT and one commit, and each is answered
after that commit only.

One task writes one batch at a time; what arrives meanwhile is the next batch. A batch that fails is retried
row by row, so that a bad neighbour hurts nobody. Idempotency keys are decided by the database, so they hold
across replicas, and within a batch.
"""

import asyncio
import time
from collections import deque
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import timedelta
from uuid import UUID

import asyncpg
import structlog
from prometheus_client import CollectorRegistry

from coldcase.db.clock import DatabaseClock
from coldcase.db.decision_batch import (
    LOST,
    BatchOutcome,
    BatchRow,
    RecorderConnection,
    at_time,
    checked_row,
)
from coldcase.db.recorder_metrics import RecorderMetrics
from coldcase.db.waiting import (
    WAIT_STATES,
    Recorded,
    WaitingRequest,
    fault,
    is_untimely,
    lost_with,
    made_partitions,
    refuse_all,
    refuse_superseding,
    refuse_untimely,
    takes_nothing,
    without_partition,
    year_of,
)
from coldcase.errors import Archived, Busy, ColdcaseError, KeyInFlight, KeyReused, OutcomeUnknown, StoreAway
from coldcase.proof.decision_columns import NewDecision

_logger = structlog.get_logger()

COMMAND_SECONDS = 1.2
"""How long one statement may take before its connection is given up."""

SETTLE_SECONDS = 0.7
"""How long to look for the fate of a batch whose connection was lost. With COMMAND_SECONDS this keeps the two
seconds promised, from when the batch is sent; a row may have waited up to COMMAND_SECONDS in the queue
before."""

LOCK_SECONDS, NEXT_LOCK_SECONDS = 0.48, 0.02
"""How long a batch waits for a key that another transaction holds, and how long then each of its rows by
itself."""

KEYS_LIVE = timedelta(days=90)
"""How long an idempotency key is remembered where no setting says so."""

MOST_IN_BATCH = 64
"""Rows of one commit."""

SWEPT_EVERY = 16
"""Batches: after these, as many expired keys are removed as so many batches could have brought."""

FIRST_PAUSE, LONGEST_PAUSE = 0.05, 1.0
"""Seconds between tries to connect, doubled each time."""

IDLE_SECONDS = 1.0
"""After so long without a request the database is asked whether it is there, and takes records."""


class Recorder:
    """Records decisions over a connection of its own, as the service's role, in one event loop.

    What is recorded bears the time of `clock`, which is the database's: it refuses what is a minute off its
    own.

    `available` says whether the database was there and took records when last heard of, `waiting` how many
    requests wait for a commit; `batches` and `rows` count what was committed, `metrics` the same and more for
    Prometheus.
    """

    def __init__(
        self,
        url: str,
        *,
        keys_live: timedelta = KEYS_LIVE,
        most_waiting: int = 1000,
        registry: CollectorRegistry | None = None,
        clock: DatabaseClock | None = None,
    ) -> None:
        self.available = False
        self.clock = clock or DatabaseClock()
        self.metrics = RecorderMetrics(registry)
        self.batches = 0
        self.rows = 0
        self._url = url
        self._keys_live = keys_live
        self._most_waiting = most_waiting
        self._queue: deque[WaitingRequest] = deque()
        self._something_to_do = asyncio.Event()
        self._closing = asyncio.Event()
        self._conn: RecorderConnection | None = None
        self._pause = FIRST_PAUSE
        self._until_sweep = SWEPT_EVERY
        self._refused: BatchRow | None = None
        self._turned_away = 0
        self._changed_at = time.monotonic()
        self._task: asyncio.Task[None] | None = None

    @property
    def waiting(self) -> int:
        """How many requests wait for a commit that is not yet under way."""
        return len(self._queue)

    @property
    def unchanged_s(self) -> float:
        """For how many seconds `available` has been what it is."""
        return time.monotonic() - self._changed_at

    async def start(self) -> None:
        """Connects and begins to record. A database that is away is no error: it is tried for again until it
        is there.
        """
        await self._try_to_connect()
        self._task = asyncio.create_task(self._work(), name="recorder")

    async def close(self) -> None:
        """Takes nothing new, finishes what waits, and disconnects."""
        self._closing.set()
        self._something_to_do.set()
        if self._task is not None:
            await self._task
        self._give_up()

    async def record(self, new: NewDecision) -> Recorded:
        """Records one decision; returns after its commit, with the bytes to send.

        Raises KeyReused (the key belongs to another case), KeyInFlight (another transaction is just using
        it), SupersedesUnknown, NotRecordable (nothing PostgreSQL could store), Busy, StoreAway (nothing was
        recorded), OutcomeUnknown (send again with the key).
        """
        try:
            return await self._enqueue(new)
        except ColdcaseError as error:
            self.metrics.refused(error.code)
            raise

    def _enqueue(self, new: NewDecision) -> "asyncio.Future[Recorded]":
        if self._closing.is_set() or not self.available:
            self._turned_away += 1
            raise StoreAway
        if len(self._queue) >= self._most_waiting:
            raise Busy
        row = checked_row(new)
        slot = None if new.idempotency_key is None else (new.client_id, new.idempotency_key)
        loop = asyncio.get_running_loop()
        waiting = WaitingRequest(new=new, row=row, slot=slot, since=loop.time(), future=loop.create_future())
        self._queue.append(waiting)
        self._something_to_do.set()
        return waiting.future

    async def _work(self) -> None:
        while self._queue or not self._closing.is_set():
            if self._conn is None:
                await self._try_to_connect()
            elif self._conn.raw.is_closed():
                self._conn = None
            elif self._queue:
                await self._commit_or_say_so(self._next_batch())
                await self._sweep_in_turn()
            else:
                await self._idle(self._conn)

    async def _idle(self, conn: RecorderConnection) -> None:
        """Until there is something to do. Meanwhile `available` is kept true to life, without any request."""
        self._something_to_do.clear()
        try:
            async with asyncio.timeout(IDLE_SECONDS):
                await self._something_to_do.wait()
        except TimeoutError:
            await self._ask(conn)

    async def _ask(self, conn: RecorderConnection) -> None:
        """Asks whether the database is there, and whether it would take again what it refused."""
        try:
            await conn.read(self.clock)
            if self._refused is not None:
                await conn.would_take(at_time(self._refused, self.clock.now()), self._keys_live)
        except (*LOST, asyncpg.PostgresError) as error:
            if isinstance(error, asyncpg.PostgresError) and not lost_with(error):
                self._say_refused(error)
            else:
                _logger.warning("the connection was lost while nothing was recorded", error=repr(error))
                self._give_up()
        else:
            if self._refused is not None:
                _logger.warning("the database takes records again", refused=self._turned_away)
            self._refused = None
            self._note(available=True)

    def _say_refused(self, error: asyncpg.PostgresError) -> None:
        _logger.error(
            "the database takes no records",
            error=str(error),
            sqlstate=error.sqlstate,
            refused=self._turned_away,
        )
        self._note(available=False)

    def _note(self, *, available: bool) -> None:
        if available is not self.available:
            self.available = available
            self._changed_at = time.monotonic()
            if available:
                self._turned_away = 0

    async def _commit_or_say_so(self, batch: Sequence[WaitingRequest]) -> None:
        """Nobody may wait for ever, and the next batch must be written, whatever goes wrong with this one."""
        try:
            await self._commit(batch)
        except Exception:
            _logger.exception("recording failed in an unforeseen way", decisions=len(batch))
            refuse_all(batch, OutcomeUnknown)

    async def _try_to_connect(self) -> None:
        """One try. If it fails, whoever waits is told at once, and the next try is some time away."""
        try:
            await self._connect()
        except Exception as error:  # noqa: BLE001 - whatever it was, the next try may go better
            if self.available or self._task is None:
                _logger.warning("the record cannot be reached", error=repr(error))
            self._give_up()
            if self._task is not None:
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._closing.wait(), self._pause)
            self._pause = min(self._pause * 2, LONGEST_PAUSE)

    async def _connect(self) -> None:
        patience = {
            "connect_seconds": SETTLE_SECONDS,
            "command_seconds": COMMAND_SECONDS,
            "lock_seconds": LOCK_SECONDS,
        }
        conn = await RecorderConnection.open(self._url, self.clock, **patience)
        # A lost connection is noticed without a request, so that `available` is true to life.
        conn.raw.add_termination_listener(lambda _: self._something_to_do.set())
        self._conn = conn
        self._pause = FIRST_PAUSE
        # A full disk is not emptied by a new connection: that is for `_ask` to find out.
        self._note(available=self._refused is None)

    def _drop_connection(self) -> None:
        if self._conn is not None:
            self._conn.raw.terminate()
        self._conn = None

    def _give_up(self) -> None:
        self._drop_connection()
        self._note(available=False)
        waiting, self._queue = self._queue, deque()
        refuse_all(waiting, StoreAway)

    def _next_batch(self) -> list[WaitingRequest]:
        """The longest waiting; not those who went away, nor those who have waited for so long that they
        should hear something.
        """
        batch: list[WaitingRequest] = []
        while self._queue and len(batch) < MOST_IN_BATCH:
            waiting = self._queue.popleft()
            if waiting.waits_s > COMMAND_SECONDS:
                waiting.refuse(Busy())
            elif not waiting.future.done():
                batch.append(waiting)
        return batch

    async def _sweep_in_turn(self) -> None:
        """Removes expired keys now and then: only recording brings new ones, so this keeps up whatever the
        traffic.
        """
        self._until_sweep -= 1
        if self._until_sweep > 0 or self._conn is None:
            return
        self._until_sweep = SWEPT_EVERY
        try:
            await self._conn.read(self.clock)
            await self._conn.sweep(SWEPT_EVERY * MOST_IN_BATCH)
        except Exception:
            _logger.exception("the clock could not be read, or expired keys not be removed")

    async def _commit(self, batch: Sequence[WaitingRequest]) -> None:
        """Sends one batch and gives every request in it its answer or its error."""
        conn = self._conn
        if conn is None:
            return refuse_all(batch, StoreAway)
        if not batch:
            return None
        began = time.perf_counter()
        try:
            outcome = await conn.insert([waiting.row for waiting in batch], self._keys_live)
        except LOST as error:
            await self._settle(batch, conn, error)
        except asyncpg.PostgresError as error:
            if lost_with(error):
                await self._settle(batch, conn, error)
            elif is_untimely(error):
                await refuse_untimely(batch, conn, self.clock, error)
            else:
                await self._apart(batch, conn, error)
        else:
            self.batches += 1
            self.metrics.seconds.observe(time.perf_counter() - began)
            self.metrics.sizes.observe(len(batch))
            await self._tell(batch, outcome, conn)
        return None

    async def _tell(
        self, batch: Sequence[WaitingRequest], outcome: BatchOutcome, conn: RecorderConnection
    ) -> None:
        taken: list[WaitingRequest] = []
        superseding: list[WaitingRequest] = []
        for waiting in batch:
            if waiting.new.id in outcome.superseding_nothing:
                superseding.append(waiting)
            elif waiting.slot is None or waiting.new.id in outcome.won:
                self._tell_kept(waiting)
            else:
                taken.append(waiting)
        if taken:
            await self._replay(taken, conn)
        if superseding:
            await refuse_superseding(superseding, conn)

    def _tell_kept(self, waiting: WaitingRequest) -> None:
        self.rows += 1
        self.metrics.recorded(waiting.new.status)
        answer = waiting.new.answer_text.encode()
        waiting.answer(Recorded(id=waiting.new.id, answer=answer, replayed=False))

    async def _replay(self, taken: Sequence[WaitingRequest], conn: RecorderConnection) -> None:
        """The key was there before: the first answer again if it was for the same case."""
        try:
            stored = await conn.stored([waiting.slot for waiting in taken if waiting.slot is not None])
        except (*LOST, asyncpg.PostgresError) as error:
            _logger.warning("an answer on record could not be read", error=str(error))
            return refuse_all(taken, StoreAway)
        for waiting in taken:
            held = stored.get(waiting.slot) if waiting.slot is not None else None
            if held is None:
                waiting.refuse(KeyInFlight())
            elif held.fingerprint != waiting.new.fingerprint:
                waiting.refuse(KeyReused())
            elif held.answer is None:
                where = (
                    f"Decision {held.id} of this Idempotency-Key was taken out of the record with "
                    f"the year {year_of(held.id)}"
                )
                waiting.refuse(Archived(f"{where}; it stands in the archive of that year."))
            else:
                waiting.answer(Recorded(id=held.id, answer=held.answer, replayed=True))
        return None

    async def _apart(
        self, batch: Sequence[WaitingRequest], conn: RecorderConnection, error: asyncpg.PostgresError
    ) -> None:
        """The statement failed and nothing of it was recorded: find out whose fault it was."""
        if takes_nothing(error):
            self._refused = batch[0].row
            self._turned_away += len(batch)
            self._say_refused(error)
            return refuse_all(batch, StoreAway)
        if without_partition(error) and await made_partitions(conn):
            return await self._commit(batch)
        if len(batch) == 1:
            return batch[0].refuse(fault(error, batch[0]))
        if error.sqlstate not in WAIT_STATES:
            return await self._one_by_one(batch)
        keyed = [waiting for waiting in batch if waiting.slot is not None]
        if not keyed:
            # It is the table that is held, by its owner.
            return refuse_all(batch, StoreAway)
        await self._commit([waiting for waiting in batch if waiting.slot is None])
        return await self._one_by_one_without_patience(keyed)

    async def _one_by_one_without_patience(self, batch: Sequence[WaitingRequest]) -> None:
        """The batch has waited already: whoever's key is still held must not make the others wait again."""
        try:
            await self._wait_for_locks(NEXT_LOCK_SECONDS)
            await self._one_by_one(batch)
            await self._wait_for_locks(LOCK_SECONDS)
        except (*LOST, asyncpg.PostgresError) as error:
            _logger.warning("the connection was lost between two batches", error=repr(error))
            self._drop_connection()
            refuse_all(batch, StoreAway)

    async def _wait_for_locks(self, seconds: float) -> None:
        # A connection that was replaced meanwhile has the usual patience.
        if self._conn is not None:
            await self._conn.wait_for_locks(seconds)

    async def _one_by_one(self, batch: Iterable[WaitingRequest]) -> None:
        for waiting in batch:
            if waiting.waits_s > COMMAND_SECONDS:
                waiting.refuse(Busy())
            else:
                await self._commit([waiting])

    async def _settle(
        self, batch: Sequence[WaitingRequest], lost: RecorderConnection, error: Exception
    ) -> None:
        """The connection was lost during the statement: look on a new one whether it was committed."""
        _logger.warning("the connection was lost while recording", decisions=len(batch), error=repr(error))
        self._drop_connection()
        try:
            async with asyncio.timeout(SETTLE_SECONDS):
                await self._connect()
                present = await self._present(batch, lost)
        except (*LOST, asyncpg.PostgresError) as away:
            _logger.warning("what became of decisions is not known", decisions=len(batch), error=repr(away))
            refuse_all(batch, OutcomeUnknown)
            return self._give_up()
        for waiting in batch:
            if waiting.new.id in present:
                self._tell_kept(waiting)
            else:
                waiting.refuse(StoreAway())
        return None

    async def _present(self, batch: Sequence[WaitingRequest], lost: RecorderConnection) -> set[UUID]:
        """Which of the batch is on record, once the lost connection's other end can no longer commit
        anything.
        """
        conn = self._conn
        if conn is None:
            raise ConnectionError("the new connection was lost as well")
        while await conn.end(lost.backend):  # noqa: ASYNC110 - it is the server that is asked
            await asyncio.sleep(0.02)
        return await conn.present([waiting.new.id for waiting in batch])
