"""What one caller's costly requests do to another's cheap ones: a preview's latency alone, and beside each of
them.

python -m tests.scale.neighbours [--rows 50000] [--seconds 5] [--only docs]
"""

import argparse
import itertools
import multiprocessing
import random
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from http.client import HTTPConnection
from multiprocessing.synchronize import Event

import msgspec
import psycopg

from tests.scale.filling import Filled, filled
from tests.serving import make_key, serving

CASE = msgspec.json.encode(
    {
        "unit": {"compressor_type": "scroll", "motor": "three_phase"},
        "observations": {"copper_plating": "heavy"},
    }
)
THREADS = 8
TABLES = 12
PAUSE_S = 0.01
# Rule tables like the first one, of which a replica has to compile each.
MORE_TABLES = f"""
INSERT INTO rule_table (version, digest, document, created_at, created_by)
SELECT n, 'sha256:' || encode(sha256(n::text::bytea), 'hex'), document, created_at, created_by
FROM rule_table, generate_series(2, {TABLES + 1}) AS n WHERE version = 1
"""
PUBLISHED = f"""
INSERT INTO rule_table_event (version, kind, at) SELECT n, kind, at
    FROM generate_series({TABLES + 1}, 2, -1) AS n,
(SELECT kind, at FROM rule_table_event WHERE version = 1 LIMIT 1) AS first
"""
WITHDRAWN = (
    "INSERT INTO rule_table_event (version, kind, at) SELECT n, 'withdraw', now() FROM "
    f"generate_series(2, {TABLES + 1}) AS n"
)


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rows", type=int, default=50_000)
    arguments.add_argument("--seconds", type=float, default=5)
    arguments.add_argument("--only", choices=LOADS)
    given = arguments.parse_args()
    with filled(given.rows) as record:
        more_tables(record)
        secret = make_key(record.owner_url, "preview", client="Butter Store")
        costly = make_key(
            record.owner_url,
            "decisions:read",
            "preview",
            "tables:draft",
            "audit:read",
            "decisions:read:all",
            client="Costly",
        )
        with serving(record.service_url, seal_seconds="1") as service:
            ids = sealed(record)
            report("alone", latencies(service.port, secret, given.seconds), None)
            alone = latencies(service.port, secret, given.seconds)
            report("alone, again", alone, None)
            for name in [given.only] if given.only else LOADS:
                with loading(name, service.port, costly, ids):
                    report(name, latencies(service.port, secret, given.seconds), alone)


def more_tables(record: Filled) -> None:
    """Adds the tables; the first stays the current one."""
    with record.superuser() as conn:
        conn.execute("SET session_replication_role = replica")
        for statement in (MORE_TABLES, PUBLISHED, WITHDRAWN):
            conn.execute(statement)


def sealed(record: Filled) -> list[str]:
    """Names of some decisions, once they are sealed."""
    with psycopg.connect(record.superuser_url) as conn:
        while not conn.execute("SELECT count(*) FROM audit_seal_member").fetchone()[0]:
            conn.rollback()
            time.sleep(0.2)
        return [
            str(id_)
            for (id_,) in conn.execute(
                "SELECT record FROM audit_seal_member WHERE kind = 0 ORDER BY random() LIMIT 200"
            )
        ]


def latencies(port: int, secret: str, seconds: float) -> list[float]:
    """Milliseconds of each of the quiet caller's previews."""
    found = []
    with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            began = time.perf_counter()
            ask(connection, "POST", "/v1/classifications/preview", secret, CASE)
            found.append((time.perf_counter() - began) * 1000)
            time.sleep(PAUSE_S)
    return sorted(found)


def ask(connection: HTTPConnection, method: str, path: str, secret: str, body: bytes | None = None) -> None:
    connection.request(
        method,
        path,
        body=body,
        headers={"Authorization": f"Bearer {secret}", "Content-Type": "application/json"},
    )
    answered = connection.getresponse()
    answered.read()
    assert answered.status in (200, 304, 429, 503), (path, answered.status)


def report(name: str, found: list[float], alone: list[float] | None) -> None:
    p50, p99, most = (found[min(len(found) - 1, int(len(found) * part))] for part in (0.5, 0.99, 1))
    beside = (
        ""
        if alone is None
        else f"   p50 x {p50 / alone[len(alone) // 2]:.1f}, p99 x {p99 / alone[int(len(alone) * 0.99)]:.1f}"
    )
    print(
        f"{name:24} p50 {p50:7.1f} ms   p99 {p99:7.1f} ms   most {most:7.1f} ms   {len(found)} "
        f"previews{beside}",
        flush=True,
    )


def paths(name: str, ids: list[str]) -> Iterator[str]:
    """The paths that a load asks for, without end."""
    match name:
        case "docs" | "openapi.json":
            return itertools.repeat(f"/{name}")
        case "inclusion":
            return (f"/v1/decisions/{random.choice(ids)}/inclusion" for _ in itertools.count())
        case "report":
            return (f"/v1/decisions/{random.choice(ids)}" for _ in itertools.count())
        case "vocabulary":
            return itertools.repeat("/v1/vocabulary")
        case _:
            return (
                f"/v1/classifications/preview?rule_table={2 + number % TABLES}"
                for number in itertools.count()
            )


def asking(name: str, port: int, secret: str, ids: list[str], stop: Event) -> None:
    """Asks as fast as it can."""
    wanted = paths(name, ids)
    with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        while not stop.is_set():
            method, body = ("POST", CASE) if name == "tables" else ("GET", None)
            if name == "report":
                connection.request(
                    method, next(wanted), headers={"Authorization": f"Bearer {secret}", "Accept": "text/html"}
                )
                connection.getresponse().read()
            else:
                ask(connection, method, next(wanted), secret, body)


def verifying(name: str, port: int, secret: str, ids: list[str], stop: Event) -> None:
    """Verifies again and again."""
    del name, ids
    with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        while not stop.is_set():
            ask(connection, "POST", "/v1/audit-seals/verify", secret)


def exporting(name: str, port: int, secret: str, ids: list[str], stop: Event) -> None:
    """Reads exports, slowly or as fast as it can."""
    del ids
    format_, pace = name.split(", ")
    while not stop.is_set():
        with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
            connection.request(
                "GET",
                f"/v1/decisions/export?full=true&format={format_}",
                headers={"Authorization": f"Bearer {secret}"},
            )
            answered = connection.getresponse()
            while not stop.is_set() and answered.read(64 * 1024):
                time.sleep(0.02 if pace == "slowly" else 0)


Load = Callable[[str, int, str, list[str], Event], None]
LOADS: dict[str, tuple[int, Load]] = {
    **dict.fromkeys(
        ("docs", "openapi.json", "vocabulary", "report", "inclusion", "tables"), (THREADS, asking)
    ),
    "verify": (1, verifying),
    **{
        f"{format_}, {pace}": (1, exporting)
        for format_ in ("ndjson", "csv", "parquet")
        for pace in ("slowly", "quickly")
    },
}


def in_threads(name: str, port: int, secret: str, ids: list[str], begun: Event, stop: Event) -> None:
    count, work = LOADS[name]
    begun.set()
    threads = [threading.Thread(target=work, args=(name, port, secret, ids, stop)) for _ in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


@contextmanager
def loading(name: str, port: int, secret: str, ids: list[str]) -> Iterator[None]:
    """Another caller at work, in a process of its own."""
    context = multiprocessing.get_context("spawn")
    begun, stop = context.Event(), context.Event()
    process = context.Process(target=in_threads, args=(name, port, secret, ids, begun, stop))
    process.start()
    begun.wait()
    time.sleep(0.5)
    try:
        yield
    finally:
        stop.set()
        process.join()


if __name__ == "__main__":
    main()
