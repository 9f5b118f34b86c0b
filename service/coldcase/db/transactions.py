"""Transactions for requests: they say plainly when the database is away, and do not wait for one that
hangs.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from functools import partial

import psycopg
from sqlalchemy import exc
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, AsyncTransaction

from coldcase.db.engine import READS, SessionLimits, driver_of, sever
from coldcase.db.pulse import Pulse, within
from coldcase.errors import Busy, ColdcaseError, OutcomeUnknown, StoreAway

Transaction = Callable[[], AbstractAsyncContextManager[AsyncConnection]]

AWAY = (
    exc.OperationalError,
    exc.InterfaceError,
    exc.TimeoutError,
    psycopg.OperationalError,
    OSError,
    TimeoutError,
)
WAIT_ERRORS = (
    psycopg.errors.QueryCanceled,
    psycopg.errors.LockNotAvailable,
    psycopg.errors.DeadlockDetected,
    psycopg.errors.SerializationFailure,
)
LONGEST_CONNECT_S = 1.8
"""For a connection: a caller is told within two seconds that the record is away."""


@asynccontextmanager
async def transaction(
    engine: AsyncEngine, limits: SessionLimits = READS, *, pulse: Pulse | None = None
) -> AsyncIterator[AsyncConnection]:
    """One transaction, committed at the end unless the block raises.

    Raises StoreAway if the database cannot be reached, gives no sign of life or takes longer than `limits`
    allow, Busy if it is there and had to wait in vain, and OutcomeUnknown if it went away during the commit.
    """
    try:
        async with _connection(engine, limits, pulse or Pulse()) as conn, conn.begin() as begun:
            yield conn
            await _commit(begun)
    except AWAY as error:
        raise _meaning(error) or StoreAway from error
    except (exc.InternalError, psycopg.InternalError) as error:
        if isinstance(_cause(error), psycopg.errors.ReadOnlySqlTransaction):
            raise StoreAway from error
        raise


@asynccontextmanager
async def _connection(
    engine: AsyncEngine, limits: SessionLimits, pulse: Pulse
) -> AsyncIterator[AsyncConnection]:
    """A connection that is severed when its time is over: what waits for it then fails, and nothing waits for
    what hangs.
    """
    _refuse_while_silent(pulse)
    conn = await within(LONGEST_CONNECT_S, _connect(engine), undo=AsyncConnection.close)
    async with AsyncExitStack() as stack:
        # From the last to the first: a rollback may hang as any statement may, so the timer has to outlive
        # it.
        end = partial(sever, driver_of(conn))
        stack.callback(asyncio.get_running_loop().call_later(limits.transaction, end).cancel)
        stack.enter_context(pulse.holding(end, limits.silence))
        stack.push_async_callback(conn.close)
        _refuse_while_silent(pulse)
        yield conn


def _refuse_while_silent(pulse: Pulse) -> None:
    if pulse.silent:
        raise StoreAway


async def _connect(engine: AsyncEngine) -> AsyncConnection:
    return await engine.connect()


def _meaning(error: BaseException) -> ColdcaseError | None:
    """What the server itself said, who undid the transaction then; None if it said nothing."""
    if isinstance(_cause(error), WAIT_ERRORS):
        return Busy(
            "The record is busy with something that this call has to wait for; nothing was changed. "
            "Send it again in a moment."
        )
    return None


def _cause(error: BaseException) -> BaseException:
    """The driver's own error."""
    return (error.orig or error) if isinstance(error, exc.DBAPIError) else error


async def _commit(begun: AsyncTransaction) -> None:
    try:
        await begun.commit()
    except AWAY as error:
        raise _meaning(error) or OutcomeUnknown from error
