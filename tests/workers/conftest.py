"""The service by two workers, as processes on a real socket: who answered what is read in its log."""

import json
import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest

from tests.serving import Process, make_key, serving

CASE = {
    "unit": {"compressor_type": "scroll", "motor": "three_phase"},
    "observations": {"copper_plating": "heavy"},
}
EVERYTHING = (
    *("decisions:write", "decisions:read", "verdicts:write", "audit:read", "preview"),
    *("tables:read", "tables:draft", "tables:approve"),
)
PLACES = {1, 2}


def until(true: Callable[[], Any], seconds: float = 60) -> Any:
    """Asks again until something is so; what it was."""
    last = time.monotonic() + seconds
    while not (found := true()):
        assert time.monotonic() < last
        time.sleep(0.02)
    return found


class Workers:
    """A service by two workers, and what it says of itself."""

    def __init__(self, process: Process, database: Any) -> None:
        self.process = process
        self.owner_url, self.service_url = database.owner_url, database.service_url
        until(lambda: len(self.pids()) == 2)

    def key(self, *scopes: str, **named: Any) -> str:
        return make_key(self.owner_url, *(scopes or EVERYTHING), **named)

    def lines(self) -> list[dict[str, Any]]:
        """What it has logged, whole lines only."""
        text = self.process.said()
        return [json.loads(line) for line in text[: text.rfind("\n") + 1].splitlines()]

    def events(self, event: str) -> list[dict[str, Any]]:
        return [line for line in self.lines() if line["event"] == event]

    def pids(self) -> dict[int, int]:
        """The newest process at each place."""
        return {line["worker"]: line["pid"] for line in self.events("a worker serves")}

    def answered_by(self, request_id: str) -> int:
        """Which worker answered a request."""

        def found() -> int | None:
            named = (line["worker"] for line in self.events("request") if line["request_id"] == request_id)
            return next(named, None)

        worker: int = until(found, 10)
        return worker

    def http(self, secret: str = "") -> httpx.Client:
        """A caller with one connection, which stays at one worker."""
        headers = {"Authorization": f"Bearer {secret}"} if secret else {}
        limits = httpx.Limits(max_connections=1)
        return httpx.Client(
            base_url=self.process.address, headers=headers, limits=limits, trust_env=False, timeout=60
        )

    @contextmanager
    def one_each(self, secret: str = "") -> Iterator[dict[int, httpx.Client]]:
        """A caller at each worker."""
        found: dict[int, httpx.Client] = {}
        with ExitStack() as stack:
            end = time.monotonic() + 60
            while set(found) != PLACES:
                assert time.monotonic() < end, "no connection came to one of the workers"
                # Kept open, so that the next comes to whoever has less to do.
                caller, id_ = stack.enter_context(self.http(secret)), uuid4().hex
                caller.get("/health/live", headers={"X-Request-ID": id_})
                found.setdefault(self.answered_by(id_), caller)
            yield found

    def figure(self, name: str) -> float:
        """One figure of /metrics, by its name and labels."""
        with self.http() as caller:
            text = caller.get("/metrics").text
        return sum(float(line.rpartition(" ")[2]) for line in text.splitlines() if line.startswith(name))


@contextmanager
def two_workers(database: Any, **settings: str) -> Iterator[Workers]:
    with serving(database.service_url, workers="2", log_requests="true", **settings) as process:
        workers = Workers(process, database)
        try:
            yield workers
        finally:
            stop(process.process)


def stop(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.terminate()
        process.wait(60)


def kill(pid: int) -> None:
    os.kill(pid, signal.SIGKILL)


def is_there(pid: int) -> bool:
    """Whether a process runs, and is not only waited for."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.fixture(scope="module")
def workers(make_database, _begun) -> Iterator[Workers]:
    with two_workers(make_database(_begun), client_share="1") as running:
        yield running
