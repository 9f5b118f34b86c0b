"""Readers who leave exports early: the process lives, and nothing that they held stays held."""

import socket
import time
from collections.abc import Iterator

from tests.attack.floods import fill
from tests.attack.report import Outcome, attack
from tests.attack.stage import MIB, Service, Stage, key, wait_for
from tests.attack.wire import request
from tests.serving import transactions

FORMATS = ("ndjson", "csv", "parquet")
LEAVERS = 400
LEFT_SECONDS = 15


@attack("leavers", seconds=300)
def leavers(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """400 readers of each format, each leaving after some bytes, within the time there is."""
    database = stage.database()
    good, reads = (
        key(database.owner_url),
        key(database.owner_url, "decisions:read", "decisions:write", client="Milk Store"),
    )
    fill(stage, database.name, good, reads, database.service_url)
    with stage.serving(database.service_url) as service:
        for _ in range(4):
            _leave(service, reads, "parquet", 100_000)
        threads, before = service.threads(), service.resident()
        for format_ in FORMATS:
            until, began, refused = time.monotonic() + seconds / len(FORMATS), 0, 0
            while began < LEAVERS and time.monotonic() < until and service.alive():
                if _leave(service, reads, format_, (began % 7) * 20_000):
                    began += 1
                else:
                    refused += 1
                    time.sleep(0.01)
            yield _outcome(service, database.owner_url, format_, began, refused, threads, before)
            if not service.alive():
                service.start()
    stage.drop(database)


def _leave(service: Service, secret: str, format_: str, after: int) -> bool:
    """Whether an export had begun before this reader left it."""
    with socket.socket() as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
        connection.settimeout(10)
        try:
            connection.connect(("127.0.0.1", service.port))
            connection.sendall(request("GET", f"/v1/decisions/export?full=true&format={format_}", secret))
            answered, read = connection.recv(4096), 0
            if b" 200 OK" not in answered:
                return False
            while read < after and (piece := connection.recv(65536)):
                read += len(piece)
        except OSError:
            return False
    return True


def _outcome(
    service: Service, owner_url: str, format_: str, began: int, refused: int, threads: int, before: int
) -> Outcome:
    wrong = (
        []
        if service.alive()
        else [f"the process died, exit {service.process.poll() if service.process else None}"]
    )
    figure = ""
    if service.alive():
        if wait_for(lambda: not transactions(owner_url), LEFT_SECONDS) is None:
            wrong.append(f"still open: {transactions(owner_url)[:2]}")
        if wait_for(lambda: service.threads() <= threads + 2, LEFT_SECONDS) is None:
            wrong.append(f"{threads} threads before, {service.threads()} after")
        figure = (
            f"{service.threads() - threads:+d} threads, "
            f"{(service.resident() - before) / MIB:+.0f} MiB, {refused} refused for lack of a place"
        )
    return Outcome(
        "exports left early leave nothing behind",
        f"{format_}, each reader gone after 0 to 120 kB",
        began,
        wrong,
        figure,
    )
