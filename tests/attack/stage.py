"""What attacks stand on: PostgreSQL from the wheel, the service as a process of its own, keys, and figures of
a process."""

import itertools
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import cached_property
from pathlib import Path
from typing import Any, Self

import httpx
import psycopg

from coldcase.db import embedded, migrating
from coldcase.db.embedded import Embedded
from tests.conftest import Database
from tests.serving import make_key

MIB = 1024 * 1024
EVERY_SCOPE = ("decisions:write", "decisions:read", "verdicts:write", "audit:read", "tables:read", "preview")
START_SECONDS = 60


def plain(url: str) -> str:
    """The address as psycopg takes it."""
    return url.replace("+psycopg", "")


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        return int(found.getsockname()[1])


def clean() -> dict[str, str]:
    """This process's environment without settings of the service."""
    return {name: value for name, value in os.environ.items() if not name.startswith("COLDCASE_")}


class Service:
    """`coldcase serve`, which can be killed and started again on the same port."""

    def __init__(
        self,
        where: Sequence[str],
        log: Path,
        *,
        files: int | None = None,
        environ: Mapping[str, str] | None = None,
        **settings: Any,
    ) -> None:
        self.port = free_port()
        self.log = log
        self._where = where
        self._files = files
        self.environ = dict(environ or {})
        self._settings = {
            f"COLDCASE_{name.upper()}": str(value)
            for name, value in {"warm_properties": "false", **settings}.items()
        }
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def start(self) -> Self:
        """Starts it and waits until it answers."""
        args = [sys.executable, "-m", "coldcase", "serve", *self._where, "--port", str(self.port)]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*self._limit(), *args], env=clean() | self.environ | self._settings, stderr=log
            )
        wait_for(lambda: self.ready() is not None or self.process.poll() is not None, START_SECONDS)
        if self.process.poll() is not None:
            raise RuntimeError(f"the service did not start: {self.said()[-800:]}")
        return self

    def _limit(self) -> list[str]:
        return [] if self._files is None else ["/bin/sh", "-c", f'ulimit -n {self._files}; exec "$@"', "sh"]

    def ready(self) -> dict[str, Any] | None:
        """What it says of itself; None if it does not answer."""
        try:
            return dict(httpx.get(f"{self.address}/health/ready", timeout=2, trust_env=False).json())
        except (httpx.HTTPError, ValueError):
            return None

    def recording(self) -> bool:
        return bool((self.ready() or {}).get("recording"))

    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def kill(self) -> None:
        """As a power cut would."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        """SIGTERM; its exit code."""
        assert self.process is not None
        if self.alive():
            self.process.terminate()
        try:
            return self.process.wait(45)
        except subprocess.TimeoutExpired:
            self.kill()
            return -signal.SIGKILL

    def said(self) -> str:
        return self.log.read_text(errors="replace")

    def resident(self) -> int:
        """Bytes of it in memory."""
        return int(Path(f"/proc/{self.pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")

    def threads(self) -> int:
        return len(list(Path(f"/proc/{self.pid}/task").iterdir()))

    def client(self, secret: str, **options: Any) -> httpx.Client:
        headers = {"Authorization": f"Bearer {secret}"}
        return httpx.Client(
            base_url=self.address, headers=headers, **{"trust_env": False, "timeout": 30, **options}
        )


def wait_for(done: Callable[[], bool], seconds: float, every: float = 0.05) -> float | None:
    """Seconds until something came about; None if it did not in time."""
    began = time.monotonic()
    while time.monotonic() - began < seconds:
        if done():
            return time.monotonic() - began
        time.sleep(every)
    return None


class Stage:
    """One run's folder and server; every attack asks for databases and services of its own. Removes all of it
    at the end."""

    def __init__(self, *, requests: int) -> None:
        self.requests = requests
        self._stack = ExitStack()
        self._numbers = itertools.count(1)

    def __enter__(self) -> Self:
        self.folder = Path(tempfile.mkdtemp(prefix="coldcase-attack-"))
        self.folder.chmod(0o711)
        self._stack.callback(shutil.rmtree, self.folder, ignore_errors=True)
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def keep(self, name: str, text: str) -> None:
        """What an attack that failed itself has to say."""
        print(text, file=sys.stderr)
        for log in sorted(self.folder.glob("*.log")):
            print(f"--- {name}: {log.name}\n{log.read_text(errors='replace')[-1500:]}", file=sys.stderr)

    @cached_property
    def postgres(self) -> Embedded:
        """The server that attacks share which do not harm the server itself: as durable as in production."""
        server = self._stack.enter_context(embedded.temporary(max_connections="200"))
        migrating.upgrade(server.owner_url)
        return server

    def database(self, template: str = embedded.DATABASE) -> Database:
        """A database of an attack's own on the shared server; migrated, or a copy of another."""
        name = f"attack_{next(self._numbers)}"
        with psycopg.connect(self.superuser("postgres"), autocommit=True) as conn:
            conn.execute(f"CREATE DATABASE {name} TEMPLATE {template} OWNER {embedded.OWNER}")
        return Database(
            name, self.postgres.url(embedded.OWNER, name), self.postgres.url(embedded.SERVICE, name)
        )

    def drop(self, database: Database) -> None:
        with psycopg.connect(self.superuser("postgres"), autocommit=True) as conn:
            conn.execute(f"DROP DATABASE {database.name} WITH (FORCE)")

    def superuser(self, database: str) -> str:
        return plain(self.postgres.url(embedded.SUPERUSER, database))

    def service(self, *where: str, **settings: Any) -> Service:
        """A service that is not started yet; `where` are the flags that name its database."""
        return Service(where, self.folder / f"service-{next(self._numbers)}.log", **settings)

    @contextmanager
    def serving(self, database_url: str, **settings: Any) -> Iterator[Service]:
        """A service on a database; ended afterwards whatever state it is in."""
        service = self.service("--database-url", database_url, **settings)
        try:
            yield service.start()
        finally:
            if service.alive() and service.stop() == -signal.SIGKILL:
                print(f"(a service had to be killed: {service.log.name})", end=" ")

    @contextmanager
    def data_dir(self) -> Iterator[Path]:
        """A data folder for an embedded server of the service's own; what still runs there is stopped."""
        folder = self.folder / f"data-{next(self._numbers)}"
        folder.mkdir(mode=0o711)
        try:
            yield folder
        finally:
            kill_all(server_processes(folder))


def server_processes(folder: Path) -> list[int]:
    """The postmaster of a data folder and its children, the postmaster first; empty if none runs."""
    try:
        postmaster = int((embedded.cluster(folder) / "postmaster.pid").read_text().split()[0])
        children = Path(f"/proc/{postmaster}/task/{postmaster}/children").read_text().split()
    except (OSError, ValueError, IndexError):
        return []
    return [postmaster, *map(int, children)]


def kill_all(processes: Sequence[int]) -> None:
    for process in processes:
        with suppress(ProcessLookupError):
            os.kill(process, signal.SIGKILL)


def key(owner_url: str, *scopes: str, client: str = "Tern Haven") -> str:
    """The secret of a new key; with every scope a client's key may need unless some are named."""
    return make_key(owner_url, *(scopes or EVERY_SCOPE), client=client)


def command(*arguments: str, environ: Mapping[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """A command of ours as a process."""
    args = [sys.executable, "-m", "coldcase", *arguments]
    return subprocess.run(
        args, env=clean() | dict(environ or {}), capture_output=True, text=True, check=False, timeout=300
    )
