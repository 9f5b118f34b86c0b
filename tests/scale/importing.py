"""An import over HTTP beside `COPY FROM` of the same rows into a table with the same indexes, in one run; and
the same lines with the service, the client, PostgreSQL and one of the answering processes killed midway.

python -m tests.scale.importing [--lines 20000] [--kills 3] [--jobs N]

One line in fifty is bad, a third has readings. Each bad line must be named, each good one on record once, and
the memory of the service with all its processes may grow by less than 100 MiB; exit 1 if not.
"""

import argparse
import hashlib
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
from contextlib import contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import Any

import psycopg

from coldcase.db import embedded, migrating
from coldcase.db.answers import PACKERS, STORED_COLUMNS, StoredAnswer
from coldcase.importing.hands import WORTH_IT_AFTER
from tests.serving import make_key, serving

CASES = Path(__file__).parents[1] / "data" / "dev_cases.jsonl"
COLUMNS = (
    "id, client_id, recorded_at, fingerprint, case_text, answer_packed, answer_sha256, dictionary, cause, "
    "status, confidence, job_ref, "
    "circuit, closed_at, compressor_type, refrigerant, rule_table, engine, origin, own_code"
)
MEDIUM = ("R-134a", "R-404A", "R-448A", "R-449A", "R-407C", "R-22")
"""Refrigerants that the pressures are possible with."""
METERED = 1 / 3
MIB = 1024 * 1024
MOST_GROWTH = 100 * MIB
WARMING = 3 * WORTH_IT_AFTER
KILLED = ("service", "client", "PostgreSQL", "answering process")


def lines(count: int) -> Iterator[bytes]:
    """Invented history: the development cases over and over, each another job, one in fifty bad.

    A third has readings, each its own: no two gauges show the same twice. The others say what was seen, in
    the codes of a form, and repeat: such history does, for most machines fail in a few ways.
    """
    chance = random.Random(11)
    cases = [_coded(json.loads(line)["case"]) for line in CASES.read_text().splitlines()]
    for number in range(count):
        if chance.random() < 0.02:
            yield b'{"unit": {"compressor_type": "scrol"}, "job": {"ref": "TH-%d"}}\n' % number
            continue
        case = chance.choice(cases) | {"job": {"ref": f"TH-{number}", "circuit": f"rack-{number % 997}"}}
        if chance.random() < METERED:
            unit = case["unit"] | {"refrigerant": chance.choice(MEDIUM)}
            case |= {"unit": unit, "readings": _readings(chance)}
        yield json.dumps({"case": case, "own_code": f"W-{number % 40}"}).encode() + b"\n"


def _coded(case: dict[str, Any]) -> dict[str, Any]:
    """What was seen of a case, without what was measured."""
    return {name: part for name, part in case.items() if name not in ("readings", "oil_results")}


def _readings(chance: random.Random) -> dict[str, Any]:
    def between(low: float, high: float, unit: str) -> dict[str, Any]:
        return {"value": round(chance.uniform(low, high), 2), "unit": unit}

    return {
        "suction_pressure": between(2, 4, "barg"),
        "suction_temperature": between(0, 12, "degC"),
        "discharge_pressure": between(12, 18, "barg"),
        "discharge_temperature": between(65, 110, "degC"),
        "line_voltages_v": [round(chance.uniform(392, 404), 1) for _ in range(3)],
        "line_currents_a": [round(chance.uniform(19, 22), 1) for _ in range(3)],
    }


def descendants(pid: int) -> list[int]:
    """A process and all that it and they began."""
    children: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        with suppress(OSError, IndexError, ValueError):
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            children.setdefault(parent, []).append(int(entry.name))
    found = [pid]
    for one in found:
        found += children.get(one, [])
    return found


def rss(pid: int) -> int:
    """Bytes of memory of a process and of all that it began."""
    total = 0
    for one in descendants(pid):
        with suppress(OSError, StopIteration):
            said = Path(f"/proc/{one}/status").read_text().splitlines()
            total += int(next(line for line in said if line.startswith("VmRSS")).split()[1]) * 1024
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
    def own(self) -> str:
        """Its decisions."""
        return f"FROM decision WHERE client_id = (SELECT id FROM client WHERE name = '{self.client}')"

    def count(self) -> int:
        return self.query(f"SELECT count(*) {self.own}")[0][0]

    def answers(self) -> list[tuple[Any, ...]]:
        """What was answered to each job, but for id and time."""
        url = self.server.url(embedded.SUPERUSER, embedded.DATABASE).replace("+psycopg", "")
        columns = f"job_ref, cause, confidence, own_code, case_text, {', '.join(STORED_COLUMNS)}"
        with psycopg.connect(url) as conn, conn.cursor("answers") as rows:
            for (content,) in conn.execute("SELECT content FROM answer_dictionary").fetchall():
                PACKERS.add(content)
            rows.execute(f"SELECT {columns} {self.own} ORDER BY job_ref, id")
            return [(*row[:4], _print(row[4], StoredAnswer(*row[5:]))) for row in rows]


def _print(case: str, stored: StoredAnswer) -> bytes:
    answer = json.loads(PACKERS.text(stored))
    for member in ("id", "recorded_at"):
        del answer[member]
    return hashlib.sha256(f"{case}{json.dumps(answer)}".encode()).digest()


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
    """A first import of another key, of which nothing is counted: all processes have begun after it, and seen
    readings.
    """
    whole, record.file = record.file, record.file.with_name("warm.ndjson")
    with record.file.open("wb") as out:
        out.writelines(islice(lines(WARMING), WARMING))
    told(record.post(address, "warm"))
    record.file = whole


def whole(record: Record, warmed: int, count: int) -> str:
    """Whether each bad line was named and each good one is on record once."""
    bad = {number for number, line in enumerate(lines(count), start=1) if b'"scrol"' in line}
    why = record.file.with_name(f"{record.file.stem}.why.ndjson").read_bytes().splitlines()
    named = [json.loads(line)["line"] for line in why]
    ((rows, jobs),) = record.query(f"SELECT count(*), count(DISTINCT job_ref) {record.own}")
    assert sorted(named) == sorted(bad), (len(named), len(bad))
    assert rows - warmed == count - len(bad), (rows, warmed, count, len(bad))
    return f"all {len(bad)} bad lines named, each of {jobs} jobs on record"


def measure(record: Record, count: int, named: dict[str, str]) -> bool:
    """Whether memory grew by no more than is promised."""
    with serving(record.server.service_url, **named) as service:
        warm(record, service.address)
        warmed = record.count()
        with growth(service.process.pid) as grown:
            began = time.perf_counter()
            counts = told(record.post(service.address))
            seconds = time.perf_counter() - began
        assert counts["lines"] == counts["recorded"] + counts["refused"] == count, counts
        found = whole(record, warmed, count)
        began = time.perf_counter()
        again = told(record.post(service.address))
        assert again["replayed"] == counts["recorded"] == record.count() - warmed, again
        rate, again_rate = count / seconds, count / (time.perf_counter() - began)
    plain = copied(record)
    print(
        f"imported {rate:,.0f} lines a second, {rate / plain:.2f} of COPY FROM ({plain:,.0f} rows a second);"
        f" {found}; replayed {again_rate:,.0f} a second; memory of the service and its processes grew by "
        f"{grown[0] / MIB:.0f} MiB",
        flush=True,
    )
    return grown[0] < MOST_GROWTH


def kill(server: embedded.Embedded, what: str, service: int, client: int) -> None:
    """Kills the service with its processes left to themselves, the client, the whole of PostgreSQL, or one of
    the processes that answer.
    """
    if what == "PostgreSQL":
        (pid_file,) = server.folder.rglob("postmaster.pid")
        service = int(pid_file.read_text().split()[0])
    if what == "answering process":
        service = descendants(service)[-1]
    os.kill(client if what == "client" else service, signal.SIGKILL)


def killed(record: Record, what: str, count: int, named: dict[str, str]) -> int:
    """How many were on record when something was killed; the import goes on until it is whole."""
    with serving(record.server.service_url, **named) as service:
        process = record.post(service.address)
        while record.count() < count // 3:
            assert process.poll() is None
            time.sleep(0.05)
        kill(record.server, what, service.process.pid, process.pid)
        had = record.count() if what != "PostgreSQL" else count // 3
        if what in ("PostgreSQL", "answering process"):
            # The client posts again by itself.
            told(process)
            return had
        if what == "service":
            process.kill()
        process.wait()
    with serving(record.server.service_url, **named) as service:
        told(record.post(service.address))
    return had


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--lines", type=int, default=20_000)
    arguments.add_argument("--kills", type=int, default=0, help="how often each is killed")
    arguments.add_argument("--jobs", type=int, help="processes of an import; else as many as cores")
    chosen = arguments.parse_args()
    named = {} if chosen.jobs is None else {"import_jobs": str(chosen.jobs)}
    with embedded.temporary() as server, server.kept_running(), tempfile.TemporaryDirectory() as folder:
        migrating.upgrade(server.owner_url)
        file = Path(folder) / "history.ndjson"
        with file.open("wb") as out:
            out.writelines(lines(chosen.lines))
        good = measure(Record(server, "measured", file), chosen.lines, named)
        if chosen.kills:
            kill_each(server, file, chosen.lines, chosen.kills, named)
    return int(not good)


def kill_each(server: embedded.Embedded, file: Path, count: int, kills: int, named: dict[str, str]) -> None:
    calm = Record(server, "undisturbed", file)
    with serving(server.service_url, **named) as service:
        told(calm.post(service.address))
    undisturbed = calm.answers()
    for number in range(kills):
        for what in KILLED:
            again = Record(server, f"{what} {number}", file)
            had = killed(again, what, count, named)
            same = again.answers() == undisturbed
            print(
                f"{what} killed at {had} of {len(undisturbed)}: the same answers, each once: {same}",
                flush=True,
            )
            assert same


if __name__ == "__main__":
    sys.exit(main())
