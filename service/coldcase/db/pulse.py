"""Whether the database answers at all, and hard deadlines for whatever waits for it."""

import asyncio
import time
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

_Result = TypeVar("_Result")

STEPS = 4
"""A deadline is waited for in steps, so that an event loop that stood still does not blame the database for
it."""

_abandoned: set[asyncio.Task[Any]] = set()
"""The event loop itself holds tasks weakly."""


class Pulse:
    """When the database last answered, as its watcher hears, and who is to be told when it does not.

    `silent` is true from a missed answer until the next one that comes; `missed_at` is when the last answer
    was missed, on the monotonic clock.
    """

    def __init__(self) -> None:
        self.silent = False
        self.heard_at = time.monotonic()
        self.missed_at = float("-inf")
        self._held: dict[Callable[[], None], float] = {}

    @property
    def silent_s(self) -> float:
        """Seconds since the database last answered."""
        return time.monotonic() - self.heard_at

    def heard(self) -> None:
        """The database has answered."""
        self.heard_at = time.monotonic()
        self.silent = False

    def missed(self) -> None:
        """An answer is overdue: whoever is out of patience is told to end."""
        self.missed_at = time.monotonic()
        self.silent = True
        silent_s = self.silent_s
        for end, patience in list(self._held.items()):
            if patience <= silent_s:
                end()

    @contextmanager
    def holding(self, end: Callable[[], None], patience: float) -> Iterator[None]:
        """Calls `end` if the database is silent for longer than `patience` seconds while the block runs."""
        self._held[end] = patience
        try:
            yield
        finally:
            del self._held[end]


async def within(
    seconds: float,
    work: Coroutine[Any, Any, _Result],
    *,
    undo: Callable[[_Result], Awaitable[Any]] | None = None,
) -> _Result:
    """What `work` comes to. Raises TimeoutError if it takes longer.

    The deadline is hard: work that is late, or whose caller was cancelled, is cancelled and not waited for;
    if it comes to something all the same, `undo` is called with that.
    """
    task = asyncio.create_task(work)
    try:
        for _ in range(STEPS):
            await asyncio.wait({task}, timeout=seconds / STEPS)
            if task.done():
                break
    except asyncio.CancelledError:
        _abandon(task, undo)
        raise
    if not task.done():
        _abandon(task, undo)
        raise TimeoutError
    return task.result()


def _abandon(task: asyncio.Task[_Result], undo: Callable[[_Result], Awaitable[Any]] | None) -> None:
    task.cancel()
    ending = asyncio.create_task(_end(task, undo))
    _abandoned.add(ending)
    ending.add_done_callback(_abandoned.discard)


async def _end(task: asyncio.Task[_Result], undo: Callable[[_Result], Awaitable[Any]] | None) -> None:
    [result] = await asyncio.gather(task, return_exceptions=True)
    if undo is not None and not isinstance(result, BaseException):
        await asyncio.gather(undo(result), return_exceptions=True)
