"""What a live caller notices of an import: the 99th percentile of recording a case while one runs, against
that without."""

import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from http.client import HTTPConnection
from itertools import cycle
from pathlib import Path

from coldcase.db import embedded, migrating
from tests.bench.cases import PLAIN, bodies
from tests.bench.figure import Figure, Sizes, of_two
from tests.scale.importing import Record, lines, told, warm
from tests.serving import make_key, serving

MOST = 3.0
PAUSE_S = 0.02


def measure(sizes: Sizes) -> Iterator[Figure]:
    """One figure."""
    idle, beside = [], []
    with embedded.temporary() as server, tempfile.TemporaryDirectory() as folder:
        migrating.upgrade(server.owner_url)
        file = Path(folder) / "history.ndjson"
        with file.open("wb") as out:
            out.writelines(lines(sizes.import_lines))
        record = Record(server, "measured", file)
        secret = make_key(server.owner_url, "decisions:write", client="live")
        with serving(server.service_url, client_share="1") as service:
            caller = Caller(service.port, secret)
            warm(record, service.address)
            caller.p99(while_seconds(2))
            for turn in range(sizes.rounds):
                idle.append(caller.p99(while_seconds(sizes.live_seconds)))
                importing = record.post(service.address, f"import-{turn}")
                beside.append(caller.p99(lambda importing=importing: importing.poll() is None))
                told(importing)
    yield of_two(
        "recording beside an import",
        "times the 99th percentile without one",
        ("milliseconds", beside),
        ("without", idle),
        wanted=("at most", MOST),
        how=f"one caller, a case every {PAUSE_S * 1000:.0f} ms, all different, while {sizes.import_lines:,}"
        " lines are imported; no process is held to a core",
    )


def while_seconds(seconds: float) -> Callable[[], bool]:
    """True until so many have gone by."""
    end = time.monotonic() + seconds
    return lambda: time.monotonic() < end


class Caller:
    """Somebody who records one case after the other, unhurried."""

    def __init__(self, port: int, secret: str) -> None:
        self._port = port
        self._headers = {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
        self._bodies = cycle(bodies(PLAIN))

    def p99(self, going_on: Callable[[], bool]) -> float:
        """Milliseconds that one in a hundred takes at least."""
        found = []
        with closing(HTTPConnection("127.0.0.1", self._port, timeout=60)) as connection:
            while going_on():
                began = time.perf_counter()
                connection.request("POST", "/v1/classifications", next(self._bodies), self._headers)
                answered = connection.getresponse()
                answered.read()
                found.append((time.perf_counter() - began) * 1000)
                assert answered.status == 201, answered.status
                time.sleep(PAUSE_S)
        return sorted(found)[int(len(found) * 0.99)]
