"""A service that stops: whoever reached it before is answered, even if it had not noticed him yet."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager

from litestar import get

from coldcase.settings import Settings
from tests.serving import in_thread

WAITING = 60
BUSY_SECONDS = 1.0

busy = threading.Event()


@get("/busy", sync_to_thread=False)
def stand_still() -> str:
    """Keeps the event loop from everything else, as much work at once does: callers wait in the system's
    queue."""
    busy.set()
    time.sleep(BUSY_SECONDS)
    return "done"


def caller(port: int, path: bytes | None) -> "closing[socket.socket]":
    """A connection on which this path has been asked for, or nothing."""
    connection = socket.create_connection(("127.0.0.1", port), timeout=20)
    if path is not None:
        connection.sendall(b"GET %s HTTP/1.1\r\nHost: x\r\n\r\n" % path)
    return closing(connection)


@contextmanager
def waiting(database_url: str, path: bytes | None) -> Iterator[list[socket.socket]]:
    """Callers who wait to be accepted by a service that is busy, and is to stop as soon as it is not."""
    settings = Settings(database_url=database_url, warm_properties=False)
    busy.clear()
    with ExitStack() as stack:
        server, _, port = stack.enter_context(in_thread(settings, extra_routes=(stand_still,)))
        stack.enter_context(caller(port, b"/busy"))
        assert busy.wait(20)
        server.should_exit = True
        yield [stack.enter_context(caller(port, path)) for _ in range(WAITING)]


def rest(connection: socket.socket) -> bytes:
    """All that comes on a connection until it ends. Raises ConnectionResetError where it is reset."""
    return b"".join(iter(lambda: connection.recv(65536), b""))


def test_who_waits_to_be_accepted_when_it_stops_is_answered(service_database):
    with waiting(service_database.service_url, b"/health/live") as callers:
        assert {rest(one).split(b"\r\n")[0] for one in callers} == {b"HTTP/1.1 200 OK"}


def test_who_says_nothing_does_not_hold_it_up(service_database):
    began = time.monotonic()
    with waiting(service_database.service_url, None) as callers:
        assert {rest(one) for one in callers} == {b""}
    assert time.monotonic() < began + 10
