"""Backtests worked off, one after another, by the one process that holds the turn: read, answered again,
counted, with a cursor to go on from.
"""

import asyncio
import gc
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from functools import partial
from typing import Any, TypeVar
from uuid import UUID

import msgspec
import structlog

from coldcase import governing
from coldcase.backtesting.answering_again import AnswersAgain
from coldcase.backtesting.comparing import ComparisonTally
from coldcase.backtesting.trying import compare_library, compare_recorded
from coldcase.core.compiled_table import CompiledTable
from coldcase.db import backtests, rule_tables
from coldcase.db.backtests import SAMPLE_PARTS, Backtest, RecordedRow, Tried
from coldcase.db.decisions import DecisionFilter
from coldcase.db.engine import BACKTESTS, make_engine
from coldcase.db.rule_tables import StoredTable
from coldcase.db.transactions import Transaction, transaction
from coldcase.errors import Busy, ColdcaseError, OutcomeUnknown, StoreAway
from coldcase.shipped import case_library

_logger = structlog.get_logger(__name__)
_Result = TypeVar("_Result")

READ_AT_A_TIME = 500
SAVE_SECONDS = 1.0
"""How often progress is written: as much is done again after a process has died."""

RETRY_SECONDS = 2.0
QUIET_SECONDS = 5.0
"""For how long nothing must have been recorded before a backtest takes all the time it can get."""


class Pace:
    """How much of its time a backtest works: all of it, or `share` while others want the service.

    `busy` says whether they do, as far as is known here; decisions that any replica records say so too.
    """

    def __init__(self, share: float, busy: Callable[[], bool] = lambda: False) -> None:
        self.stopping = asyncio.Event()
        self._share = share
        self._busy = busy
        self._newest: UUID | None = None
        self._changed_at: float | None = None

    def recorded(self, newest: UUID | None) -> None:
        """Takes notice of the newest decision on record."""
        if self._newest is not None and newest != self._newest:
            self._changed_at = time.monotonic()
        self._newest = newest

    def rest_after(self, worked_s: float) -> float:
        """How long to rest after so many seconds of work."""
        recorded = self._changed_at is not None and time.monotonic() - self._changed_at < QUIET_SECONDS
        return worked_s * (1 - self._share) / self._share if recorded or self._busy() else 0.0

    async def rest(self, seconds: float) -> None:
        """Rests, unless it is to stop."""
        if seconds > 0:
            with suppress(TimeoutError):
                await asyncio.wait_for(self.stopping.wait(), seconds)


def collect_rarely() -> None:
    """Tables stay and cases go by themselves: to look for cycles every few cases would cost a fifth of all
    work. For a process that does nothing else.
    """
    gc.set_threshold(200_000, 50, 1000)


async def work_off(url: str, pace: Pace) -> int:
    """Works off every backtest that waits, unless another process does; how many have ended.

    Raises StoreAway where the database cannot be reached at first; later it is waited for.
    """
    engine, ended = make_engine(url, BACKTESTS, connections=3), 0
    try:
        async with engine.connect() as held:
            if not await backtests.hold_turn(held):
                return 0
            worker = _Worker(partial(transaction, engine, BACKTESTS), pace)
            while not pace.stopping.is_set() and (claimed := await worker.claim()) is not None:
                ended += await worker.work(claimed)
    finally:
        await engine.dispose()
    return ended


class _NoLongerOurs(Exception):
    """The backtest was cancelled, or another process has taken it on."""


_kept: dict[str, CompiledTable] = {}


def _compile(digest: str, stored: StoredTable) -> CompiledTable:
    """Two are kept, by digest: a draft is often tried in several ways, and beside its base."""
    if digest not in _kept:
        while len(_kept) >= 2:
            del _kept[next(iter(_kept))]
        _kept[digest] = governing.compile_stored(stored)
    return _kept[digest]


class _Worker:
    """Works on one backtest at a time."""

    def __init__(self, begin: Transaction, pace: Pace) -> None:
        self._begin = begin
        self._pace = pace

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
        compiled = await self._compiled(mine.rule_table, digest=mine.digest)
        tally = msgspec.json.decode(mine.tally, type=ComparisonTally) if mine.tally else None
        tally = tally or ComparisonTally(own=mine.asker)
        if mine.library is not None:
            tally = ComparisonTally(own=mine.asker)
            done = total = await self._try_library(mine, compiled, tally)
        else:
            tried, total = await self._begun(mine)
            done = await self._try_decisions(mine, tried, AnswersAgain(compiled), tally)
            if self._pace.stopping.is_set():
                return False
        text = msgspec.json.encode(tally).decode()
        await self._save(mine, state="finished", result=text, tally=None, done=done, total=total)
        return True

    async def _compiled(self, version: int, *, digest: str | None = None) -> CompiledTable:
        """A version, compiled; the one with this digest. Raises BadRuleTable, NotFound, WrongState."""
        async with self._begin() as conn:
            stored = await rule_tables.get_table(conn, version)
        if digest is not None and stored.digest != digest:
            raise DraftEdited(f"The draft was edited before its backtest ended: it is {stored.digest} now.")
        return await asyncio.to_thread(_compile, stored.digest, stored)

    async def _try_library(self, mine: Backtest, compiled: CompiledTable, tally: ComparisonTally) -> int:
        async with self._begin() as conn:
            stored = await rule_tables.get_table(conn, mine.rule_table)
            base = stored.based_on or await rule_tables.current_version(conn)
        cases = case_library(mine.library or "")
        await asyncio.to_thread(compare_library, cases, await self._compiled(base), compiled, tally)
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

    async def _try_decisions(
        self, mine: Backtest, tried: Tried, again: AnswersAgain, tally: ComparisonTally
    ) -> int:
        """How many are done, all of them unless it is to stop."""
        done, place, saved_at = mine.done, mine.place, time.monotonic()
        if tried.up_to is None:
            return done
        while not self._pace.stopping.is_set():
            # One after the other: read meanwhile, each of a hundred pieces would wait for the interpreter.
            rows, established = await self._read(mine, tried, place)
            if not rows:
                return done
            began = time.perf_counter()
            await asyncio.to_thread(compare_recorded, rows, established, again, tally)
            done, place = done + len(rows), rows[-1].id
            if time.monotonic() - saved_at > SAVE_SECONDS:
                await self._save_place(mine, tally, done=done, place=place)
                saved_at = time.monotonic()
            await self._pace.rest(self._pace.rest_after(time.perf_counter() - began))
        await self._save_place(mine, tally, done=done, place=place)
        return done

    async def _save_place(
        self, mine: Backtest, tally: ComparisonTally, *, done: int, place: UUID | None
    ) -> None:
        await self._save(mine, tally=msgspec.json.encode(tally).decode(), done=done, place=place)

    async def _read(
        self, mine: Backtest, tried: Tried, after: UUID | None
    ) -> tuple[list[RecordedRow], dict[UUID, str | None]]:
        async def read() -> tuple[list[RecordedRow], dict[UUID, str | None]]:
            async with self._begin() as conn:
                await backtests.see_decisions_of(conn, None)
                self._pace.recorded(await backtests.newest_decision(conn))
                await backtests.see_decisions_of(conn, mine.client_id)
                rows = await backtests.read_recorded(conn, tried, after=after, limit=READ_AT_A_TIME)
                return rows, await backtests.established_causes(conn, [row.id for row in rows])

        return await self._patiently(read)

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


class DraftEdited(ColdcaseError):
    """The draft was edited before its backtest ended."""

    code = "draft_edited"
