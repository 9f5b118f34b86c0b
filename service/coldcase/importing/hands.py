"""Who works on the chunks of an import: this process, or several that end with the one that began them."""

import asyncio
import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Protocol

import msgspec
import structlog

from coldcase import governing
from coldcase.core.compiled_table import CompiledTable
from coldcase.db import rule_tables
from coldcase.db.bulk_recorder import BulkRecorder
from coldcase.db.clock import DatabaseClock
from coldcase.db.engine import READS, make_engine
from coldcase.db.transactions import transaction
from coldcase.errors import ColdcaseError
from coldcase.importing.answering import KEPT_BYTES
from coldcase.importing.chunks import ChunkWork, CutLine, ToldChunk
from coldcase.importing.counting import LineSeen, Place
from coldcase.importing.orders import ImportOrder
from coldcase.importing.telling import RefusalRendering
from coldcase.kept_answers import KeptAnswers
from coldcase.processes import collect_rarely, end_with_parent
from coldcase.readings import refrigerants

_logger = structlog.get_logger(__name__)

WORTH_IT_AFTER = 10_000
"""Lines that a process works off alone: each other takes three seconds of a core to begin."""

CutLines = Sequence[CutLine]


class Elsewhere(ColdcaseError):
    """A process that worked on the import died, or failed; post the same again."""

    def __init__(self, code: str = "internal", detail: str | None = None) -> None:
        super().__init__(detail)
        self.code = code


class Hand(Protocol):
    """Works on one chunk at a time: reads it, which yields by what each line is known and None for one that
    cannot be taken; then answers, records and tells. Raises StoreAway, Elsewhere.
    """

    async def read(self, cut: CutLines) -> list[LineSeen | None]: ...  # noqa: D102 - as above
    async def finish(self, places: Sequence[Place | None]) -> ToldChunk: ...  # noqa: D102 - as above


class HandHere:
    """In this process."""

    def __init__(self, work: ChunkWork) -> None:
        self.read = work.read
        self.finish = work.finish


class HandElsewhere:
    """In a process of its own, which takes some seconds to begin. `threads` wait for what it says."""

    def __init__(
        self, readied: Callable[[], None], tell: RefusalRendering, threads: ThreadPoolExecutor
    ) -> None:
        spawning = multiprocessing.get_context("spawn")
        self._conn, theirs = spawning.Pipe()
        self._process = spawning.Process(target=_work, args=(theirs, readied, tell), daemon=True)
        self._process.start()
        theirs.close()
        self._threads = threads
        self._ready = False

    @property
    def pid(self) -> int | None:
        """Of its process."""
        return self._process.pid

    def is_ready(self) -> bool:
        """Whether it has begun. Raises Elsewhere where it died over it."""
        if not self._ready and self._conn.poll():
            self._ready = self._told() is None
        return self._ready

    async def take(self, order: ImportOrder, header: Sequence[str] | None) -> None:
        """Begins an import."""
        await self._asked("take", order, header)

    async def leave(self) -> None:
        """Ends an import."""
        await self._asked("leave")

    async def read(self, cut: CutLines) -> list[LineSeen | None]:
        """Reads a chunk."""
        seen: list[LineSeen | None] = await self._asked("read", cut)
        return seen

    async def finish(self, places: Sequence[Place | None]) -> ToldChunk:
        """Answers, records and tells."""
        told: ToldChunk = await self._asked("finish", places)
        return told

    async def _asked(self, *what: Any) -> Any:
        return await asyncio.get_running_loop().run_in_executor(self._threads, self._answered, what)

    def _answered(self, what: tuple[Any, ...]) -> Any:
        try:
            self._conn.send(what)
        except OSError as error:
            raise Elsewhere from error
        return self._told()

    def _told(self) -> Any:
        try:
            answer = self._conn.recv()
        except (EOFError, OSError) as error:
            raise Elsewhere from error
        if isinstance(answer, _Failed):
            raise Elsewhere(answer.code, answer.detail)
        return answer

    def end(self) -> None:
        """Ends it, whatever it does; a thread that waits for it learns of it."""
        self._process.kill()
        self._process.join()


class ImportPool:
    """The processes that work on one import after another, `jobs` of them once it is worth it.

    `readied` is called in each as it begins, `tell` renders a refusal there. `kept` are answers that were
    given in this process.
    """

    def __init__(self, jobs: int, readied: Callable[[], None], tell: RefusalRendering) -> None:
        self.jobs = jobs
        self.kept = KeptAnswers(KEPT_BYTES)
        self._readied = readied
        self._tell = tell
        self._lines = 0
        self._threads = ThreadPoolExecutor(jobs)
        self._hands: list[HandElsewhere] = []

    def ready(self) -> list[HandElsewhere]:
        """All of them once all have begun. Raises Elsewhere where one died over it."""
        begun = [hand.is_ready() for hand in self._hands]
        return self._hands if all(begun) else []

    def count(self, lines: int) -> None:
        """Takes notice of lines that are worked on, and begins the processes when it is worth it."""
        self._lines += lines
        if self.jobs > 1 and self._lines > WORTH_IT_AFTER and not self._hands:
            self._hands = [HandElsewhere(self._readied, self._tell, self._threads) for _ in range(self.jobs)]

    def pids(self) -> list[int | None]:
        """Of those there are."""
        return [hand.pid for hand in self._hands]

    def end(self) -> None:
        """Ends all of them; others begin when it is worth it."""
        for hand in self._hands:
            hand.end()
        self._hands = []

    def close(self) -> None:
        """Ends all of them, for good."""
        self.end()
        self._threads.shutdown()


async def compiled_for(order: ImportOrder) -> CompiledTable:
    """The rule table of an import. Raises NotFound, StoreAway."""
    engine = make_engine(order.database_url, READS, connections=1)
    try:
        async with transaction(engine) as conn:
            stored = await rule_tables.get_table(conn, order.rule_table)
    finally:
        await engine.dispose()
    return governing.compile_stored(stored)


def recorder_for(order: ImportOrder, clock: DatabaseClock) -> BulkRecorder:
    """What records the lines of an import."""
    return BulkRecorder(order.database_url, clock, order.actor, copies=order.media == "answered")


class _Failed(msgspec.Struct, frozen=True):
    """What a process says in place of what it was asked for."""

    code: str
    detail: str


def _work(conn: Any, readied: Callable[[], None], tell: RefusalRendering) -> None:
    """What a process does: it is asked by `conn` for one thing after another, until nobody is there."""
    end_with_parent()
    # What is told of an import goes out by its parent alone.
    os.dup2(2, 1)
    collect_rarely()
    readied()
    refrigerants.library()
    conn.send(None)
    asked = _Asked(tell)
    with asyncio.Runner() as runner:
        while True:
            try:
                what = conn.recv()
            except EOFError:
                return
            conn.send(runner.run(asked.answer(*what)))


class _Asked:
    """What is asked of a process, import after import."""

    def __init__(self, tell: RefusalRendering) -> None:
        self._tell = tell
        self._kept = KeptAnswers(KEPT_BYTES)
        self._recorder: BulkRecorder | None = None
        self._work: ChunkWork | None = None

    async def answer(self, what: str, *about: Any) -> Any:
        """What came of it; a failure is told, too."""
        try:
            return await self._answer(what, *about)
        except ColdcaseError as error:
            return _Failed(error.code, error.detail)
        except Exception:
            _logger.exception("a process that works on an import failed in an unforeseen way")
            return _Failed("internal", "It is logged; post the same again.")

    async def _answer(self, what: str, *about: Any) -> Any:
        if what == "take":
            return await self._take(*about)
        assert self._work is not None  # noqa: S101 - an order comes first
        if what == "read":
            return await self._work.read(*about)
        if what == "finish":
            return await self._work.finish(*about)
        return self._leave()

    async def _take(self, order: ImportOrder, header: Sequence[str] | None) -> None:
        self._leave()
        self._recorder = recorder_for(order, DatabaseClock())
        compiled = await compiled_for(order)
        await self._recorder.start()
        self._work = ChunkWork(
            order, compiled, header=header, kept=self._kept, recorder=self._recorder, tell=self._tell
        )

    def _leave(self) -> None:
        if self._recorder is not None:
            self._recorder.close()
        self._recorder = self._work = None
