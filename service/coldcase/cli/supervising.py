"""`coldcase serve --workers N`: processes that serve from one listening socket, and the one that has them.

The first process serves nothing: it has the sockets and the embedded server, starts the others, starts one
again that has died, and ends them. A worker is `coldcase serve --supervised`. Its orders come to it by
standard input, never by its command line; where nothing can come any more, the first process is gone, and it
stops. When it serves, it says so on standard output.

Uvicorn has a supervisor, too. Its workers outlive it when it is killed, it has them made from what can be
pickled, and ends those that do not answer it for five seconds.
"""

import asyncio
import os
import shutil
import signal
import socket
import sys
import tempfile
import threading
import time
from asyncio.subprocess import PIPE, Process
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

import msgspec
import structlog
from prometheus_client.multiprocess import mark_process_dead

from coldcase.cli.console import WrongUse, first_line
from coldcase.cli.server import Server, make_server
from coldcase.logs import start_logging
from coldcase.settings import Settings
from coldcase.workers import Shared, Worker

_logger = structlog.get_logger()

AT_ONCE_S = 0.2
RARELY_S = 30.0
"""How long it is waited before a worker is started again, and how far apart tries become while they fail."""

CLOSING_S = 60.0
"""How long a worker may take to stop, beside `drain_seconds`, until it is killed."""

SERVES = b"serves\n"


class WorkerOrders(msgspec.Struct, frozen=True):
    """What a worker is told: how to serve, on which open files it listens, and who it is."""

    settings: Settings
    listeners: list[int]
    worker: Worker


def serve_with_workers(
    settings: Settings, listeners: Sequence[socket.socket], environ: Mapping[str, str]
) -> int:
    """Serves by `settings.workers` processes until SIGTERM or SIGINT; answers the exit code."""
    with tempfile.TemporaryDirectory(prefix="coldcase-workers-", ignore_cleanup_errors=True) as folder:
        return asyncio.run(_Supervisor(settings, listeners, Path(folder), environ).run())


class _Supervisor:
    def __init__(
        self,
        settings: Settings,
        listeners: Sequence[socket.socket],
        folder: Path,
        environ: Mapping[str, str],
    ) -> None:
        self._settings = settings
        self._listeners = listeners
        self._folder = folder
        # The library of the figures looks for its folder while it is imported.
        self._environ = {**environ, "PROMETHEUS_MULTIPROC_DIR": str(folder)}
        self._stopping = asyncio.Event()
        self._running: dict[int, Process] = {}

    async def run(self) -> int:
        """Keeps all of them running; 0 where each ended as it was told to."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self._stop, number)
        codes = await asyncio.gather(*(self._keep(place) for place in range(self._settings.workers)))
        return next((max(code, 1) for code in codes if code), 0)

    def _stop(self, number: signal.Signals) -> None:
        """Ends all, which finish what is in flight; a second SIGINT has them not wait for it."""
        again = self._stopping.is_set()
        self._stopping.set()
        for listener in self._listeners:
            listener.close()
        for process in self._running.values():
            _tell(process, number if again else signal.SIGTERM)
        if not again:
            asyncio.get_running_loop().call_later(self._settings.drain_seconds + CLOSING_S, self._kill)

    def _kill(self) -> None:
        for place, process in self._running.items():
            _logger.error("a worker does not stop and is killed", worker=place + 1, pid=process.pid)
            _tell(process, signal.SIGKILL)

    async def _keep(self, place: int) -> int:
        """One worker, started as often as need be; its exit code, once all are to stop."""
        pause, again = AT_ONCE_S, False
        while True:
            served, pid, code = await self._serve(place, again=again)
            mark_process_dead(pid, str(self._folder))  # type: ignore[no-untyped-call]
            Shared(self._settings.bulk_streams, self._worker(place)).release()
            if self._stopping.is_set():
                # Before it serves it knows of no signals.
                return 0 if not served and code == -signal.SIGTERM else code
            if not served and not again:
                self._stop(signal.SIGTERM)
                return code or 1
            pause = AT_ONCE_S if served else min(2 * pause, RARELY_S)
            _logger.error("a worker has ended; it is started again", worker=place + 1, pid=pid, code=code)
            with suppress(TimeoutError):
                await asyncio.wait_for(self._stopping.wait(), pause)
                return 0
            again = True

    async def _serve(self, place: int, *, again: bool) -> tuple[bool, int, int]:
        """Starts a worker and waits for its end: whether it served, its number and its exit code."""
        worker = self._worker(place, again=again)
        files = [listener.fileno() for listener in self._listeners]
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "coldcase", "serve", "--supervised"),
            stdin=PIPE,
            stdout=PIPE,
            env=self._environ,
            pass_fds=files,
            # A terminal's Ctrl-C is for the first process alone, which then says what is to be done.
            process_group=0,
        )
        self._running[place] = process
        if self._stopping.is_set():
            _tell(process, signal.SIGTERM)
        assert process.stdin is not None  # noqa: S101 - it was asked for
        assert process.stdout is not None  # noqa: S101 - as above
        with suppress(ConnectionError):
            process.stdin.write(msgspec.json.encode(WorkerOrders(self._settings, files, worker)) + b"\n")
            await process.stdin.drain()
        if served := await process.stdout.readline() == SERVES:
            _logger.info("a worker serves", worker=place + 1, pid=process.pid)
        code = await process.wait()
        del self._running[place]
        return served, process.pid, code

    def _worker(self, place: int, *, again: bool = False) -> Worker:
        return Worker(place=place, of=self._settings.workers, folder=str(self._folder), again=again)


def _tell(process: Process, number: signal.Signals) -> None:
    with suppress(ProcessLookupError):
        process.send_signal(number)


def run_worker() -> int:
    """One worker, by the orders on standard input; answers its exit code."""
    try:
        orders = msgspec.json.decode(first_line(), type=WorkerOrders)
    except msgspec.DecodeError as error:
        raise WrongUse("`coldcase serve --workers` starts this; to serve, leave --supervised out.") from error
    start_logging(orders.settings.log_level, worker=orders.worker.place + 1)
    listeners = [socket.socket(fileno=number) for number in orders.listeners]
    server = make_server(orders.settings, worker=orders.worker, when_started=_say_so)
    orphaned = threading.Event()
    longest = orders.settings.drain_seconds + CLOSING_S
    threading.Thread(
        target=_end_with_the_first, args=(server, orphaned, longest), name="first process", daemon=True
    ).start()
    server.run(sockets=listeners)
    if orphaned.is_set():
        shutil.rmtree(orders.worker.folder, ignore_errors=True)
    return 0 if server.started else 1


def _say_so() -> None:
    with suppress(BrokenPipeError):
        os.write(sys.stdout.fileno(), SERVES)


def _end_with_the_first(server: Server, orphaned: threading.Event, longest: float) -> None:
    while os.read(sys.stdin.fileno(), 1):
        pass
    orphaned.set()
    _logger.error("the process that started this worker is gone; it stops")
    server.handle_exit(signal.SIGTERM, None)
    time.sleep(longest)
    os._exit(1)
