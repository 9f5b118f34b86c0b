"""Two workers against one: cases recorded a second, all different, 32 connections, no process held to a core.

On two cores PostgreSQL and whoever asks take their part of what the second worker could have.
"""

import time
from collections.abc import Iterator

import httpx

from coldcase.db import migrating
from coldcase.db.embedded import temporary
from tests.bench import load
from tests.bench.cases import PLAIN, bodies
from tests.bench.figure import Figure, Sizes, of_two
from tests.bench.load import Requests, request
from tests.bench.recording import CONNECTIONS, RECORD
from tests.serving import Process, make_key, serving


def measure(sizes: Sizes) -> Iterator[Figure]:
    """One figure. Both services are there all the time; the one that is not asked rests."""
    found: dict[str, list[float]] = {"1": [], "2": []}
    with temporary() as database:
        migrating.upgrade(database.owner_url)
        secret = make_key(database.owner_url, "decisions:write")
        requests = Requests([request(RECORD, body, secret) for body in bodies(PLAIN)])
        with (
            serving(database.service_url, workers="1", client_share="1") as one,
            serving(database.service_url, workers="2", client_share="1") as two,
        ):
            while two.said().count("a worker serves") < 2 or not (is_ready(one) and is_ready(two)):
                time.sleep(0.2)
            for turn in range(sizes.rounds + 1):
                for count, service in (("1", one), ("2", two)):
                    each = requests.rate(
                        "127.0.0.1",
                        service.port,
                        connections=CONNECTIONS,
                        seconds=sizes.seconds,
                        anywhere=True,
                    )
                    if turn:
                        found[count].append(each.a_second)
    yield of_two(
        "two workers",
        "times one worker",
        ("by two a second", found["2"]),
        ("by one", found["1"]),
        how=f"recorded, all different, {CONNECTIONS} connections, {sizes.seconds:g} s a round, asked by"
        f" {load.ASKS}; no process is held to a core",
    )


def is_ready(service: Process) -> bool:
    """Whether it records; it listens before that."""
    try:
        said = httpx.get(f"{service.address}/health/ready", trust_env=False, timeout=60)
    except httpx.TransportError:
        return False
    return bool(said.json()["recording"])
