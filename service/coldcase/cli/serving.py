"""`coldcase serve` and `coldcase migrate`."""

import argparse
import signal
import socket
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

import uvicorn
from litestar.types import ControllerRouterHandler

from coldcase.app import create_app
from coldcase.cli import store
from coldcase.cli.talk import Commands, WrongUse, command, result, say
from coldcase.db import migrating
from coldcase.logs import start_logging
from coldcase.settings import Settings


def add_commands(commands: Commands) -> None:
    """Adds `serve` and `migrate`."""
    added = command(commands, "serve", serve, "Run the service; without a database URL on an embedded PostgreSQL.")
    store.add_flags(added)
    added.add_argument("--host", help="address to listen on (default 127.0.0.1)")
    added.add_argument("--port", type=int, help="port to listen on (default 8000; 0 takes a free one)")
    added = command(commands, "migrate", migrate, "As the owner: bring the database up to date and make the service's role.")
    store.add_flags(added)
    added.add_argument("--owner-url", help="the server as the role that owns the database")
    added.add_argument("--sql", action="store_true", help="print the SQL instead")


def serve(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Serves until SIGTERM or SIGINT; what is in flight is finished first."""
    chosen = store.read_settings(args, environ)
    start_logging(chosen.log_level)
    with listen(chosen) as listener, store.service_settings(chosen) as settings:
        store.check(settings)
        host, port = listener.getsockname()[:2]
        say(f"coldcase: listening on http://{host}:{port}, the API is described at /docs")
        server = make_server(settings)
        server.run(sockets=[listener])
    return 0 if server.started else 1


def listen(settings: Settings) -> socket.socket:
    """The listening socket. Raises `WrongUse` if the address cannot be had."""
    try:
        family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
        return socket.create_server((settings.host, settings.port), family=family, backlog=2048)
    except OSError as error:
        raise WrongUse(f"Cannot listen on {settings.host}:{settings.port}: {error.strerror}.") from error


class Server(uvicorn.Server):
    """Finishes what is in flight on SIGTERM or SIGINT and then returns; Uvicorn's own would raise the signal again and end us there."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Holds both signals while the server runs, if this is the main thread."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = {number: signal.signal(number, self.handle_exit) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def make_server(settings: Settings, *, extra_routes: Sequence[ControllerRouterHandler] = ()) -> Server:
    """The HTTP server around the application: one worker; replicas make more. `extra_routes` are for benchmarks."""
    return Server(
        uvicorn.Config(
            create_app(settings, extra_routes=extra_routes),
            loop="uvloop",
            http="httptools",
            lifespan="on",
            log_config=None,
            access_log=False,
            server_header=False,
            date_header=True,
            timeout_graceful_shutdown=settings.drain_seconds,
        )
    )


def migrate(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Brings the database up to date, or prints the SQL that would."""
    chosen = store.read_settings(args, environ)
    if args.sql:
        result(migrating.sql())
        return 0
    with store.owner_url(chosen) as url:
        migrating.upgrade(url, service_password=chosen.service_password)
    say(f"coldcase: the database is at {migrating.head_revision()}")
    return 0
