"""Listening to the database (LISTEN and a poll): of changed keys and rule tables, and whether it answers at
all.

A change is heard of by LISTEN at once, and by a look every half second where a notice does not arrive: it can
be lost with its connection, or never come through a pooler. So a replica is behind by at most POLL_SECONDS
while the database is there, and catches up as soon as it is back. Each look is also what `Pulse` goes by.
"""

import asyncio
import time
from collections.abc import Awaitable, Callable, Iterable, Mapping
from contextlib import suppress

import psycopg
import structlog
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.ext.asyncio import AsyncConnection, create_async_engine
from sqlalchemy.pool import NullPool

from coldcase.db import keys, rule_tables
from coldcase.db.engine import WATCH, connect_args, driver_of, driver_url
from coldcase.db.keys import ApiKey
from coldcase.db.pulse import Pulse, within
from coldcase.errors import ColdcaseError

_logger = structlog.get_logger()

POLL_SECONDS = 0.5
ANSWER_SECONDS = 1.0
"""How long an answer may take. A transaction that began just after a look is ended within POLL_SECONDS and
this."""

ASKED_SECONDS = 0.1
"""How often at most a look is taken because somebody asks for it."""

START_SECONDS, CLOSE_SECONDS = 10.0, 2.0

NewKeys = Callable[[Mapping[bytes, ApiKey]], None]
Callback = Callable[[], Awaitable[None]]


class ChangeListener:
    """Hands over all good keys, by the digest of their secret, and calls back for rule tables: on every
    change and on (re)connecting.

    What it hears, and misses, it tells `pulse`.
    """

    def __init__(
        self, url: str, *, on_keys: NewKeys, on_tables: Callback, pulse: Pulse | None = None
    ) -> None:
        self.pulse = pulse or Pulse()
        self._engine = create_async_engine(
            driver_url(url),
            poolclass=NullPool,
            isolation_level="AUTOCOMMIT",
            connect_args=connect_args(url, WATCH),
        )
        self._on_keys = on_keys
        self._on_tables = on_tables
        self._seen_keys = self._seen_tables = ""
        self._known: dict[bytes, ApiKey] = {}
        self._digests: dict[bytes, bytes] = {}
        self._wake = asyncio.Event()
        self._asked: list[asyncio.Future[bool]] = []
        self._first = asyncio.Event()
        self._connected = False
        self._task: asyncio.Task[None] | None = None
        self._refreshing: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begins to watch; returns when it knows all keys. A database that is away is no error."""
        self._task = asyncio.create_task(self._watch(), name="watch")
        with suppress(TimeoutError):
            await asyncio.wait_for(self._first.wait(), START_SECONDS)

    async def close(self) -> None:
        """Stops, within CLOSE_SECONDS."""
        tasks = [task for task in (self._task, self._refreshing) if task is not None]
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks, timeout=CLOSE_SECONDS)
        await self._engine.dispose()

    async def look(self) -> bool:
        """Looks for changes now; whether it could. Whoever asks at the same time shares one look."""
        if not self._connected or self.pulse.silent:
            return False
        looked: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        self._asked.append(looked)
        self._wake.set()
        return await looked

    async def _watch(self) -> None:
        while True:
            try:
                await self._listen()
            except TimeoutError:
                self._missed()
            except (SQLAlchemyError, psycopg.Error, OSError) as error:
                _logger.info("changes are not heard of", error=str(error))
            except Exception:
                _logger.exception("watching failed in an unforeseen way")
            self._first.set()
            await asyncio.sleep(POLL_SECONDS)

    async def _listen(self) -> None:
        conn = await within(ANSWER_SECONDS, self._connect(), undo=AsyncConnection.close)
        try:
            self._seen_keys = self._seen_tables = ""
            self._connected = True
            while True:
                self._wake.clear()
                looked_at, asked = time.monotonic(), self._who_asked()
                try:
                    await self._look(conn)
                except BaseException:
                    answer_all(asked, good=False)
                    raise
                answer_all(asked, good=True)
                self._first.set()
                await self._pause(driver_of(conn).fileno())
                if self._asked:
                    await asyncio.sleep(looked_at + ASKED_SECONDS - time.monotonic())
        finally:
            self._connected = False
            answer_all(self._who_asked(), good=False)
            with suppress(TimeoutError, SQLAlchemyError, psycopg.Error):
                await within(ANSWER_SECONDS, conn.close())

    async def _connect(self) -> AsyncConnection:
        conn = await self._engine.connect()
        try:
            driver_of(conn).add_notify_handler(lambda _: self._wake.set())
            await conn.execute(text(f"LISTEN {keys.KEYS_CHANGED}"))
            await conn.execute(text(f"LISTEN {rule_tables.TABLES_CHANGED}"))
        except BaseException:
            await conn.close()
            raise
        return conn

    async def _look(self, conn: AsyncConnection) -> None:
        mark_of_keys, mark_of_tables = await within(ANSWER_SECONDS, read_marks(conn))
        self._heard()
        if mark_of_keys != self._seen_keys:
            await self._take_over_keys(conn)
            self._seen_keys = mark_of_keys
        if mark_of_tables != self._seen_tables and self._refreshing is None:
            self._refreshing = asyncio.create_task(self._refresh(mark_of_tables))

    async def _take_over_keys(self, conn: AsyncConnection) -> None:
        """Hands over what has changed: first without those that are gone, for a revoked key is urgent, then
        page by page the new.
        """
        tokens = await within(ANSWER_SECONDS, keys.good_tokens(conn))
        gone, new = self._digests.keys() - tokens, list(tokens - self._digests.keys())
        for token in gone:
            del self._known[self._digests.pop(token)]
        if gone or not new:
            self._on_keys(dict(self._known))
        for start in range(0, len(new), keys.PAGE):
            page = await within(ANSWER_SECONDS, keys.page_of(conn, new[start : start + keys.PAGE]))
            self._heard()
            for token, (digest, key) in page.items():
                self._digests[token], self._known[digest] = digest, key
        if new:
            self._on_keys(dict(self._known))

    async def _refresh(self, mark: str) -> None:
        """Tells of new tables, beside the looks; what failed is told again at the next look."""
        try:
            await self._on_tables()
            self._seen_tables = mark
        except ColdcaseError as error:
            _logger.warning("a change of rule tables could not be taken over", error=error.detail)
        except Exception:
            _logger.exception("a change of rule tables could not be taken over")
        finally:
            self._refreshing = None

    async def _pause(self, descriptor: int) -> None:
        """Until something comes from the database, somebody asks, or it is time to look."""
        loop = asyncio.get_running_loop()
        loop.add_reader(descriptor, self._wake.set)
        try:
            async with asyncio.timeout(POLL_SECONDS):
                await self._wake.wait()
        except TimeoutError:
            pass
        finally:
            loop.remove_reader(descriptor)

    def _who_asked(self) -> list["asyncio.Future[bool]"]:
        asked, self._asked = self._asked, []
        return asked

    def _heard(self) -> None:
        if self.pulse.silent:
            _logger.warning("the database answers again", silent_s=round(self.pulse.silent_s, 1))
        self.pulse.heard()

    def _missed(self) -> None:
        if not self.pulse.silent:
            _logger.warning("the database does not answer", silent_s=round(self.pulse.silent_s, 1))
        self.pulse.missed()


async def read_marks(conn: AsyncConnection) -> tuple[str, str]:
    """Marks of the keys and of the rule tables: other ones once anything was changed."""
    return await keys.keys_mark(conn), await rule_tables.tables_mark(conn)


def answer_all(asked: Iterable["asyncio.Future[bool]"], *, good: bool) -> None:
    """Lets those go on who asked for a look."""
    for looked in asked:
        if not looked.done():
            looked.set_result(good)
