"""A record tried piece by piece: some decisions in a row, read, answered again and counted, here or in one of
several processes that end with the one that began them.
"""

import asyncio
import multiprocessing
import time
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import suppress
from functools import partial
from uuid import UUID

import msgspec

from coldcase import governing
from coldcase.backtesting.answering_again import AnswersAgain
from coldcase.backtesting.comparing import ComparisonTally
from coldcase.backtesting.trying import compare_recorded
from coldcase.db import backtests, rule_tables
from coldcase.db.backtests import Tried
from coldcase.db.engine import BACKTESTS, make_engine
from coldcase.db.transactions import Transaction, transaction
from coldcase.errors import BadRuleTable, ColdcaseError
from coldcase.processes import collect_rarely, end_with_parent
from coldcase.readings import refrigerants

MOST_TABLES = 2
"""Compiled tables that are kept: a draft is often tried in several ways, and beside its base."""


class DraftEdited(ColdcaseError):
    """The draft was edited before its backtest ended."""

    code = "draft_edited"


class ProcessesDied(ColdcaseError):
    """Processes that counted for a backtest were killed, or had no memory left, again and again."""

    code = "processes_died"


class Piece(msgspec.Struct, frozen=True, kw_only=True):
    """Decisions to be counted: those of `tried` after an id, which ends with the last of them; the table that
    they are tried under, by version and digest; whose decisions they are (None: all clients'), and the client
    who asked.
    """

    rule_table: int
    digest: str
    client_id: int | None
    asker: int | None
    tried: Tried
    after: UUID | None


class CountedPiece(msgspec.Struct, frozen=True):
    """What came of a piece: how many decisions it had, their tally, and the seconds of work."""

    done: int
    tally: ComparisonTally
    seconds: float


class Counter:
    """Counts pieces in this process."""

    def __init__(self, begin: Transaction) -> None:
        self._begin = begin
        self._kept: dict[str, AnswersAgain] = {}

    async def count(self, piece: Piece) -> CountedPiece:
        """What comes of a piece. Raises BadRuleTable, DraftEdited, StoreAway, Busy."""
        began = time.perf_counter()
        again = await self.answers_by(piece.rule_table, piece.digest)
        async with self._begin() as conn:
            await backtests.see_decisions_of(conn, piece.client_id)
            rows = await backtests.read_recorded(conn, piece.tried, after=piece.after)
            established = await backtests.established_causes(conn, [row.id for row in rows])
            for version in again.touched.missing(rows):
                # One that cannot be read any more is one of which nothing is known.
                with suppress(BadRuleTable):
                    answered_by = await rule_tables.get_table(conn, version)
                    again.touched.add(version, governing.shaped_table(answered_by))
        tally = ComparisonTally(own=piece.asker)
        await asyncio.to_thread(compare_recorded, rows, established, again, tally)
        return CountedPiece(len(rows), tally, time.perf_counter() - began)

    async def answers_by(self, version: int, digest: str | None = None) -> AnswersAgain:
        """The answers of a version, or of the one with this digest.

        Raises BadRuleTable, NotFound, DraftEdited.
        """
        if digest is None or digest not in self._kept:
            async with self._begin() as conn:
                stored = await rule_tables.get_table(conn, version)
            if digest is not None and stored.digest != digest:
                raise DraftEdited(
                    f"The draft was edited before its backtest ended: it is {stored.digest} now."
                )
            digest = stored.digest
            if digest not in self._kept:
                compiled = await asyncio.to_thread(governing.compile_stored, stored)
                while len(self._kept) >= MOST_TABLES:
                    del self._kept[next(iter(self._kept))]
                self._kept[digest] = AnswersAgain(compiled)
        return self._kept[digest]


class Pool:
    """Counts pieces in so many processes, which take some seconds to begin."""

    def __init__(self, url: str, jobs: int) -> None:
        self.jobs = jobs
        self._url = url
        self._began: list[Future[None]] = []
        self._processes = self._new()

    def _new(self) -> ProcessPoolExecutor:
        # What each would take two seconds of processor time to import, one imports for all.
        forked = multiprocessing.get_context("forkserver")
        forked.set_forkserver_preload([__name__, "CoolProp"])
        return ProcessPoolExecutor(self.jobs, forked, initializer=_begin, initargs=(self._url,))

    def renew(self) -> None:
        """Puts others in the place of processes of which one died; they begin when they are asked for."""
        self._processes.shutdown(wait=False, cancel_futures=True)
        self._began, self._processes = [], self._new()

    def is_ready(self) -> bool:
        """Whether they have begun, all but perhaps some. Begins them when it is asked first. Raises
        BrokenProcessPool where a process died.
        """
        self._began = self._began or [self._processes.submit(_nothing) for _ in range(self.jobs)]
        return all(one.done() for one in self._began)

    async def count(self, piece: Piece) -> CountedPiece:
        """What comes of a piece. Raises as a Counter does, and BrokenProcessPool where a process died."""
        return await asyncio.get_running_loop().run_in_executor(self._processes, _count, piece)

    def close(self) -> None:
        """Ends the processes, as soon as each has counted what it has in hand."""
        self._processes.shutdown(cancel_futures=True)


_kept: list[tuple[asyncio.Runner, Counter]] = []
"""What a process of a pool has once it began."""


def _begin(url: str) -> None:
    """Makes a process of a pool ready."""
    end_with_parent()
    collect_rarely()
    refrigerants.library()
    engine = make_engine(url, BACKTESTS, connections=1)
    _kept.append((asyncio.Runner(), Counter(partial(transaction, engine, BACKTESTS))))


def _nothing() -> None:
    """Done by a process that has begun."""


def _count(piece: Piece) -> CountedPiece:
    [(runner, counter)] = _kept
    return runner.run(counter.count(piece))
