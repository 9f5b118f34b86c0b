"""The report of a decision as a page, against the record as JSON: what 95 in 100 requests take at most."""

import time
from collections.abc import Iterator
from contextlib import closing
from http.client import HTTPConnection

import httpx

from tests.bench.cases import PLAIN, PURE, bodies
from tests.bench.figure import Figure, Sizes, of_two
from tests.bench.stage import running_service, where

MOST = 5.0
DECISIONS = 40
KINDS = {"page": "text/html", "JSON": "application/json"}


def measure(sizes: Sizes) -> Iterator[Figure]:
    """One figure, of decisions half of which have readings."""
    found: dict[str, list[float]] = {kind: [] for kind in KINDS}
    with running_service() as service:
        headers = {"Authorization": f"Bearer {service.secret}"}
        cases = [*bodies(PLAIN)[: DECISIONS // 2], *bodies(PURE)[: DECISIONS // 2]]
        with httpx.Client(base_url=f"http://{service.host}:{service.port}", headers=headers) as caller:
            media = {"Content-Type": "application/json"}
            made = [caller.post("/v1/classifications", content=case, headers=media) for case in cases]
        paths = [f"/v1/decisions/{one.json()['id']}" for one in made]
        for turn in range(sizes.rounds + 1):
            for kind, accepted in KINDS.items():
                each = p95(service.port, paths, {**headers, "Accept": accepted}, sizes.seconds)
                if turn:
                    found[kind].append(each)
    yield of_two(
        "report page",
        "times the JSON record, 95th percentile",
        ("milliseconds", found["page"]),
        ("JSON", found["JSON"]),
        wanted=("at most", MOST),
        how=f"one caller, {DECISIONS} decisions in turns, every second one with readings, {where()}",
    )


def p95(port: int, paths: list[str], headers: dict[str, str], seconds: float) -> float:
    """Milliseconds that one in twenty takes at least, of one caller who asks for all paths, over and over."""
    times: list[float] = []
    end = time.monotonic() + seconds
    with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        while time.monotonic() < end:
            for path in paths:
                began = time.perf_counter()
                connection.request("GET", path, headers=headers)
                answered = connection.getresponse()
                answered.read()
                times.append((time.perf_counter() - began) * 1000)
                assert answered.status == 200, answered.status
                assert answered.headers["Content-Type"].startswith(headers["Accept"])
    return sorted(times)[int(len(times) * 0.95)]
