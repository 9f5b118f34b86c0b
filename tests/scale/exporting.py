"""Exporting a large record over HTTP: memory of the serving process, and rate beside `COPY … TO STDOUT` of
the same columns.

python -m tests.scale.exporting [--rows 200000]
"""

import argparse
import multiprocessing
import os
import threading
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from multiprocessing.synchronize import Event
from pathlib import Path

import httpx
import psycopg

from coldcase.cli.server import listen, make_server
from coldcase.db.decisions import DecisionFilter
from coldcase.db.export import statement
from coldcase.settings import Settings
from tests.scale.filling import Filled, filled

MIB = 1024 * 1024
MOST_GROWTH_MIB = 60
LEAST_SHARE = 0.3
WARM = "&job_ref=TH-1"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rows", type=int, default=200_000)
    rows = arguments.parse_args().rows
    with filled(rows) as record, serving(record) as (address, process):
        copied = copy(record)
        print(f"COPY … TO STDOUT: {copied:,.0f} rows a second", flush=True)
        for format_ in ("ndjson", "csv", "parquet"):
            fetch(address, record.secret, f"{format_}{WARM}")
            with growth(process) as grown:
                count, seconds = fetch(address, record.secret, format_)
            rate = rows / seconds
            print(
                f"{format_}: {rate:,.0f} rows a second ({count / MIB / seconds:,.0f} MiB/s), "
                f"{rate / copied:.2f} of COPY,"
                f" memory grew by {grown[0] / MIB:.0f} MiB",
                flush=True,
            )
            assert grown[0] < MOST_GROWTH_MIB * MIB
            assert rate >= LEAST_SHARE * copied


def copy(record: Filled) -> float:
    """Rows a second of COPY of the same columns to a client that throws them away."""
    sql, values = statement(DecisionFilter(client_id=1))
    began, rows = time.perf_counter(), 0
    with psycopg.connect(record.service_url.replace("+psycopg", "")) as conn:
        conn.execute("SELECT set_config('coldcase.client', '1', true)")
        with conn.cursor() as cursor, cursor.copy(f"COPY ({sql}) TO STDOUT", values) as pieces:
            for _ in pieces:
                rows += 1
    return rows / (time.perf_counter() - began)


def fetch(address: str, secret: str, format_: str) -> tuple[int, float]:
    """Bytes and seconds of one export, thrown away as they come."""
    began, size = time.perf_counter(), 0
    with httpx.stream(
        "GET",
        f"{address}/v1/decisions/export?format={format_}",
        headers={"Authorization": f"Bearer {secret}"},
        timeout=600,
    ) as answered:
        assert answered.status_code == 200
        for piece in answered.iter_raw():
            size += len(piece)
    return size, time.perf_counter() - began


@contextmanager
def growth(process: int) -> Iterator[list[int]]:
    """By how many bytes a process's resident memory was ever above what it is now; told when the block has
    ended."""
    found, start, over = [0], resident(process), threading.Event()

    def watch() -> None:
        while not over.wait(0.05):
            found[0] = max(found[0], resident(process) - start)

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        yield found
    finally:
        over.set()
        watcher.join()


def resident(process: int) -> int:
    """Bytes of a process in memory."""
    pages = Path(f"/proc/{process}/statm").read_text().split()[1]
    return int(pages) * 4096


def serve(url: str, port: int, stop: Event, cores: Collection[int]) -> None:
    os.sched_setaffinity(0, cores)
    with listen(Settings(port=port)) as listener:
        server = make_server(Settings(database_url=url, warm_properties=False))
        threading.Thread(
            target=lambda: (stop.wait(), setattr(server, "should_exit", True)), daemon=True
        ).start()
        server.run(sockets=[listener])


@contextmanager
def serving(record: Filled, cores: Collection[int] = ()) -> Iterator[tuple[str, int]]:
    """The service in a process of its own, on these cores if any are named: its address and the process's
    number."""
    held = cores or os.sched_getaffinity(0)
    with listen(Settings(port=0)) as free:
        port = free.getsockname()[1]
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    process = context.Process(target=serve, args=(record.service_url, port, stop, held))
    process.start()
    address = f"http://127.0.0.1:{port}"
    for _ in range(200):
        try:
            httpx.get(f"{address}/health/ready")
            break
        except httpx.TransportError:
            time.sleep(0.1)
    assert process.pid is not None
    try:
        yield address, process.pid
    finally:
        stop.set()
        process.join()


if __name__ == "__main__":
    main()
