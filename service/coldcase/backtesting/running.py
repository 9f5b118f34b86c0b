"""Backtests worked off, one after another, by the one process that holds the turn: piece by piece, several at
once, with a cursor to go on from.
"""

import asyncio
import time
from collections import deque
from collections.abc import Awaitable, Callable
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from functools import partial
from typing import Any, TypeVar
from uuid import UUID

import msgspec
import structlog

from coldcase.backtesting.comparing import ComparisonTally
from coldcase.backtesting.pieces import CountedPiece, Counter, Piece, Pool, ProcessesDied
from coldcase.backtesting.trying import compare_library
from coldcase.db import backtests, rule_tables
from coldcase.db.backtests import SAMPLE_PARTS, Backtest, Tried
from coldcase.db.decisions import DecisionFilter
from coldcase.db.engine import BACKTESTS, make_engine
from coldcase.db.transactions import Transaction, transaction
from coldcase.errors import Busy, ColdcaseError, OutcomeUnknown, StoreAway
from coldcase.shipped import case_library

_logger = structlog.get_logger(__name__)
_Result = TypeVar("_Result")

DECISIONS_A_PIECE = 1000
"""So many are read, answered and counted at once: of more together each costs less, up to about so many."""

DECISIONS_BESIDE = 200
"""The same while others want the service: what a piece takes from them it takes at once."""

FEW_PIECES = 30
"""What has no more of them is done before other processes have begun."""

SAVE_SECONDS = 1.0
"""How often progress is written: as much is done again after a process has died."""

MOST_DEATHS = 4
"""Times that a process which counts may die while a backtest is worked on: the next is its failure."""

RETRY_SECONDS = 2.0
QUIET_SECONDS = 5.0
"""For how long nothing must have been recorded before a backtest takes all the time it can get."""

SURE_SECONDS = 0.5
"""For how long it must have been looked and found quiet before other processes begin, which takes more of a
machine than anything that they do later.
"""


class Pace:
    """How much of its time a backtest works: all of it, or `share` while others want the service.

    `busy` says whether they do, as far as is known here; decisions that any replica records say so too.
    """

    def __init__(self, share: float, busy: Callable[[], bool] = lambda: False) -> None:
        self.stopping = asyncio.Event()
        self._share = share
        self._busy = busy
        self._newest: UUID | None = None
        self._looks_since: float | None = None
        self._changed_at: float | None = None

    def recorded(self, newest: UUID | None) -> None:
        """Takes notice of the newest decision on record."""
        if self._looks_since is None:
            self._looks_since = time.monotonic()
        if self._newest is not None and newest != self._newest:
            self._changed_at = time.monotonic()
        self._newest = newest

    @property
    def wanted_elsewhere(self) -> bool:
        """Whether others want the service."""
        recorded = self._changed_at is not None and time.monotonic() - self._changed_at < QUIET_SECONDS
        return recorded or self._busy()

    @property
    def surely_quiet(self) -> bool:
        """Whether nobody else wants the service, and it was looked for long enough to say so."""
        looked = self._looks_since is not None and time.monotonic() - self._looks_since >= SURE_SECONDS
        return looked and not self.wanted_elsewhere

    def rest_after(self, worked_s: float) -> float:
        """How long to rest after so many seconds of work."""
        return worked_s * (1 - self._share) / self._share if self.wanted_elsewhere else 0.0

    async def rest(self, seconds: float) -> None:
        """Rests, unless it is to stop."""
        if seconds > 0:
            with suppress(TimeoutError):
                await asyncio.wait_for(self.stopping.wait(), seconds)


async def work_off(url: str, pace: Pace, jobs: int = 1) -> int:
    """Works off every backtest that waits, unless another process does, with so many processes beside this
    one where it is worth it; how many have ended.

    Raises StoreAway where the database cannot be reached at first; later it is waited for.
    """
    engine, ended = make_engine(url, BACKTESTS, connections=3), 0
    pool = Pool(url, jobs) if jobs > 1 else None
    try:
        async with engine.connect() as held:
            if not await backtests.hold_turn(held):
                return 0
            worker = _Worker(partial(transaction, engine, BACKTESTS), pace, pool)
            while not pace.stopping.is_set() and (claimed := await worker.claim()) is not None:
                ended += await worker.work(claimed)
    finally:
        if pool is not None:
            await asyncio.to_thread(pool.close)
        await engine.dispose()
    return ended


Counting = deque[tuple[UUID, asyncio.Task[CountedPiece]]]
"""Pieces that are being counted, in their order, each with the id of its last decision."""


async def _let_go(counting: Counting) -> None:
    for _, piece in counting:
        piece.cancel()
    await asyncio.gather(*(piece for _, piece in counting), return_exceptions=True)
    counting.clear()


class _NoLongerOurs(Exception):
    """The backtest was cancelled, or another process has taken it on."""


class _Worker:
    """Works on one backtest at a time."""

    def __init__(self, begin: Transaction, pace: Pace, pool: Pool | None) -> None:
        self._begin = begin
        self._pace = pace
        self._here = Counter(begin)
        self._pool = pool

    async def claim(self) -> Backtest | None:
        """The next one."""
        async with self._begin() as conn:
            return await backtests.claim_backtest(conn)

    async def work(self, mine: Backtest) -> bool:
        """Whether it has ended; else it is to be carried on later."""
        named = {"backtest": str(mine.id), "version": mine.rule_table}
        _logger.info("backtest begins", done=mine.done, **named)
        try:
            ended = await self._work(mine)
        except _NoLongerOurs:
            _logger.info("backtest was cancelled, or is another process's", **named)
            return True
        except Exception as error:
            # Of this backtest alone: those that wait for it are worked off all the same.
            _logger.exception("backtest failed", **named)
            why = error.detail if isinstance(error, ColdcaseError) else type(error).__name__
            with suppress(_NoLongerOurs):
                await self._save(mine, state="failed", failed_because=why)
            return True
        _logger.info("backtest ended" if ended else "backtest is left for later", **named)
        return ended

    async def _work(self, mine: Backtest) -> bool:
        tally = msgspec.json.decode(mine.tally, type=ComparisonTally) if mine.tally else None
        tally = tally or ComparisonTally(own=mine.asker)
        if mine.library is not None:
            tally = ComparisonTally(own=mine.asker)
            done = total = await self._try_library(mine, tally)
        else:
            # Its flaws, if it has any, are told here and not by one of many processes.
            await self._here.answers_by(mine.rule_table, mine.digest)
            tried, total = await self._begun(mine)
            done = await self._try_decisions(mine, tried, total, tally)
            if self._pace.stopping.is_set():
                return False
        text = msgspec.json.encode(tally).decode()
        await self._save(mine, state="finished", result=text, tally=None, done=done, total=total)
        return True

    async def _try_library(self, mine: Backtest, tally: ComparisonTally) -> int:
        async with self._begin() as conn:
            stored = await rule_tables.get_table(conn, mine.rule_table)
            base = stored.based_on or await rule_tables.current_version(conn)
        cases, counted = case_library(mine.library or ""), ComparisonTally(own=mine.asker)
        before = await self._here.answers_by(base)
        after = await self._here.answers_by(mine.rule_table, mine.digest)
        await asyncio.to_thread(compare_library, cases, before.compiled, after.compiled, counted)
        tally.merge(counted)
        return len(cases)

    async def _begun(self, mine: Backtest) -> tuple[Tried, int]:
        """Where it ends, and of how many decisions: settled when it begins, kept when it is carried on."""
        wanted = msgspec.json.decode(mine.asked, type=DecisionFilter)
        wanted = msgspec.structs.replace(wanted, stands=True, client_id=mine.client_id)
        async with self._begin() as conn:
            await backtests.see_decisions_of(conn, mine.client_id)
            up_to = mine.up_to or await backtests.newest_decision(conn)
            tried = Tried(wanted, up_to)
            total = await backtests.count_decisions(conn, tried) if up_to is not None else 0
            if mine.sample is not None and mine.sample < total:
                # Rounded up, so that a small sample of a large record is not an empty one.
                parts = -(-mine.sample * SAMPLE_PARTS // total)
                tried = Tried(wanted, up_to, parts)
                total = await backtests.count_decisions(conn, tried)
        await self._save(mine, up_to=up_to, total=total)
        return tried, total

    async def _try_decisions(self, mine: Backtest, tried: Tried, total: int, tally: ComparisonTally) -> int:
        """How many are done, all of them unless it is to stop.

        Pieces are merged in their order, whichever is counted first: the cursor stands where all before it is
        counted, and examples are those that one process would have found.
        """
        done, place, saved_at, deaths = mine.done, mine.place, time.monotonic(), 0
        woke_at = saved_at
        if tried.up_to is None:
            return done
        pool = self._pool if total > FEW_PIECES * DECISIONS_A_PIECE else None
        counting: Counting = deque()
        try:
            while True:
                try:
                    await self._keep_counting(mine, tried, place, counting, pool)
                    if not counting:
                        break
                    last, piece = counting[0]
                    counted = await piece
                except BrokenProcessPool:
                    # Of what is merged nothing is lost; the rest is counted by others.
                    await _let_go(counting)
                    deaths += 1
                    self._begin_others(mine, pool, deaths)
                    continue
                counting.popleft()
                tally.merge(counted.tally)
                done, place = done + counted.done, last
                if time.monotonic() - saved_at > SAVE_SECONDS:
                    await self._save_place(mine, tally, done=done, place=place)
                    saved_at = time.monotonic()
                # Of one process all that it did since it rested; of several what this one's piece took.
                worked = max(counted.seconds, time.monotonic() - woke_at)
                await self._pace.rest(self._pace.rest_after(worked))
                woke_at = time.monotonic()
        finally:
            await _let_go(counting)
        await self._save_place(mine, tally, done=done, place=place)
        return done

    def _begin_others(self, mine: Backtest, pool: Pool | None, deaths: int) -> None:
        """Raises ProcessesDied where too many did."""
        _logger.warning("a process that counts died", backtest=str(mine.id), deaths=deaths)
        assert pool is not None  # noqa: S101 - whose process it was
        pool.renew()
        if deaths > MOST_DEATHS:
            raise ProcessesDied(
                f"{deaths} processes that counted for it ended before they were done, one after another:"
                " they were killed, or there was no memory left."
            )

    async def _keep_counting(
        self,
        mine: Backtest,
        tried: Tried,
        place: UUID | None,
        counting: Counting,
        pool: Pool | None,
    ) -> None:
        """Begins the next pieces, as many as there are processes for. One, in this process, until the others
        have begun, and while others want the service, so that a share of the time is what it says. None when
        it is to stop.
        """
        ahead = counting[-1][0] if counting else place
        while not self._pace.stopping.is_set():
            alone = pool is None or not self._pace.surely_quiet or not pool.is_ready()
            if len(counting) >= (1 if pool is None or alone else 2 * pool.jobs):
                return
            last = await self._last_of_next(mine, tried, ahead)
            if last is None:
                return
            piece = Piece(
                rule_table=mine.rule_table,
                digest=mine.digest,
                client_id=mine.client_id,
                asker=mine.asker,
                tried=msgspec.structs.replace(tried, up_to=last),
                after=ahead,
            )
            counter = self._here if pool is None or alone else pool
            work = self._patiently(partial(counter.count, piece))
            counting.append((last, asyncio.create_task(work)))
            ahead = last

    async def _last_of_next(self, mine: Backtest, tried: Tried, after: UUID | None) -> UUID | None:
        async def read() -> UUID | None:
            async with self._begin() as conn:
                await backtests.see_decisions_of(conn, None)
                self._pace.recorded(await backtests.newest_decision(conn))
                await backtests.see_decisions_of(conn, mine.client_id)
                most = DECISIONS_BESIDE if self._pace.wanted_elsewhere else DECISIONS_A_PIECE
                return await backtests.last_of_next(conn, tried, after=after, most=most)

        return await self._patiently(read)

    async def _save_place(
        self, mine: Backtest, tally: ComparisonTally, *, done: int, place: UUID | None
    ) -> None:
        await self._save(mine, tally=msgspec.json.encode(tally).decode(), done=done, place=place)

    async def _save(self, mine: Backtest, **values: Any) -> None:
        """Raises _NoLongerOurs."""

        async def save() -> bool:
            async with self._begin() as conn:
                return await backtests.write_progress(conn, mine, **values)

        if not await self._patiently(save):
            raise _NoLongerOurs

    async def _patiently(self, work: Callable[[], Awaitable[_Result]]) -> _Result:
        """Waits for a database that is away, or busy, for as long as nobody says to stop."""
        while True:
            try:
                return await work()
            except (StoreAway, Busy, OutcomeUnknown):
                if self._pace.stopping.is_set():
                    raise
                await self._pace.rest(RETRY_SECONDS)
