"""An import over HTTP beside `COPY FROM` of the same rows into a table with the same indexes, in one run; and
the same lines with the service, the client and PostgreSQL killed in the middle.

python -m tests.scale.importing [--lines 20000] [--kills 3]
"""

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

import psycopg

from coldcase.db import embedded, migrating
from tests.serving import make_key, serving

CASES = Path(__file__).parents[1] / "data" / "dev_cases.jsonl"
COLUMNS = (
    "id, client_id, recorded_at, fingerprint, case_text, answer_packed, answer_sha256, dictionary, cause, "
    "status, confidence, job_ref, "
    "circuit, closed_at, compressor_type, refrigerant, rule_table, engine, origin, own_code"
)
READINGS = {
    "suction_pressure": {"value": 2.9, "unit": "barg"},
    "suction_temperature": {"value": 4, "unit": "degC"},
    "discharge_pressure": {"value": 15.2, "unit": "barg"},
    "discharge_temperature": {"value": 81, "unit": "degC"},
    "line_voltages_v": [398, 401, 396],
    "line_currents_a": [21.0, 20.4, 20.9],
}
MEDIUM = ("R-134a", "R-404A", "R-448A", "R-449A", "R-407C", "R-22")
"""Refrigerants that these pressures are possible with."""
MIB = 1024 * 1024


def lines(count: int) -> Iterator[bytes]:
    """Invented history: the development cases over and over, each another job, about a third with readings,
    one in fifty bad."""
    chance = random.Random(11)
    cases = [json.loads(line)["case"] for line in CASES.read_text().splitlines()]
    for number in range(count):
        if chance.random() < 0.02:
            yield b'{"unit": {"compressor_type": "scrol"}, "job": {"ref": "TH-%d"}}\n' % number
            continue
        case: dict[str, Any] = dict(chance.choice(cases))
        case["job"] = {"ref": f"TH-{number}", "circuit": f"rack-{number % 997}"}
        # A pressure that is always another makes each case one of its own.
        if "readings" not in case and case["unit"].get("refrigerant") in MEDIUM and chance.random() < 0.6:
            pressure = {"value": round(chance.uniform(2, 4), 2), "unit": "barg"}
            case = {**case, "readings": {**READINGS, "suction_pressure": pressure}}
        yield json.dumps({"case": case, "own_code": f"W-{number % 40}"}).encode() + b"\n"


def rss(pid: int) -> int:
    """Bytes of memory of a process and of those that it started."""
    total = 0
    for entry in Path("/proc").iterdir():
        try:
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
        except (OSError, IndexError, ValueError):
            continue
        if entry.name == str(pid) or parent == pid:
            found = [line for line in (entry / "status").read_text().splitlines() if line.startswith("VmRSS")]
            total += int(found[0].split()[1]) * 1024 if found else 0
    return total


@contextmanager
def growth(pid: int) -> Iterator[list[int]]:
    """By how much memory has grown at the most."""
    before, grown, done = rss(pid), [0], threading.Event()

    def look() -> None:
        while not done.wait(0.5):
            grown[0] = max(grown[0], rss(pid) - before)

    thread = threading.Thread(target=look)
    thread.start()
    try:
        yield grown
    finally:
        done.set()
        thread.join()


class Record:
    """A record, and the command that posts history to it."""

    def __init__(self, server: embedded.Embedded, client: str, file: Path) -> None:
        self.server, self.file = server, file
        self.client = client
        self.secret = make_key(server.owner_url, "decisions:write", "decisions:read", client=client)

    def post(self, address: str, key: str = "import") -> subprocess.Popen[bytes]:
        args = [
            sys.executable,
            "-m",
            "coldcase",
            "bulk",
            str(self.file),
            "--url",
            address,
            "--key",
            key,
            "--json",
        ]
        environ = os.environ | {"COLDCASE_KEY": self.secret}
        return subprocess.Popen(args, env=environ, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)

    def query(self, sql: str) -> list[tuple[Any, ...]]:
        with psycopg.connect(
            self.server.url(embedded.SUPERUSER, embedded.DATABASE).replace("+psycopg", "")
        ) as conn:
            return conn.execute(sql).fetchall()

    @property
    def _own(self) -> str:
        return f"FROM decision WHERE client_id = (SELECT id FROM client WHERE name = '{self.client}')"

    def count(self) -> int:
        return self.query(f"SELECT count(*) {self._own}")[0][0]

    def answers(self) -> list[tuple[Any, ...]]:
        """What was answered to each job, but for id and time."""
        texts = "case_text, md5((answer_text::jsonb - 'id' - 'recorded_at')::text)"
        return self.query(
            f"SELECT job_ref, cause, confidence, own_code, {texts} {self._own} ORDER BY job_ref, id"
        )


def told(process: subprocess.Popen[bytes]) -> dict[str, int]:
    out, _ = process.communicate()
    found: dict[str, int] = json.loads(out)
    return found


def copied(record: Record) -> float:
    """Rows a second of `COPY FROM` of what was imported, into a table with the same indexes and checks."""
    url = record.server.url(embedded.SUPERUSER, embedded.DATABASE).replace("+psycopg", "")
    with (
        tempfile.TemporaryFile() as file,
        psycopg.connect(url, autocommit=True) as conn,
        conn.cursor() as cursor,
    ):
        with cursor.copy(f"COPY (SELECT {COLUMNS} FROM decision) TO STDOUT (FORMAT binary)") as copy:
            for piece in copy:
                file.write(piece)
        cursor.execute("CREATE TABLE plain (LIKE decision INCLUDING ALL)")
        file.seek(0)
        began = time.perf_counter()
        with cursor.copy(f"COPY plain ({COLUMNS}) FROM STDIN (FORMAT binary)") as copy:
            while piece := file.read(256 * 1024):
                copy.write(piece)
        seconds = time.perf_counter() - began
        rows = cursor.execute("SELECT count(*) FROM plain").fetchone()[0]
        cursor.execute("DROP TABLE plain")
    return rows / seconds


def warm(record: Record, address: str) -> None:
    """A first import of another key, of which nothing is counted."""
    whole, record.file = record.file, record.file.with_name("warm.ndjson")
    with whole.open("rb") as of:
        record.file.write_bytes(b"".join(islice(of, 600)))
    told(record.post(address, "warm"))
    record.file = whole


def measure(record: Record, count: int) -> None:
    with serving(record.server.service_url) as service:
        # The process is there, and has seen readings, before memory is looked at.
        warm(record, service.address)
        warmed = record.count()
        with growth(service.process.pid) as grown:
            began = time.perf_counter()
            counts = told(record.post(service.address))
            seconds = time.perf_counter() - began
        assert counts["lines"] == counts["recorded"] + counts["refused"] == count, counts
        began = time.perf_counter()
        again = told(record.post(service.address))
        assert again["replayed"] == counts["recorded"] == record.count() - warmed, again
        rate, again_rate = count / seconds, count / (time.perf_counter() - began)
    plain = copied(record)
    print(
        f"imported {rate:,.0f} lines a second, {rate / plain:.2f} of COPY FROM ({plain:,.0f} rows a second);"
        f" {counts['refused']} refused; replayed {again_rate:,.0f} a second; memory of the service and its "
        f"process grew by {grown[0] / MIB:.0f} MiB",
        flush=True,
    )


def kill(server: embedded.Embedded, what: str, service: int, client: int) -> None:
    """Kills the service with its process left to itself, the client, or the whole of PostgreSQL."""
    if what == "PostgreSQL":
        (pid_file,) = server.folder.rglob("postmaster.pid")
        service = int(pid_file.read_text().split()[0])
    os.kill(client if what == "client" else service, signal.SIGKILL)


def killed(record: Record, what: str, count: int) -> int:
    """How many were on record when something was killed; the import goes on until it is whole."""
    with serving(record.server.service_url) as service:
        process = record.post(service.address)
        while record.count() < count // 3:
            assert process.poll() is None
            time.sleep(0.05)
        kill(record.server, what, service.process.pid, process.pid)
        had = record.count() if what != "PostgreSQL" else count // 3
        if what == "PostgreSQL":
            told(process)
            return had
        if what == "service":
            process.kill()
        process.wait()
    with serving(record.server.service_url) as service:
        told(record.post(service.address))
    return had


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--lines", type=int, default=20_000)
    arguments.add_argument("--kills", type=int, default=0, help="how often each is killed")
    chosen = arguments.parse_args()
    with embedded.temporary() as server, server.kept_running(), tempfile.TemporaryDirectory() as folder:
        migrating.upgrade(server.owner_url)
        file = Path(folder) / "history.ndjson"
        with file.open("wb") as out:
            out.writelines(lines(chosen.lines))
        record = Record(server, "measured", file)
        measure(record, chosen.lines)
        calm = Record(server, "undisturbed", file)
        if chosen.kills:
            with serving(server.service_url) as service:
                told(calm.post(service.address))
        undisturbed = calm.answers()
        for number in range(chosen.kills):
            for what in ("service", "client", "PostgreSQL"):
                again = Record(server, f"{what} {number}", file)
                had = killed(again, what, chosen.lines)
                same = again.answers() == undisturbed
                print(
                    f"{what} killed at {had} of {len(undisturbed)}: the same answers, each once: {same}",
                    flush=True,
                )
                assert same


if __name__ == "__main__":
    main()
