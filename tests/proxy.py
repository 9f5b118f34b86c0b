"""A TCP proxy before PostgreSQL that can go silent, as a network does whose firewall has lost its state, and
switch servers."""

import asyncio
import threading
from contextlib import suppress
from typing import Self
from urllib.parse import urlsplit

from coldcase.db import embedded


def socket_of(server: embedded.Embedded) -> str:
    """The Unix socket that an embedded server listens on."""
    return str(embedded.socket_folder(server.folder) / ".s.PGSQL.5432")


class Proxy:
    """Passes bytes on to a Unix socket from a port of its own, in a thread of its own.

    `freeze` swallows everything: connections that stand then never say anything again, not even that they are
    lost, and new ones are taken and left silent. After `thaw` new connections are good; the old ones stay
    silent, unless nothing was to be lost: then all goes on where it stopped.
    """

    def __init__(self, target: str) -> None:
        self.target = target
        self.taken = 0
        self._frozen = False
        self._age = 0
        self._loop = asyncio.new_event_loop()
        self._flowing = asyncio.Event()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._tasks: set[asyncio.Task[None]] = set()

    def __enter__(self) -> Self:
        self._thread.start()
        self._loop.call_soon_threadsafe(self._flowing.set)
        self._server = asyncio.run_coroutine_threadsafe(
            asyncio.start_server(self._accept, "127.0.0.1", 0), self._loop
        ).result()
        self.port = int(self._server.sockets[0].getsockname()[1])
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.run_coroutine_threadsafe(self._end(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    async def _end(self) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def url(self, role: str, database: str) -> str:
        """The server's address through the proxy."""
        return f"postgresql+psycopg://{role}@127.0.0.1:{self.port}/{database}"

    def instead_of(self, url: str) -> str:
        """The address of the same role and database, through the proxy."""
        parts = urlsplit(url)
        return self.url(str(parts.username), parts.path.strip("/"))

    def freeze(self) -> None:
        """From now on nothing arrives on either side, and what is sent meanwhile is lost."""
        self._frozen = True
        self._age += 1

    def hold(self) -> None:
        """From now on nothing arrives on either side, but nothing is lost: `thaw` lets it go on."""
        self._loop.call_soon_threadsafe(self._flowing.clear)

    def thaw(self, target: str | None = None) -> None:
        """Lets new connections through, to another server if one is named."""
        self.target = target or self.target
        self._frozen = False
        self._loop.call_soon_threadsafe(self._flowing.set)

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.taken += 1
        age = self._age
        try:
            if self._frozen:
                await self._swallow(reader)
                return
            theirs, ours = await asyncio.open_unix_connection(self.target)
            try:
                await asyncio.gather(self._pass(reader, ours, age), self._pass(theirs, writer, age))
            finally:
                ours.close()
        except (OSError, asyncio.CancelledError):
            pass  # cancelled by `_end` alone; asyncio would log it
        finally:
            writer.close()
            self._tasks.discard(task)

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, age: int) -> None:
        with suppress(OSError):
            while piece := await reader.read(65536):
                await self._flowing.wait()
                if age == self._age:
                    writer.write(piece)
                    await writer.drain()
        if age == self._age:
            await self._flowing.wait()
            writer.close()

    async def _swallow(self, reader: asyncio.StreamReader) -> None:
        while await reader.read(65536):
            pass
