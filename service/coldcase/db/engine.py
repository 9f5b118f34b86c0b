"""Engines, one URL for async and sync alike, and whether the database is up to date."""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

import psycopg
from sqlalchemy import Select, text
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg
from sqlalchemy.engine import URL, make_url
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine
from sqlalchemy.pool import NullPool

from coldcase.db.guards import AUDITOR_ROLE
from coldcase.db.migrating import head_revision, known_revisions
from coldcase.errors import RightsMissing, StaleSchema

log = logging.getLogger(__name__)

T = TypeVar("T")

CONNECT_SECONDS = 2
"""How long a connection may take to come about: recording calls promise an answer within two seconds when the database is away."""

UNHEARD_MILLISECONDS = 2000
"""How long a server may leave unheard what was sent to it (TCP, Linux) before the connection counts as lost."""


def driver_url(url: str) -> URL:
    """The URL for SQLAlchemy, whichever of `postgres`, `postgresql` or `postgresql+psycopg` it begins with."""
    return make_url(url).set(drivername="postgresql+psycopg")


def make_engine(url: str, *, connections: int = 5) -> AsyncEngine:
    """An engine of at most `connections` pooled connections, each tried before it is used again."""
    return create_async_engine(
        driver_url(url),
        pool_size=connections,
        max_overflow=0,
        pool_timeout=CONNECT_SECONDS,
        pool_pre_ping=True,
        connect_args=connect_args("coldcase"),
    )


def connect_args(application: str) -> dict[str, Any]:
    """What a service's connection is made with: one that hangs is given up."""
    return {"connect_timeout": CONNECT_SECONDS, "tcp_user_timeout": UNHEARD_MILLISECONDS, "application_name": application}


def run_once(url: str, work: Callable[[AsyncConnection], Awaitable[T]]) -> T:
    """Runs `work` in one transaction of its own and commits it: for a command line, outside any event loop."""

    async def in_transaction() -> T:
        engine = create_async_engine(driver_url(url), poolclass=NullPool, connect_args={"application_name": "coldcase"})
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

    A revision that this release does not know is a newer one's: releases add before they take away, so a replica goes on.
    """
    found, wanted = await current_revision(conn), head_revision()
    if found is None or (found != wanted and found in known_revisions()):
        raise StaleSchema(f"The database is at {found or 'no revision'}, this service needs {wanted}: run `coldcase migrate`.")
    if found != wanted:
        log.warning("the database is at %s, which a newer release made; this one was written for %s and goes on", found, wanted)


async def require_ready(conn: AsyncConnection) -> None:
    """As `require_current`, for the service's role: raises RightsMissing too, where it could not do its work."""
    reads = text("SELECT to_regclass('alembic_version') IS NULL OR has_table_privilege('alembic_version', 'SELECT')")
    audits = text("SELECT bool_or(pg_has_role(oid, 'SET')) FROM pg_roles WHERE rolname = :auditor")
    if not await conn.scalar(reads):
        raise RightsMissing("The service's role may not read the record: run `coldcase migrate`.")
    await require_current(conn)
    if not await conn.scalar(audits, {"auditor": AUDITOR_ROLE}):
        raise RightsMissing(f"The service's role may not act as {AUDITOR_ROLE}, so nothing could be sealed: run `coldcase migrate`.")


async def raw_connection(conn: AsyncConnection) -> psycopg.AsyncConnection[Any]:
    """The driver's own connection, in the same transaction: for COPY and for cursors that live on the server."""
    raw: psycopg.AsyncConnection[Any] | None = (await conn.get_raw_connection()).driver_connection
    assert raw is not None  # noqa: S101 - the connection is open
    return raw


def as_driver_takes(query: Select[Any]) -> tuple[str, dict[str, Any]]:
    """A query as the driver's own connection takes it."""
    compiled = query.compile(dialect=PGDialect_psycopg())  # type: ignore[no-untyped-call]
    return str(compiled), dict(compiled.params)
