"""One import from its file to its last line: cut into chunks, each read, answered and recorded as a whole,
and told of only then, in the order of the file.

Several chunks are worked on at a time: here, while one waits for the database the next is answered; in
processes of their own where an import is worth it. Whoever works, the result is the same: what depends on the
lines before is settled here, in their order.
"""

import asyncio
from collections import deque
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import BinaryIO

import msgspec
import structlog

from coldcase.core.compiled_table import CompiledTable
from coldcase.db import imports
from coldcase.db.clock import DatabaseClock
from coldcase.db.engine import READS, make_engine
from coldcase.db.imports import ImportCounts
from coldcase.db.transactions import Transaction, transaction
from coldcase.errors import ColdcaseError
from coldcase.importing.chunks import ChunkWork, CutLine, ToldChunk
from coldcase.importing.counting import Seen
from coldcase.importing.hands import Hand, HandElsewhere, HandHere, ImportPool, compiled_for, recorder_for
from coldcase.importing.history import Columns, CsvFile
from coldcase.importing.lines import RawLine, Unread, raw_lines
from coldcase.importing.orders import LINES, ImportOrder, Out, framed
from coldcase.importing.parquet_files import answered_lines
from coldcase.importing.telling import RefusalRendering, Summary, told_line

_logger = structlog.get_logger(__name__)

CHUNK_LINES = 500
CHUNK_BYTES = 4 * 1024 * 1024
"""What is read, answered and recorded at once."""

HANDS_HERE = 2
AHEAD = 2
"""Chunks beside those at work: a hand that is done goes on though one before it is not."""


class Stopped(ColdcaseError):
    """The service is stopping, or nobody waits for the answer any more. What was told of is on record; post
    the same again for the rest.
    """

    code = "stopping"


async def run_import(
    order: ImportOrder,
    file: BinaryIO | Path,
    out: Out,
    *,
    tell: RefusalRendering,
    pool: ImportPool,
    stopping: asyncio.Event,
) -> None:
    """Answers and records every line of a file, and tells of each through `out`, in frames.

    `tell` renders a refusal. Raises StoreAway where the database is away for too long, Stopped, Elsewhere
    where a process died, NotFound for a rule table that is gone: what was told until then is on record.
    """
    compiled = await compiled_for(order)
    clock, seen = DatabaseClock(), Seen(order.spool_folder)
    recorders = [recorder_for(order, clock) for _ in range(HANDS_HERE)]
    try:
        await recorders[0].start()
        lines, header = _lines_of(order, file)
        here = [
            HandHere(ChunkWork(order, compiled, header=header, kept=pool.kept, recorder=recorder, tell=tell))
            for recorder in recorders
        ]
        work = _Import(order, compiled, _Hands(pool, here, order, header), seen)
        await _work_and_note(work, lines, out, stopping)
    finally:
        seen.close()
        for recorder in recorders:
            recorder.close()


def _lines_of(order: ImportOrder, file: BinaryIO | Path) -> tuple[Iterator[CutLine], list[str] | None]:
    """The lines of the file, or of Parquet files in a place, and the file's header where it is in our own
    layout. Raises `BadCase` for a header that cannot be read.
    """
    if isinstance(file, Path):
        return answered_lines(file), None
    if order.media != "csv":
        return raw_lines(file), None
    crosswalk = order.crosswalk
    table = CsvFile(file, Columns(None if crosswalk is None else crosswalk.name, order.own_code))
    return _rows(table), table.header if crosswalk is None else None


def _rows(table: CsvFile) -> Iterator[CutLine]:
    for line in table.lines(None):
        if line.error is not None:
            yield Unread(line.number, line.error)
        else:
            yield RawLine(line.number, line.sent.rstrip())


async def _work_and_note(
    work: "_Import", lines: Iterator[CutLine], out: Out, stopping: asyncio.Event
) -> None:
    finished, order = False, work.order
    try:
        await work.run(lines, out, stopping)
        finished = True
    finally:
        told_so_far = msgspec.structs.asdict(work.summary) | {"rule_table": order.rule_table}
        counts = ImportCounts(**told_so_far, finished=finished)
        engine = make_engine(order.database_url, READS, connections=1)
        try:
            await _note(partial(transaction, engine), order, counts)
        except ColdcaseError as error:
            _logger.error("an import is told by no event", why=error.detail, **msgspec.structs.asdict(counts))  # noqa: TRY400 - the message says it all
            if finished:
                raise
        finally:
            await engine.dispose()
    out(framed(LINES, told_line({"summary": work.summary})))


async def _note(begin: Transaction, order: ImportOrder, counts: ImportCounts) -> None:
    async with begin() as conn:
        await imports.note_import(conn, import_key=order.import_key, counts=counts, actor=order.actor)


class _Hands:
    """Those that are free to work on an import: here until there are some elsewhere."""

    def __init__(
        self, pool: ImportPool, here: Sequence[Hand], order: ImportOrder, header: Sequence[str] | None
    ) -> None:
        self.at_once = len(here)
        self._pool = pool
        self._order = order
        self._header = header
        self._elsewhere: list[HandElsewhere] = []
        self._free: asyncio.Queue[Hand] = asyncio.Queue()
        for hand in here:
            self._free.put_nowait(hand)

    async def look(self, lines: int) -> None:
        """Takes notice of lines that are to be worked on, and of processes that have begun."""
        self._pool.count(lines)
        if self._elsewhere or not (ready := self._pool.ready()):
            return
        self._elsewhere, self.at_once = ready, len(ready)
        await asyncio.gather(*(hand.take(self._order, self._header) for hand in ready))
        while not self._free.empty():
            self._free.get_nowait()
        for hand in ready:
            self._free.put_nowait(hand)

    async def free(self) -> Hand:
        """The next that is free; in the order in which they are asked for."""
        return await self._free.get()

    def give_back(self, hand: Hand) -> None:
        """It is free again, unless it is no longer needed."""
        if not self._elsewhere or isinstance(hand, HandElsewhere):
            self._free.put_nowait(hand)

    async def leave(self) -> None:
        """The import has come to its end."""
        await asyncio.gather(*(hand.leave() for hand in self._elsewhere))

    def drop(self) -> None:
        """It has not, and nobody knows what those elsewhere are at."""
        if self._elsewhere:
            self._pool.end()


class _Chunk:
    """A chunk at work; `task` yields what is told of it."""

    def __init__(self, cut: Sequence[CutLine], before: Sequence["_Chunk"]) -> None:
        self.task: asyncio.Task[ToldChunk]
        self._cut = cut
        self._before = [chunk.task for chunk in before]
        self._last = before[-1] if before else None
        self._in_hand, self._placed = asyncio.Event(), asyncio.Event()

    async def work(self, hands: _Hands, seen: Seen) -> ToldChunk:
        """Takes its turn, and comes to its end. One that fails is the end of all."""
        # In the order of the file, or those that wait for one before them could have all hands.
        if self._last is not None:
            await self._last._in_hand.wait()  # noqa: SLF001 - one of its own kind
        hand = await hands.free()
        self._in_hand.set()
        read = await hand.read(self._cut)
        if self._last is not None:
            await self._last._placed.wait()  # noqa: SLF001 - as above
        places = [None if line is None else seen.place(line) for line in read]
        self._placed.set()
        if self._before and any(place is not None and place.again for place in places):
            # Whichever came first is the one that was recorded.
            await asyncio.wait(self._before)
        told = await hand.finish(places)
        hands.give_back(hand)
        return told


class _Import:
    """One import at work; `summary` counts what was told so far."""

    def __init__(self, order: ImportOrder, compiled: CompiledTable, hands: _Hands, seen: Seen) -> None:
        self.order = order
        self.summary = Summary(rule_table=compiled.name)
        self._hands = hands
        self._seen = seen
        self._working: deque[_Chunk] = deque()

    async def run(self, lines: Iterator[CutLine], out: Out, stopping: asyncio.Event) -> None:
        """Works through the lines."""
        try:
            await self._work(lines, out, stopping)
            await self._hands.leave()
        except BaseException:
            for chunk in self._working:
                chunk.task.cancel()
            self._hands.drop()
            await asyncio.gather(*(chunk.task for chunk in self._working), return_exceptions=True)
            raise

    async def _work(self, lines: Iterator[CutLine], out: Out, stopping: asyncio.Event) -> None:
        cut = _cut(lines)
        while cut or self._working:
            while cut and len(self._working) < self._hands.at_once + AHEAD and not stopping.is_set():
                await self._begin(cut)
                cut = _cut(lines)
            if not self._working:
                raise Stopped
            told = await self._working[0].task
            self._working.popleft()
            self.summary.add(told.counts)
            # Blocks where nobody reads, and then nothing else of this import is told.
            out(framed(LINES, told.text))

    async def _begin(self, cut: Sequence[CutLine]) -> None:
        await self._hands.look(len(cut))
        chunk = _Chunk(cut, list(self._working))
        chunk.task = asyncio.create_task(chunk.work(self._hands, self._seen))
        self._working.append(chunk)


def _cut(lines: Iterator[CutLine]) -> list[CutLine]:
    """The next chunk; empty at the end."""
    cut: list[CutLine] = []
    size = 0
    for line in lines:
        cut.append(line)
        size += 0 if isinstance(line, Unread) else len(line.text or b"")
        if len(cut) == CHUNK_LINES or size >= CHUNK_BYTES:
            break
    return cut
