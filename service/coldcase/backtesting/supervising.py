"""Backtests get a process of their own, beside the service, which ends with it and is told how much the
service has to do.
"""

import asyncio
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import Callable
from contextlib import suppress

import msgspec
import structlog

from coldcase.db import backtests
from coldcase.db.transactions import Transaction
from coldcase.errors import ColdcaseError

_logger = structlog.get_logger(__name__)

LOOK_SECONDS = 5.0
"""How often it is looked for a backtest that waits: another replica may have been ended in the middle of
one.
"""

TELL_SECONDS = 0.25
QUIET_REQUESTS = 2
"""Requests a second that are nobody's load: probes and figures."""

END_SECONDS = 3.0
"""How long the process may take to end when the service does."""


class Orders(msgspec.Struct, frozen=True):
    """What the process is told first: its record, how much of its time it may work while the service has
    something to do, by how many processes, and what it logs.
    """

    database_url: str
    share: float
    jobs: int
    log_level: str


BUSY, QUIET = b"busy\n", b"quiet\n"
"""What it is told from then on, several times a second; when nothing comes any more, the service is gone."""


class Backtests:
    """Starts the process that works backtests off whenever one waits. `answered` counts requests so far."""

    def __init__(self, transaction: Transaction, orders: Orders, answered: Callable[[], int]) -> None:
        self._transaction = transaction
        self._orders = orders
        self._answered = answered
        self._wake = asyncio.Event()
        self._closing = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begins to look."""
        self._task = asyncio.create_task(self._look(), name="backtests")

    def wake(self) -> None:
        """Says that one waits."""
        self._wake.set()

    async def close(self) -> None:
        """Ends the process; the backtest that it worked on is carried on by the next."""
        self._closing.set()
        self._wake.set()
        if self._task is not None:
            await self._task

    async def _look(self) -> None:
        while not self._closing.is_set():
            self._wake.clear()
            try:
                async with self._transaction() as conn:
                    waits = await backtests.nobody_works(conn)
                if waits:
                    await self._run()
            except ColdcaseError as error:
                _logger.warning("no backtest was begun", why=error.detail)
            except Exception:
                _logger.exception("backtests failed in an unforeseen way")
            if not self._closing.is_set():
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._wake.wait(), LOOK_SECONDS)

    async def _run(self) -> None:
        """One process, until it ends or the service does."""
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "coldcase", "backtests", "--supervised", stdin=PIPE, stdout=DEVNULL
        )
        helpers = [
            asyncio.create_task(self._tell(process)),
            asyncio.create_task(self._end_with_the_service(process)),
        ]
        try:
            if code := await process.wait():
                _logger.warning("the process of backtests ended", code=code)
        finally:
            for helper in helpers:
                helper.cancel()
            _kill(process)

    async def _end_with_the_service(self, process: Process) -> None:
        await self._closing.wait()
        with suppress(ProcessLookupError):
            process.terminate()
        await asyncio.sleep(END_SECONDS)
        _kill(process)

    async def _tell(self, process: Process) -> None:
        """Everything that the process is told; a pipe that nobody reads any more is the end of it."""
        told = process.stdin
        assert told is not None  # noqa: S101 - it was asked for
        with suppress(ConnectionError):
            told.write(msgspec.json.encode(self._orders) + b"\n")
            before = self._answered()
            while True:
                await told.drain()
                await asyncio.sleep(TELL_SECONDS)
                now = self._answered()
                told.write(BUSY if now - before > QUIET_REQUESTS * TELL_SECONDS else QUIET)
                before = now


def _kill(process: Process) -> None:
    if process.returncode is None:
        with suppress(ProcessLookupError):
            process.kill()
