"""`coldcase serve` and `coldcase migrate`."""

import argparse
from collections.abc import Mapping
from contextlib import ExitStack

import structlog

from coldcase.cli import database
from coldcase.cli.console import Commands, command, result, say
from coldcase.cli.server import listen, make_server
from coldcase.cli.supervising import run_worker, serve_with_workers
from coldcase.db import migrating
from coldcase.logs import start_logging

_logger = structlog.get_logger()


def add_serving_commands(commands: Commands) -> None:
    """Adds `serve` and `migrate`."""
    added = command(
        commands, "serve", run_serve, "Run the service; without a database URL on an embedded PostgreSQL."
    )
    database.add_flags(added)
    added.add_argument("--host", help="address to listen on (default 127.0.0.1)")
    added.add_argument("--port", type=int, help="port to listen on (default 8000; 0 takes a free one)")
    added.add_argument("--workers", type=int, help="processes that serve (default 1)")
    added.add_argument("--supervised", action="store_true", help=argparse.SUPPRESS)
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
    if args.supervised:
        return run_worker()
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
        if settings.workers > 1:
            return serve_with_workers(settings, listeners, environ)
        server = make_server(settings)
        server.run(sockets=listeners)
    return 0 if server.started else 1


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
