"""`coldcase serve` and `coldcase migrate`."""

import argparse
import asyncio
import resource
import select
import signal
import socket
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from typing import Any, cast

import structlog
import uvicorn
from litestar.types import ControllerRouterHandler

from coldcase.app import create_app
from coldcase.cli import database
from coldcase.cli.console import Commands, WrongUse, command, result, say
from coldcase.db import migrating
from coldcase.logs import start_logging
from coldcase.settings import Settings
from coldcase.web.connections import Connections, Limits
from coldcase.web.protocol import Protocol

_logger = structlog.get_logger()

BACKLOG = 2048
ACCEPT_SECONDS = 2.0
"""How long a service that stops goes on accepting; it ends before that as soon as nobody waits."""
MOST_CONNECTIONS = 4096
MOST_AHEAD = 128 * 1024
"""Bytes of an answer that the system holds ahead of what it could send."""
OTHER_FILES = 64
"""Open files beside callers' connections and the pool: the other database connections, listeners, logs,
property tables."""


def add_serving_commands(commands: Commands) -> None:
    """Adds `serve` and `migrate`."""
    added = command(
        commands, "serve", run_serve, "Run the service; without a database URL on an embedded PostgreSQL."
    )
    database.add_flags(added)
    added.add_argument("--host", help="address to listen on (default 127.0.0.1)")
    added.add_argument("--port", type=int, help="port to listen on (default 8000; 0 takes a free one)")
    added = command(
        commands,
        "migrate",
        run_migrate,
        "As the owner: bring the database up to date and make the service's role.",
    )
    database.add_flags(added)
    added.add_argument("--owner-url", help="the server as the role that owns the database")
    added.add_argument("--sql", action="store_true", help="print the SQL instead")


def run_serve(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Serves until SIGTERM or SIGINT; what is in flight is finished first."""
    chosen = database.read_settings(args, environ)
    start_logging(chosen.log_level)
    with ExitStack() as stack:
        listeners = [
            stack.enter_context(listen(chosen, port))
            for port in (chosen.port, chosen.metrics_port)
            if port is not None
        ]
        settings = stack.enter_context(database.service_settings(chosen))
        assert settings.database_url is not None  # noqa: S101 - `service_settings` named it
        database.check_database(settings.database_url, serves=True)
        host, port = listeners[0].getsockname()[:2]
        # Its address among the words, for those who wait for them.
        _logger.info("listening on http://%s:%s", host, port, described_at="/docs")
        server = make_server(settings)
        server.run(sockets=listeners)
    return 0 if server.started else 1


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

    def __init__(self, connections: Connections, config: uvicorn.Config) -> None:
        super().__init__(config)
        self._connections = connections

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
    settings: Settings, *, extra_routes: Sequence[ControllerRouterHandler] = (), limits: Limits | None = None
) -> Server:
    """The HTTP server around the application: one worker; replicas make more. `extra_routes` and other
    `limits` are for tests.
    """
    app = create_app(settings, extra_routes=extra_routes)
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


def run_migrate(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Brings the database up to date, or prints the SQL that would."""
    chosen = database.read_settings(args, environ)
    if args.sql:
        result(migrating.sql())
        return 0
    with database.owner_url(chosen) as url, database.reachable():
        done = migrating.upgrade(url, service_password=chosen.service_password)
    for name in done.mended:
        say(f"coldcase: made anew, for it was missing: {name}")
    say(
        "coldcase: the database is at "
        f"{done.revision}{'' if done.revision == migrating.head_revision() else ', a newer release'}"
    )
    return 0
