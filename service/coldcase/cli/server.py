"""The HTTP server: its listening sockets, and how it stops."""

import asyncio
import resource
import select
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any, cast

import uvicorn
from litestar.types import ControllerRouterHandler

from coldcase.app import create_app
from coldcase.cli.console import WrongUse
from coldcase.settings import Settings
from coldcase.web.connections import Connections, Limits
from coldcase.web.protocol import Protocol
from coldcase.workers import Worker

BACKLOG = 2048
ACCEPT_SECONDS = 2.0
"""How long a service that stops goes on accepting; it ends before that as soon as nobody waits."""
MOST_CONNECTIONS = 4096
MOST_AHEAD = 128 * 1024
"""Bytes of an answer that the system holds ahead of what it could send."""
OTHER_FILES = 64
"""Open files beside callers' connections and the pool: the other database connections, listeners, logs,
property tables."""


def listen(settings: Settings, port: int | None = None) -> socket.socket:
    """A listening socket, on `settings.port` if no other is named. Raises `WrongUse` if the address cannot be
    had.
    """
    port = settings.port if port is None else port
    try:
        family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
        listener = socket.create_server((settings.host, port), family=family, backlog=BACKLOG)
    except OSError as error:
        raise WrongUse(f"Cannot listen on {settings.host}:{port}: {error.strerror}.") from error
    # Inherited by each connection. Without it the system takes megabytes at a time ahead of a slow reader,
    # and takes no more for minutes, as if nobody read.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NOTSENT_LOWAT, MOST_AHEAD)
    return listener


class Server(uvicorn.Server):
    """Finishes what is in flight on SIGTERM or SIGINT and then returns; Uvicorn's own would raise the signal
    again and end us there.
    """

    def __init__(
        self, connections: Connections, config: uvicorn.Config, when_started: Callable[[], None]
    ) -> None:
        super().__init__(config)
        self._connections = connections
        self._when_started = when_started

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begins to serve, and says so."""
        await super().startup(sockets)
        self._when_started()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Waits for what is in flight, but not for callers who do not read their answers."""
        self._connections.hurry()
        await _accept_all(sockets or [])
        await super().shutdown(sockets)

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Holds both signals while the server runs, if this is the main thread."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = {
            number: signal.signal(number, self.handle_exit) for number in (signal.SIGINT, signal.SIGTERM)
        }
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


async def _accept_all(listeners: Sequence[socket.socket]) -> None:
    """Lets the server accept whoever waits for it; the system would reset them when the listener is
    closed.
    """
    waiting = select.poll()
    for listener in listeners:
        waiting.register(listener, select.POLLIN)
    end = time.monotonic() + ACCEPT_SECONDS
    while waiting.poll(0) and time.monotonic() < end:  # noqa: ASYNC110 - the queue is the system's, which tells nobody
        await asyncio.sleep(0.001)


def make_server(
    settings: Settings,
    *,
    extra_routes: Sequence[ControllerRouterHandler] = (),
    limits: Limits | None = None,
    worker: Worker | None = None,
    when_started: Callable[[], None] = lambda: None,
) -> Server:
    """The HTTP server around the application: one process, or that `worker` of several; `when_started` is
    called when it serves. `extra_routes` and other `limits` are for tests.
    """
    app = create_app(settings, extra_routes=extra_routes, worker=worker)
    connections = Connections(
        limits or Limits(unread_seconds=settings.unread_seconds),
        most=most_connections(settings),
        per_address=settings.connections_per_address,
        trusted=settings.proxies,
        metrics=app.gateway.metrics,
    )
    return Server(
        connections,
        uvicorn.Config(
            app,
            loop="uvloop",
            http=cast("Any", partial(Protocol, connections=connections)),
            ws="none",
            lifespan="on",
            log_config=None,
            access_log=False,
            server_header=False,
            date_header=True,
            backlog=BACKLOG,
            timeout_graceful_shutdown=settings.drain_seconds,
            # Said here, because Uvicorn would read them from the environment.
            workers=1,
            proxy_headers=bool(settings.proxies),
            forwarded_allow_ips=[str(network) for network in settings.proxies],
        ),
        when_started,
    )


def most_connections(settings: Settings) -> int:
    """How many connections may be open: what the setting says or, without it, what the limit of open files
    leaves.
    """
    files, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    room = (
        MOST_CONNECTIONS
        if files == resource.RLIM_INFINITY
        else max(16, files - OTHER_FILES - settings.pool_size)
    )
    if settings.most_connections is None:
        return min(MOST_CONNECTIONS, room)
    if files != resource.RLIM_INFINITY and settings.most_connections > room:
        raise WrongUse(
            f"COLDCASE_MOST_CONNECTIONS: only {files} files may be open (ulimit -n), which leaves "
            f"{room} connections."
        )
    return settings.most_connections
