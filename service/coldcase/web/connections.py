"""All open connections of a server: how long each may wait, how many there may be, and what is said when one
is cut.
"""

import asyncio
import ipaddress
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Protocol as Interface

import msgspec
import structlog

from coldcase.web.metrics import Metrics

_logger = structlog.get_logger()

Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class Limits(msgspec.Struct, frozen=True):
    """What one connection may cost: bytes, numbers and seconds."""

    head_bytes: int = 32 * 1024
    head_fields: int = 100
    body_bytes: int = 64 * 1024
    """A body up to here is waited for before the request is started; a larger one is the application's to
    refuse."""
    rest_bytes: int = 2 * 1024 * 1024
    """How much of a body is still read once its request has been answered."""
    pipelined: int = 8
    head_seconds: float = 10
    body_seconds: float = 10
    unread_seconds: float = 20
    unread_progress: int = 20 * 1024
    """So many bytes taken within `unread_seconds` make a slow reader and not one who left."""
    closing_seconds: float = 2
    first_seconds: float = 0.5
    """How long a service that stops waits for the first request on a connection."""
    sweep_seconds: float = 1
    most_held: int = 64 * 1024 * 1024
    """Bytes of bodies that are waited for, and bytes that callers do not read: so many of each in all."""


class CallerConnection(Interface):
    """What the register asks of a connection."""

    def unsent(self) -> int:
        """How many bytes wait to be read by the peer."""

    def expire_head(self) -> None:
        """The head did not arrive in time, or its place is needed."""

    def expire_body(self) -> None:
        """The body did not arrive in time, or its place is needed."""

    def abort(self) -> None:
        """Drops the connection with all that waits."""

    def is_closing(self) -> bool:
        """Whether it was closed and only waits for its last bytes to be read."""


class Connections:
    """The register of open connections.

    Each waiting connection is in the map of what it waits for, the longest waiting first; so a sweep looks
    only at those whose time is up, and when there are too many it is the one that has waited longest that
    goes, not the one that comes.
    """

    def __init__(
        self,
        limits: Limits,
        *,
        most: int,
        per_address: int | None = None,
        trusted: Sequence[Network] = (),
        metrics: Metrics | None = None,
    ) -> None:
        self.limits = limits
        self.most = most
        self.per_address = per_address
        self.trusted = trusted
        self.open: set[CallerConnection] = set()
        self.heads: dict[CallerConnection, float] = {}
        self.bodies: dict[CallerConnection, float] = {}
        self.unread: dict[CallerConnection, tuple[float, int]] = {}
        self.closing: dict[CallerConnection, float] = {}
        self.body_bytes = 0
        self.unread_bytes = 0
        self._by_address: Counter[str] = Counter()
        self._say = ThrottledLog(metrics)
        self._unread_seconds = limits.unread_seconds
        self._sweeping: asyncio.TimerHandle | None = None
        self._due = 0.0
        self._late = False

    def hurry(self) -> None:
        """From now on whoever does not read is not waited for: the server is about to stop."""
        self._unread_seconds = min(self._unread_seconds, self.limits.closing_seconds)

    def admit(self, connection: CallerConnection, address: str | None) -> bool:
        """Takes a new connection in, at the cost of the longest waiting one where there are too many; False
        if there is no room.
        """
        self.open.add(connection)
        if address is not None:
            self._by_address[address] += 1
        if self._sweeping is None:
            self._plan_sweep(asyncio.get_running_loop())
        if (
            self.per_address
            and address
            and self._by_address[address] > self.per_address
            and not self._is_trusted(address)
        ):
            self.cut("too many connections of one address", address)
            return False
        if len(self.open) > self.most:
            self.cut("too many connections", address)
            return self._make_room()
        return True

    def leave(self, connection: CallerConnection, address: str | None) -> None:
        """A connection has ended."""
        self.open.discard(connection)
        if address is not None:
            self._by_address[address] -= 1
            if self._by_address[address] <= 0:
                del self._by_address[address]
        self.heads.pop(connection, None)
        self.bodies.pop(connection, None)
        self.closing.pop(connection, None)
        self.is_read(connection)

    def holds_body(self, more: int) -> None:
        """So many more (or fewer) bytes of bodies are held; where they are too many, the one that has waited
        longest goes.
        """
        self.body_bytes += more
        while self.body_bytes > self.limits.most_held and self.bodies:
            self.cut("too many bytes of unfinished bodies", None)
            next(iter(self.bodies)).expire_body()

    def is_unread(self, connection: CallerConnection, now: float) -> None:
        """The peer does not read what is sent."""
        self.is_read(connection)
        size = connection.unsent()
        self.unread[connection] = now, size
        self.unread_bytes += size
        while self.unread_bytes > self.limits.most_held and self.unread:
            self.cut("too many unread bytes", None)
            self._drop(next(iter(self.unread)))

    def is_read(self, connection: CallerConnection) -> None:
        """The peer reads again, or is gone."""
        known = self.unread.pop(connection, None)
        if known is not None:
            self.unread_bytes -= known[1]

    def cut(self, why: str, address: str | None) -> None:
        """Counts and logs that a connection was refused or ended before its time."""
        self._say("connection cut", why, address)

    def _is_trusted(self, address: str) -> bool:
        peer = ipaddress.ip_address(address.partition("%")[0])
        return any(peer in network for network in self.trusted)

    def _make_room(self) -> bool:
        for waiting in (self.closing, self.heads, self.bodies):
            # The newcomer itself waits nowhere yet.
            oldest = next(iter(waiting), None)
            if oldest is not None:
                self._drop(oldest)
                return True
        return False

    def _drop(self, connection: CallerConnection) -> None:
        self.is_read(connection)
        for waiting in (self.closing, self.heads, self.bodies):
            waiting.pop(connection, None)
        connection.abort()

    def _sweep(self) -> None:
        loop = asyncio.get_running_loop()
        now = loop.time()
        # Where the loop itself stood, what came meanwhile is read before anybody is told that it did not
        # come.
        self._late = not self._late and now > self._due + self.limits.sweep_seconds
        if not self._late:
            self._end_waits(now)
        self._plan_sweep(loop)

    def _plan_sweep(self, loop: asyncio.AbstractEventLoop) -> None:
        self._due = loop.time() + self.limits.sweep_seconds
        self._sweeping = loop.call_later(self.limits.sweep_seconds, self._sweep) if self.open else None

    def _end_waits(self, now: float) -> None:
        _expire(self.heads, now - self.limits.head_seconds, lambda connection: connection.expire_head())
        _expire(self.bodies, now - self.limits.body_seconds, lambda connection: connection.expire_body())
        _expire(self.closing, now - self.limits.closing_seconds, self._drop)
        self._end_unread(now)

    def _end_unread(self, now: float) -> None:
        for connection in [
            each for each in self.open if each not in self.unread and each.is_closing() and each.unsent()
        ]:
            self.is_unread(connection, now)
        while self.unread:
            connection, (since, size) = next(iter(self.unread.items()))
            if since > now - self._unread_seconds:
                return
            if size - connection.unsent() >= self.limits.unread_progress:
                self.is_unread(connection, now)
            else:
                self.cut("its answers are not read", None)
                self._drop(connection)


def _expire(
    waiting: dict[CallerConnection, float], before: float, end: Callable[[CallerConnection], None]
) -> None:
    while waiting:
        connection, since = next(iter(waiting.items()))
        if since > before:
            return
        del waiting[connection]
        end(connection)


class ThrottledLog:
    """Log lines of which each kind comes once a second at most, with how often it happened."""

    def __init__(self, metrics: Metrics | None = None) -> None:
        self._metrics = metrics
        self._more: dict[tuple[str, str], tuple[int, str | None, dict[str, int]]] = {}

    def __call__(self, event: str, why: str, address: str | None, **named: int) -> None:
        """Says it now, or counts it into the line that comes when the second is over; that names the last of
        the callers.
        """
        if self._metrics is not None:
            self._metrics.cut.labels(why).inc()
        if (event, why) in self._more:
            self._more[event, why] = self._more[event, why][0] + 1, address, named
        else:
            self._log(event, why, 1, address, named)

    def _log(self, event: str, why: str, count: int, address: str | None, named: dict[str, int]) -> None:
        _logger.warning(event, why=why, count=count, remote=address, **named)
        self._more[event, why] = 0, None, {}
        asyncio.get_running_loop().call_later(1, self._second_over, event, why)

    def _second_over(self, event: str, why: str) -> None:
        count, address, named = self._more.pop((event, why))
        if count:
            self._log(event, why, count, address, named)
