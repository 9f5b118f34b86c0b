"""The service behind a real socket: as a process of its own, or in a thread of this one."""

import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import psycopg
from uuid_utils import compat

from coldcase.cli.server import Server, listen, make_server
from coldcase.clock import now
from coldcase.db import keys
from coldcase.db.engine import run_once
from coldcase.settings import Settings


@dataclass(frozen=True)
class Process:
    """A serving process: where it listens, itself, and what it has said."""

    address: str
    process: subprocess.Popen
    stderr: Path

    @property
    def port(self) -> int:
        return int(self.address.rpartition(":")[2])

    def said(self) -> str:
        return self.stderr.read_text()

    def threads(self) -> int:
        """How many threads the process has."""
        return len(list(Path(f"/proc/{self.process.pid}/task").iterdir()))


@contextmanager
def serving(database_url: str, **settings: str) -> Iterator[Process]:
    """`coldcase serve` on a database and a free port; `settings` are members of `Settings`."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("COLDCASE_")}
    ours = {
        "COLDCASE_WARM_PROPERTIES": "false",
        **{f"COLDCASE_{name.upper()}": value for name, value in settings.items()},
    }
    args = [sys.executable, "-m", "coldcase", "serve", "--database-url", database_url, "--port", "0"]
    with (
        tempfile.NamedTemporaryFile() as log,
        subprocess.Popen(args, env=clean | ours, stderr=log) as process,
    ):
        try:
            file = Path(log.name)
            while not (found := re.search(r"listening on (http://[\d.:]+)", file.read_text())):
                assert process.poll() is None, file.read_text()
                time.sleep(0.05)
            yield Process(found[1], process, file)
        finally:
            if process.poll() is None:
                process.kill()


def make_key(owner_url: str, *scopes: str, client: str = "Tern Haven", person: str | None = None) -> str:
    """The secret of a new key."""
    secret = keys.new_secret()
    values: dict[str, Any] = {
        "client_name": client,
        "person": person,
        "scopes": scopes,
        "secret_sha256": keys.secret_digest(secret),
        "now": now(),
    }
    run_once(owner_url, lambda conn: keys.create_key(conn, id_=compat.uuid7(), **values))
    return secret


def transactions(superuser_url: str) -> list[tuple[str, str]]:
    """State and query of every connection of the service to this database that is within a transaction;
    others are not shown them."""
    with psycopg.connect(superuser_url.replace("+psycopg", "")) as conn:
        return conn.execute(
            "SELECT state, query FROM pg_stat_activity WHERE datname = current_database() AND pid <> "
            "pg_backend_pid()"
            " AND usename = 'coldcase_service' AND state <> 'idle'"
        ).fetchall()


@contextmanager
def in_thread(settings: Settings, **arguments: Any) -> Iterator[tuple[Server, str, int]]:
    """The service in a thread of this process, on a free port: the server, its host and port. `arguments` are
    those of `make_server`."""
    with listen(msgspec.structs.replace(settings, port=0)) as listener:
        server = make_server(settings, **arguments)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        while not server.started and thread.is_alive():
            time.sleep(0.01)
        try:
            yield server, *listener.getsockname()
        finally:
            server.should_exit = True
            thread.join()
