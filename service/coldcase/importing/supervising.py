"""The processes that work on imports, beside the service: started when one is needed, kept for the next, and
ended with the service.
"""

import asyncio
import socket
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncGenerator
from contextlib import aclosing, suppress
from typing import BinaryIO

import msgspec
import structlog

from coldcase.errors import ColdcaseError
from coldcase.importing.orders import ENDED, FRAME, LINES, Failure, ImportOrder, send_order

_logger = structlog.get_logger(__name__)

UNUSED_SECONDS = 60.0
"""How long a process without work is kept: starting one takes a second or two."""

LAST_CHUNK_SECONDS = 5.0
"""How long one may take to come to the end of its chunk when it is to end."""


Frame = tuple[bytes, bytes]
GONE = (asyncio.IncompleteReadError, OSError)
"""What comes of a process that has died."""


class BrokenOff(ColdcaseError):
    """The import broke off. What was told of is on record; post the same again for the rest."""

    code = "broken_off"

    def __init__(self, failure: Failure) -> None:
        super().__init__(failure.detail)
        self.failure = failure


class _Worker:
    def __init__(self, process: Process, channel: socket.socket) -> None:
        self.process = process
        self.channel = channel
        self.idle: asyncio.TimerHandle | None = None

    @property
    def works(self) -> bool:
        """Whether the process is there."""
        return self.process.returncode is None

    def dismiss(self) -> None:
        """Lets it go: it ends when nobody gives it orders."""
        self.channel.close()


class ImportWorkers:
    """The processes that work on imports, as many as there are imports at the same time; each has `jobs` more
    for large ones.
    """

    def __init__(self, log_level: str, jobs: int) -> None:
        self._flags = ("--log-level", log_level, "--jobs", str(jobs))
        self._idle: list[_Worker] = []
        self._all: set[_Worker] = set()
        self._ending: set[asyncio.Task[None]] = set()

    async def lines(self, order: ImportOrder, file: BinaryIO) -> AsyncGenerator[bytes, None]:
        """The lines of an import's answer, as many at a time as were recorded together.

        Raises BrokenOff, also in the middle. Closed early, the import ends with the chunk that it is at.
        """
        worker, frames = await self._begun(order, file)
        finished = False
        try:
            async with aclosing(frames):
                async for kind, body in frames:
                    if kind == LINES:
                        yield body
                        continue
                    finished = True
                    if kind == ENDED:
                        return
                    raise BrokenOff(msgspec.json.decode(body, type=Failure))
        except GONE as error:
            raise BrokenOff(Failure("internal", "The import broke off; post the same again.")) from error
        finally:
            if finished:
                self._keep(worker)
            else:
                self._end(worker)

    async def _begun(self, order: ImportOrder, file: BinaryIO) -> tuple[_Worker, AsyncGenerator[Frame, None]]:
        """A process that has begun, and its frames. One that was kept may have died meanwhile, and whatever
        it began can be begun again.
        """
        while True:
            worker = await self._worker()
            # The process goes on reading where the file stands, and another may have read some of it.
            file.seek(0)
            try:
                await asyncio.to_thread(send_order, worker.channel, order, file)
                return worker, _from(await _frame(worker.process), worker.process)
            except GONE as error:
                _logger.warning("a process that works on imports ended", code=worker.process.returncode)
                self._end(worker)
                if worker.idle is None:
                    raise BrokenOff(Failure("internal", "The import could not be begun.")) from error
            except BaseException:
                self._end(worker)
                raise

    async def close(self) -> None:
        """Ends all processes; whoever is in the middle of a chunk ends with it."""
        for worker in list(self._all):
            self._end(worker)
        if self._ending:
            await asyncio.wait(self._ending)

    async def _worker(self) -> _Worker:
        while self._idle:
            worker = self._idle.pop()
            if worker.idle is not None:
                worker.idle.cancel()
            if worker.works:
                return worker
            self._end(worker)
        ours, theirs = socket.socketpair()
        with theirs:
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "coldcase", "imports", *self._flags),
                stdin=theirs.fileno(),
                stdout=PIPE,
            )
        worker = _Worker(process, ours)
        self._all.add(worker)
        return worker

    def _keep(self, worker: _Worker) -> None:
        worker.idle = asyncio.get_running_loop().call_later(UNUSED_SECONDS, self._dismiss, worker)
        self._idle.append(worker)

    def _dismiss(self, worker: _Worker) -> None:
        if worker in self._idle:
            self._idle.remove(worker)
            self._end(worker)

    def _end(self, worker: _Worker) -> None:
        worker.dismiss()
        task = asyncio.create_task(self._ended(worker))
        self._ending.add(task)
        task.add_done_callback(self._ending.discard)

    async def _ended(self, worker: _Worker) -> None:
        process = worker.process
        with suppress(ProcessLookupError):
            if worker.works:
                process.terminate()
        # What it still writes is taken, so that it can come to its end.
        reading = asyncio.create_task(_drain(process))
        try:
            await asyncio.wait_for(process.wait(), LAST_CHUNK_SECONDS)
        except TimeoutError:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()
        else:
            # The pipe ends when nobody holds it any more, the processes that it began among them; one that
            # is still open when the event loop is closed could not be closed any more.
            await asyncio.wait({reading}, timeout=LAST_CHUNK_SECONDS)
        finally:
            reading.cancel()
            self._all.discard(worker)


async def _frame(process: Process) -> Frame:
    assert process.stdout is not None  # noqa: S101 - it was asked for
    kind, size = FRAME.unpack(await process.stdout.readexactly(FRAME.size))
    return kind, await process.stdout.readexactly(size)


async def _from(first: Frame, process: Process) -> AsyncGenerator[Frame, None]:
    yield first
    while True:
        yield await _frame(process)


async def _drain(process: Process) -> None:
    while process.stdout is not None and await process.stdout.read(1 << 16):
        pass
