"""Engines, the limits of each kind of connection, and whether the database is up to date."""

import asyncio
import os
import select as selecting
import socket
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from functools import partial
from typing import Any, Self, TypeVar

import msgspec
import psycopg
import structlog
from sqlalchemy import Select, event, exc, text
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg
from sqlalchemy.engine import URL, make_url
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine
from sqlalchemy.pool import NullPool, QueuePool

from coldcase.db.guards import AUDITOR_ROLE
from coldcase.db.migrating import head_revision, known_revisions
from coldcase.db.pulse import Pulse
from coldcase.errors import RightsMissing, StaleSchema

_logger = structlog.get_logger()

_Result = TypeVar("_Result")

CONNECT_SECONDS = 5
"""How long the driver and the pool may try for a connection; those who need one in time have shorter
deadlines of their own."""

UNHEARD_MILLISECONDS = 2000
"""How long a server may leave unheard what was sent to it (TCP, Linux) before the connection counts as
lost."""

KEEPALIVE = {"keepalives": 1, "keepalives_idle": 5, "keepalives_interval": 2, "keepalives_count": 3}
"""TCP asks after an idle connection, so that one that a firewall has forgotten is known to be lost after some
eleven seconds."""

SERVER_KEEPALIVE = {"tcp_keepalives_idle": 5, "tcp_keepalives_interval": 2, "tcp_keepalives_count": 3}
"""The other end, too, is to find out that a connection is lost: its backend may hold locks."""

LEFT_MILLISECONDS = 1000
"""How often a server that works on a long statement looks whether anybody still waits for it."""


class SessionLimits(msgspec.Struct, frozen=True, kw_only=True):
    """How long connections of one kind may take, in seconds.

    The server ends a statement after `statement`, a wait for a lock after `lock`, and a transaction that says
    nothing after `idle`. From here a connection is ended on which nothing comes for `answer` while something
    is waited for, and one whose transaction takes longer than `transaction`, or whose database gives no sign
    of life for `silence`.
    """

    application: str
    statement: float
    lock: float
    idle: float
    answer: float
    transaction: float
    silence: float = 0.0

    def options(self) -> str:
        """The server's settings, as libpq takes them."""
        return (
            f"-c statement_timeout={self.statement * 1000:.0f} -c lock_timeout={self.lock * 1000:.0f}"
            f" -c idle_in_transaction_session_timeout={self.idle * 1000:.0f}"
            f" -c client_connection_check_interval={LEFT_MILLISECONDS}"
            + "".join(f" -c {name}={value}" for name, value in SERVER_KEEPALIVE.items())
        )


READS = SessionLimits(application="coldcase", statement=5, lock=1.5, idle=10, answer=6, transaction=8)
SEALS = SessionLimits(application="coldcase seal", statement=60, lock=1, idle=10, answer=61, transaction=120)
AUDIT = SessionLimits(
    application="coldcase audit", statement=60, lock=1, idle=60, answer=61, transaction=900, silence=10
)
# Idle while its reader takes a batch of rows, megabytes perhaps; whoever takes nothing is cut by the HTTP
# server.
EXPORTS = SessionLimits(
    application="coldcase export", statement=3600, lock=1, idle=600, answer=61, transaction=3600, silence=10
)
BACKTESTS = SessionLimits(
    application="coldcase backtest", statement=600, lock=1, idle=60, answer=610, transaction=900
)
WATCH = SessionLimits(application="coldcase watch", statement=2, lock=0.5, idle=10, answer=2, transaction=10)


class ServiceCursor(psycopg.AsyncServerCursor[Any]):
    """A cursor on the server that is closed when its connection is lost, too."""

    async def close(self) -> None:
        """Closes it on the server, if that can be reached, and here."""
        try:
            await super().close()
        finally:
            await psycopg.AsyncCursor.close(self)


class ServiceConnection(psycopg.AsyncConnection[Any]):
    """A connection that is ended rather than waited for: when nothing comes in time, and when its query is
    cancelled.

    The server notices by itself.
    """

    answer_s = float(CONNECT_SECONDS)
    """How long nothing may come while something is waited for."""

    async def cancel_safe(self, *, timeout: float = 30.0) -> None:  # noqa: ARG002, ASYNC109 - the driver calls it so
        """Ends the connection. The driver's own would ask the server to cancel, and wait for one that
        hangs.
        """
        sever(self)

    async def wait(self, *args: Any, **kwargs: Any) -> Any:
        """As the driver's own, through which all its waiting goes."""
        timer = asyncio.get_running_loop().call_later(self.answer_s, sever, self)
        try:
            return await super().wait(*args, **kwargs)
        finally:
            timer.cancel()

    @classmethod
    async def with_limits(cls, limits: SessionLimits, *args: Any, **kwargs: Any) -> Self:
        """Connects."""
        conn = await cls.connect(*args, **kwargs)
        conn.answer_s = limits.answer
        conn.server_cursor_factory = ServiceCursor
        return conn


def sever(conn: psycopg.AsyncConnection[Any]) -> None:
    """Ends a connection from this side, at once; whoever awaits it gets an OperationalError."""
    with suppress(OSError, psycopg.Error), socket.socket(fileno=os.dup(conn.fileno())) as ours:
        ours.shutdown(socket.SHUT_RDWR)


def driver_url(url: str) -> URL:
    """The URL for SQLAlchemy, whichever of `postgres`, `postgresql` or `postgresql+psycopg` it begins
    with.
    """
    return make_url(url).set(drivername="postgresql+psycopg")


def make_engine(
    url: str, limits: SessionLimits = READS, *, connections: int = 5, pulse: Pulse | None = None
) -> AsyncEngine:
    """An engine of at most `connections` pooled connections of one kind.

    One that was lost while it lay in the pool, or that is older than the last silence of the database, is
    replaced before it is used again; that costs no round trip.
    """
    engine = create_async_engine(
        driver_url(url),
        pool_size=connections,
        max_overflow=0,
        pool_timeout=CONNECT_SECONDS,
        connect_args=connect_args(url, limits),
    )

    def connected(_: Any, record: Any) -> None:
        record.info["since"] = time.monotonic()
        record.info["fresh"] = True

    def taken(adapted: Any, record: Any, _: Any) -> None:
        # One that has just been made and is lost already is not replaced once more: its first statement says
        # so.
        fresh = record.info.pop("fresh", False)
        forgotten = pulse is not None and record.info["since"] < pulse.missed_at
        if not fresh and (forgotten or is_readable(adapted.driver_connection.fileno())):
            raise exc.InvalidatePoolError

    event.listen(engine.sync_engine, "connect", connected)
    event.listen(engine.sync_engine, "checkout", taken)
    return engine


def in_use(engine: AsyncEngine) -> int:
    """How many of its connections are taken out of the pool."""
    pool = engine.sync_engine.pool
    assert isinstance(pool, QueuePool)  # noqa: S101 - `make_engine` made it
    return pool.checkedout()


def is_readable(descriptor: int) -> bool:
    """Whether something has come from the other end: on an idle connection the news that it has ended."""
    poll = selecting.poll()
    poll.register(descriptor, selecting.POLLIN)
    return bool(poll.poll(0))


def connect_args(url: str, limits: SessionLimits) -> dict[str, Any]:
    """What a connection of the service is made with. Options in the URL itself come last and so beat
    these.
    """
    named = make_url(url).query.get("options", ())
    options = [limits.options(), *([named] if isinstance(named, str) else named)]
    return {
        **KEEPALIVE,
        "connect_timeout": CONNECT_SECONDS,
        "tcp_user_timeout": UNHEARD_MILLISECONDS,
        "application_name": limits.application,
        "options": " ".join(options),
        "async_creator_fn": partial(ServiceConnection.with_limits, limits),
    }


def run_once(url: str, work: Callable[[AsyncConnection], Awaitable[_Result]]) -> _Result:
    """Runs `work` in one transaction of its own and commits it: for a command line, outside any event
    loop.
    """

    async def in_transaction() -> _Result:
        engine = create_async_engine(
            driver_url(url), poolclass=NullPool, connect_args={"application_name": "coldcase"}
        )
        try:
            async with engine.begin() as conn:
                return await work(conn)
        finally:
            await engine.dispose()

    return asyncio.run(in_transaction())


async def current_revision(conn: AsyncConnection) -> str | None:
    """The revision that the database is at, None on an empty one."""
    if await conn.scalar(text("SELECT to_regclass('alembic_version') IS NULL")):
        return None
    found: str | None = await conn.scalar(text("SELECT version_num FROM alembic_version"))
    return found


async def require_current(conn: AsyncConnection) -> None:
    """Raises StaleSchema where the database is older than this release.

    A revision that this release does not know is a newer one's: releases add before they take away, so a
    replica goes on.
    """
    found, wanted = await current_revision(conn), head_revision()
    if found is None or (found != wanted and found in known_revisions()):
        raise StaleSchema(
            f"The database is at {found or 'no revision'}, this service needs {wanted}: run "
            "`coldcase migrate`."
        )
    if found != wanted:
        _logger.warning("a newer release made the schema; this one goes on", found=found, wanted=wanted)


async def require_ready(conn: AsyncConnection) -> None:
    """As `require_current`, for the service's role: raises RightsMissing too, where it could not do its
    work.
    """
    reads = text(
        "SELECT to_regclass('alembic_version') IS NULL OR has_table_privilege('alembic_version', 'SELECT')"
    )
    audits = text("SELECT bool_or(pg_has_role(oid, 'SET')) FROM pg_roles WHERE rolname = :auditor")
    if not await conn.scalar(reads):
        raise RightsMissing("The service's role may not read the record: run `coldcase migrate`.")
    await require_current(conn)
    if not await conn.scalar(audits, {"auditor": AUDITOR_ROLE}):
        raise RightsMissing(
            f"The service's role may not act as {AUDITOR_ROLE}, so nothing could be sealed: run "
            "`coldcase migrate`."
        )


async def raw_connection(conn: AsyncConnection) -> psycopg.AsyncConnection[Any]:
    """The driver's own connection, in the same transaction: for COPY and for cursors that live on the
    server.
    """
    raw: psycopg.AsyncConnection[Any] | None = (await conn.get_raw_connection()).driver_connection
    assert raw is not None  # noqa: S101 - the connection is open
    return raw


def driver_of(conn: AsyncConnection) -> psycopg.AsyncConnection[Any]:
    """The driver's own connection of one that has just been opened, without an await in between."""
    synchronous = conn.sync_connection
    assert synchronous is not None  # noqa: S101 - the connection is open
    raw: psycopg.AsyncConnection[Any] = synchronous.connection.driver_connection  # type: ignore[assignment]
    return raw


def as_driver_takes(query: Select[Any]) -> tuple[str, dict[str, Any]]:
    """A query as the driver's own connection takes it."""
    compiled = query.compile(dialect=PGDialect_psycopg())  # type: ignore[no-untyped-call]
    return str(compiled), dict(compiled.params)
