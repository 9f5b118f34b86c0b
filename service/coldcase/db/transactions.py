"""Transactions for requests: they say plainly when the database is away."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager

import psycopg
from sqlalchemy import exc
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine

from coldcase.errors import StoreAway

Transaction = Callable[[], AbstractAsyncContextManager[AsyncConnection]]

AWAY = (exc.OperationalError, exc.InterfaceError, exc.TimeoutError, psycopg.OperationalError, OSError, TimeoutError)
LONGEST_WAIT_S = 1.8
"""For a connection: a caller is told within two seconds that the record is away."""


@asynccontextmanager
async def transaction(engine: AsyncEngine) -> AsyncIterator[AsyncConnection]:
    """One transaction, committed at the end unless the block raises. Raises StoreAway if the database cannot be reached."""
    try:
        async with asyncio.timeout(LONGEST_WAIT_S):
            conn = await engine.connect()
        try:
            async with conn.begin():
                yield conn
        finally:
            await conn.close()
    except AWAY as error:
        raise StoreAway from error
