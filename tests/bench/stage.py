"""Where the benchmarks run: the service on one core, PostgreSQL and whoever asks on the other."""

import multiprocessing
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import NamedTuple

import httpx
from litestar import Response, post

from coldcase.cli.server import listen, make_server
from coldcase.core.case import Case
from coldcase.db import migrating
from coldcase.db.embedded import temporary
from coldcase.logs import start_logging
from coldcase.settings import Settings
from tests.serving import make_key

CORES = sorted(os.sched_getaffinity(0))
PINNED = len(CORES) > 1


class Running(NamedTuple):
    """A service: where it listens, a key's secret, and its process."""

    host: str
    port: int
    secret: str
    pid: int

    def processor_seconds(self) -> float:
        """What it has used so far."""
        words = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def on_last_core() -> Iterator[None]:
    """What is started meanwhile is started there, PostgreSQL too."""
    os.sched_setaffinity(0, {CORES[-1]})
    try:
        yield
    finally:
        os.sched_setaffinity(0, CORES)


@post("/bare")
async def bare(data: Case) -> Response[bytes]:
    """Decodes a case and answers a constant."""
    return Response(
        b'{"cause":"moisture"}' if data.observations else b"{}",
        status_code=201,
        media_type="application/json",
    )


def _serve(settings: Settings, ready: Event) -> None:
    os.sched_setaffinity(0, {CORES[0]})
    start_logging("warning")
    with listen(settings) as listener:
        ready.set()
        make_server(settings, extra_routes=[bare]).run(sockets=[listener])


@contextmanager
def running_service() -> Iterator[Running]:
    """The service in a process of its own on an embedded PostgreSQL."""
    with on_last_core(), temporary() as database:
        migrating.upgrade(database.owner_url)
        secret = make_key(database.owner_url, "decisions:write", "decisions:read", "preview")
        settings = Settings(database_url=database.service_url, port=_free_port(), client_share=1)
        context = multiprocessing.get_context("spawn")
        ready = context.Event()
        process = context.Process(target=_serve, args=(settings, ready))
        process.start()
        try:
            ready.wait(60)
            # It listens before it serves.
            httpx.get(f"http://{settings.host}:{settings.port}/health/ready", timeout=120, trust_env=False)
            assert process.pid is not None
            yield Running(settings.host, settings.port, secret, process.pid)
        finally:
            process.terminate()
            process.join(60)


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
        return port


def where() -> str:
    """Where the service runs, in words."""
    return (
        f"the service alone on core {CORES[0]}, PostgreSQL on core {CORES[-1]}" if PINNED else "on one core"
    )
