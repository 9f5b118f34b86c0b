"""How long a live case waits beside an import: its 99th percentile without and with one, in turns of one run.

python -m tests.scale.importing_beside [--rounds 5] [--seconds 20] [--rate 25] [--jobs N]

Cases all differ and come one after another at a steady rate, over one connection; the import is one by
`coldcase bulk`, from the moment on that all its processes are at work. The last line is all of it as JSON.
Exit 1 if live cases wait longer than is promised.
"""

import argparse
import http.client
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from coldcase.db import embedded, migrating
from coldcase.importing.hands import WORTH_IT_AFTER
from tests.scale.differing import differing
from tests.scale.importing import Record, lines
from tests.serving import make_key, serving

PROMISED = 3.0
MOST_A_SECOND = 8000
"""More lines than are imported in a second; what is left of them is given up."""


class Live:
    """A caller of the service."""

    def __init__(self, port: int, secret: str, rate: float) -> None:
        self._conn = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        self._headers = {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
        self._pause = 1 / rate
        self._cases: Iterator[dict] = iter(differing(100_000, seed=7))

    def waits(self, seconds: float) -> list[float]:
        """Milliseconds of each case; one that comes late because the last took long waits all the same."""
        # The service has let the connection go meanwhile; the first case is for the next.
        self._conn.close()
        self._ask()
        found, due = [], time.perf_counter()
        end = due + seconds
        while due < end:
            time.sleep(max(0.0, due - time.perf_counter()))
            self._ask()
            found.append(1000 * (time.perf_counter() - due))
            due += self._pause
        return found

    def _ask(self) -> None:
        self._conn.request("POST", "/v1/classifications", json.dumps(next(self._cases)), self._headers)
        told = self._conn.getresponse()
        told.read()
        assert told.status == 201, told.status


def p99(waits: list[float]) -> float:
    return statistics.quantiles(waits, n=100)[98]


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rounds", type=int, default=5)
    arguments.add_argument("--seconds", type=float, default=20)
    arguments.add_argument("--rate", type=float, default=25, help="live cases a second")
    arguments.add_argument("--jobs", type=int)
    given = arguments.parse_args()
    with (
        embedded.temporary() as server,
        server.kept_running(),
        tempfile.TemporaryDirectory() as folder,
    ):
        migrating.upgrade(server.owner_url)
        return measured(server, Path(folder) / "history.ndjson", given)


def measured(server: embedded.Embedded, file: Path, given: argparse.Namespace) -> int:
    with file.open("wb") as out:
        out.writelines(lines(int(WORTH_IT_AFTER + MOST_A_SECOND * (given.seconds + 10))))
    named = {} if given.jobs is None else {"import_jobs": str(given.jobs)}
    alone, beside = [], []
    with serving(server.service_url, **named) as service:
        live = Live(service.port, make_key(server.owner_url, "decisions:write"), given.rate)
        live.waits(5)
        for turn in range(given.rounds):
            alone.append(p99(live.waits(given.seconds)))
            waits, rate = beside_import(
                live, Record(server, f"import {turn}", file), service.address, given.seconds
            )
            beside.append(p99(waits))
            said = f"{alone[-1]:.1f} ms alone, {beside[-1]:.1f} ms beside {rate:,.0f} lines a second"
            print(f"round {turn}: {said}", flush=True)
    times = [one / other for one, other in zip(beside, alone, strict=True)]
    middle = statistics.median(times)
    said = f"{statistics.median(alone):.1f} ms alone, {statistics.median(beside):.1f} ms beside an import"
    print(f"live cases, 99th percentile: {said}; {middle:.2f} times ({min(times):.2f} to {max(times):.2f})")
    print(json.dumps({"alone_ms": alone, "beside_ms": beside, "times": middle}))
    return int(middle > PROMISED)


def beside_import(live: Live, record: Record, address: str, seconds: float) -> tuple[list[float], float]:
    """What live cases wait while lines are imported, and how many lines a second are."""
    posting = record.post(address)
    # Its processes begin after the first lines.
    while record.count() < WORTH_IT_AFTER:
        assert posting.poll() is None
        time.sleep(0.2)
    time.sleep(5)
    before, began = record.count(), time.perf_counter()
    waits = live.waits(seconds)
    rate = (record.count() - before) / (time.perf_counter() - began)
    assert posting.poll() is None, "the import came to its end: more lines are needed"
    posting.kill()
    posting.wait()
    # The service ends what nobody waits for.
    time.sleep(6)
    return waits, rate


if __name__ == "__main__":
    sys.exit(main())
