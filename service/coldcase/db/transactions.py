"""Transactions for requests: they say plainly when the database is away, and do not wait for one that hangs."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress

import psycopg
from sqlalchemy import exc
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, AsyncTransaction

from coldcase.errors import Busy, ColdcaseError, OutcomeUnknown, StoreAway

Transaction = Callable[[], AbstractAsyncContextManager[AsyncConnection]]

AWAY = (exc.OperationalError, exc.InterfaceError, exc.TimeoutError, psycopg.OperationalError, OSError, TimeoutError)
WAITED_IN_VAIN = (
    psycopg.errors.QueryCanceled,
    psycopg.errors.LockNotAvailable,
    psycopg.errors.DeadlockDetected,
    psycopg.errors.SerializationFailure,
)
LONGEST_WAIT_S = 1.8
"""For a connection: a caller is told within two seconds that the record is away."""

_late: set[asyncio.Task[None]] = set()
"""The event loop itself holds tasks weakly."""


@asynccontextmanager
async def transaction(engine: AsyncEngine) -> AsyncIterator[AsyncConnection]:
    """One transaction, committed at the end unless the block raises.

    Raises StoreAway if the database cannot be reached, Busy if it is there and had to wait in vain, and OutcomeUnknown if
    it went away during the commit.
    """
    try:
        conn = await _connect(engine)
        try:
            async with conn.begin() as begun:
                yield conn
                await _commit(begun)
        finally:
            await conn.close()
    except AWAY as error:
        raise _meaning(error) or StoreAway from error


def _meaning(error: BaseException) -> ColdcaseError | None:
    """What the server itself said, who undid the transaction then; None if it said nothing."""
    if isinstance(error, exc.DBAPIError):
        error = error.orig or error
    if isinstance(error, WAITED_IN_VAIN):
        return Busy("The record is busy with something that this call has to wait for; nothing was changed. Send it again in a moment.")
    return None


async def _commit(begun: AsyncTransaction) -> None:
    try:
        await begun.commit()
    except AWAY as error:
        raise _meaning(error) or OutcomeUnknown from error


async def _connect(engine: AsyncEngine) -> AsyncConnection:
    """A connection, or TimeoutError in time: to cancel the attempt would mean to wait until a server that hangs has heard of it."""
    attempt = asyncio.ensure_future(_attempt(engine))
    try:
        async with asyncio.timeout(LONGEST_WAIT_S):
            return await asyncio.shield(attempt)
    except BaseException:
        late = asyncio.create_task(_give_back(attempt))
        _late.add(late)
        late.add_done_callback(_late.discard)
        raise


async def _attempt(engine: AsyncEngine) -> AsyncConnection:
    return await engine.connect()


async def _give_back(attempt: asyncio.Future[AsyncConnection]) -> None:
    """Waits for a connection that nobody waits for any more, so that its place in the pool is free again."""
    with suppress(Exception):
        await (await attempt).close()
