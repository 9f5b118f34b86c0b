"""The database's time, as far as a service can know it between two questions."""

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import structlog

from coldcase.errors import StoreAway

_logger = structlog.get_logger()

UNIX_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MOST_CLOCK_ERROR = timedelta(minutes=1)
"""So far from the database's, the machine's clock is said to be wrong."""


class DatabaseClock:
    """Goes by the database's clock, carried on by this process's steady one: the machine's may be years off,
    or be set meanwhile.

    `machine` reads the machine's, to say so when it is wrong; nothing else depends on it.
    """

    def __init__(self, machine: Callable[[], datetime] | None = None) -> None:
        self._ahead: timedelta | None = None
        self._machine = machine
        self._wrong = False

    def set(self, told: datetime, asked: float) -> None:
        """Takes what the database said; `asked` is when, in seconds of `time.monotonic`."""
        self._ahead = told - UNIX_EPOCH - timedelta(seconds=(asked + time.monotonic()) / 2)
        off = timedelta() if self._machine is None else self._machine() - told
        if self._wrong is not (wrong := abs(off) > MOST_CLOCK_ERROR):
            self._wrong = wrong
            _logger.warning(
                "the machine's clock and the database's differ" if wrong else "the clocks agree again",
                off_s=off.total_seconds(),
            )

    def now(self) -> datetime:
        """The database's time, UTC. Raises StoreAway while it was never heard of."""
        if self._ahead is None:
            raise StoreAway
        return UNIX_EPOCH + self._ahead + timedelta(seconds=time.monotonic())


def nanoseconds(at: datetime) -> int:
    """Since 1970."""
    return (at - UNIX_EPOCH) // timedelta(microseconds=1) * 1000
