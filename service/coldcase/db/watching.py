"""Hearing of changed keys and rule tables: by LISTEN at once, and by a look every second where a notice does not arrive.

A notice can be lost with its connection, or never come through a pooler; the look finds what it missed. So a replica is behind by at most
POLL_SECONDS while the database is there, and catches up as soon as it is back.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from contextlib import suppress

import psycopg
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.ext.asyncio import AsyncConnection, create_async_engine
from sqlalchemy.pool import NullPool

from coldcase.db import keys, rule_tables
from coldcase.db.engine import connect_args, driver_url

log = logging.getLogger(__name__)

POLL_SECONDS = 1.0

Callback = Callable[[], Awaitable[None]]


class Watch:
    """Calls back on every change of keys or rule tables, and once for both whenever it has (re)connected."""

    def __init__(self, url: str, *, on_keys: Callback, on_tables: Callback) -> None:
        self._engine = create_async_engine(
            driver_url(url),
            poolclass=NullPool,
            isolation_level="AUTOCOMMIT",
            connect_args=connect_args("coldcase watch"),
        )
        self._on_keys = on_keys
        self._on_tables = on_tables
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begins to watch. A database that is away is no error."""
        self._task = asyncio.create_task(self._watch(), name="watch")

    async def close(self) -> None:
        """Stops."""
        if self._task is not None:
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task
        await self._engine.dispose()

    async def _watch(self) -> None:
        while True:
            try:
                async with self._engine.connect() as conn:
                    await self._listen(conn)
            except (SQLAlchemyError, psycopg.Error, OSError) as error:
                log.info("changes of keys and tables are not heard of: %s", error)
            await asyncio.sleep(POLL_SECONDS)

    async def _listen(self, conn: AsyncConnection) -> None:
        await conn.execute(text(f"LISTEN {keys.CHANGED}"))
        await conn.execute(text(f"LISTEN {rule_tables.CHANGED}"))
        seen_keys = seen_tables = ""
        while True:
            now_keys, now_tables = await keys.changes(conn), await rule_tables.changes(conn)
            if now_keys != seen_keys and await self._told(self._on_keys):
                seen_keys = now_keys
            if now_tables != seen_tables and await self._told(self._on_tables):
                seen_tables = now_tables
            await wait_for_notice(conn)

    async def _told(self, callback: Callback) -> bool:
        """Whether the callback took the news; one that failed is called again at the next look."""
        try:
            await callback()
        except Exception:
            log.exception("a change of keys or tables could not be taken over")
            return False
        return True


async def wait_for_notice(conn: AsyncConnection) -> None:
    """Returns on a notice, or when it is time to look."""
    raw = (await conn.get_raw_connection()).driver_connection
    assert raw is not None  # noqa: S101 - the connection is open
    async for _ in raw.notifies(timeout=POLL_SECONDS, stop_after=1):
        pass
