"""Long answers: how many run at a time and for whom, and how one is sent to a reader that may be slow, stall
or leave.
"""

import asyncio
from collections.abc import AsyncGenerator, Iterator
from contextlib import aclosing, contextmanager

from litestar.types import Message, Receive, Scope, Send

from coldcase.db.transactions import Transaction
from coldcase.errors import ColdcaseError
from coldcase.web.problems import Overloaded
from coldcase.web.shares import Shares

PIECE = 64 * 1024
"""Bytes that are sent at a time, and so all that waits in memory for a reader."""


END: Message = {"type": "http.response.body", "body": b"", "more_body": False}


class Places:
    """Places for what runs long, `what` it is in a refusal: so many at a time, of which one client has its
    share.
    """

    def __init__(self, what: str, *, at_once: int, shares: Shares) -> None:
        self._what = what
        self._at_once = at_once
        self._shares = shares

    @property
    def running(self) -> int:
        """How many are taken in this process."""
        return self._shares.running

    @contextmanager
    def place(self, client_id: int) -> Iterator[None]:
        """One of them. Raises TooManyAtOnce where the client has its share, Overloaded where all are
        taken.
        """
        self._shares.take(client_id)
        try:
            if self._shares.total > self._at_once:
                raise Overloaded(
                    f"As many {self._what} as may run at a time are running; ask again when one has ended."
                )
            yield
        finally:
            self._shares.give_back(client_id)


class Exports(Places):
    """The exports that run, with connections of their own, so that slow readers hold up nobody else's
    requests.
    """

    def __init__(self, transaction: Transaction, *, at_once: int, shares: Shares) -> None:
        super().__init__("exports", at_once=at_once, shares=shares)
        self.transaction = transaction


class Streamed:
    """An answer made piece by piece, as an ASGI application. HEAD makes no piece at all.

    All of it happens in the one task of the request: nothing is cancelled when the reader leaves, the next
    piece is just not asked for, and what makes the pieces ends in peace. A reader that stalls becomes one
    that left when the server cuts its connection (`web/connections.py`).
    """

    def __init__(self, pieces: AsyncGenerator[bytes, None], media_type: str) -> None:
        self._pieces = pieces
        self._start = _head(media_type)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Sends the answer. What goes wrong before the first piece is raised before anything is sent."""
        if scope["state"]["head"]:
            await send(self._start)
            await send(END)
            return
        gone: asyncio.Task[None] | None = None
        try:
            async with aclosing(self._pieces) as pieces:
                first = await anext(pieces, b"")
                gone = asyncio.create_task(_left(receive))
                await send(self._start)
                await _send_body(send, first, gone)
                async for piece in pieces:
                    await _send_body(send, piece, gone)
                await send(END)
        except ReaderLeft:
            pass
        except ColdcaseError:
            # A COPY that nobody reads any more ends with its connection, and the transaction then misses
            # that.
            if gone is None or not gone.done():
                raise
        finally:
            if gone is not None:
                gone.cancel()


class ReaderLeft(Exception):
    """Nobody is there to read the rest."""


async def _send_body(send: Send, piece: bytes, gone: asyncio.Future[None]) -> None:
    for start in range(0, len(piece), PIECE):
        if gone.done():
            raise ReaderLeft
        await send({"type": "http.response.body", "body": piece[start : start + PIECE], "more_body": True})
        # A reader who is quicker than the record never makes this task wait; others must come to their turn.
        await asyncio.sleep(0)


async def _left(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


def _head(media_type: str) -> Message:
    """The start of an answer whose length is not known beforehand."""
    kind = f"{media_type}; charset=utf-8" if media_type.startswith("text/") else media_type
    return {"type": "http.response.start", "status": 200, "headers": [(b"content-type", kind.encode())]}
