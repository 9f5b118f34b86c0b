"""Rows of Parquet answered on Ray beside one process of `coldcase parquet`, in one run; a sample compared to
the answers of single cases; with `--load` loaded into a record, twice.

python -m tests.scale.ray_run [--rows 100000] [--jobs 2] [--sample 10000] [--load]
"""

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from functools import partial
from itertools import islice, zip_longest
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet

from coldcase.classifying import answer_case, case_of
from coldcase.cli.tables import compiled_from
from coldcase.db import embedded, migrating
from coldcase.errors import BadCase
from tests.scale.importing import lines
from tests.serving import make_key, serving

ROWS_A_GROUP = 10_000


def write_rows(path: Path, count: int) -> None:
    made = (line.rstrip() for line in lines(count))
    with pa.parquet.ParquetWriter(path, pa.schema([("line", pa.binary())])) as writer:
        while group := list(islice(made, ROWS_A_GROUP)):
            writer.write_table(pa.table({"line": group}, schema=writer.schema))


def answered(source: Path, target: Path, engine: str, jobs: int) -> float:
    """Seconds of the command."""
    args = ["parquet", str(source), str(target), "--engine", engine, "--jobs", str(jobs)]
    began = time.perf_counter()
    subprocess.run([sys.executable, "-m", "coldcase", *args], check=True, capture_output=True)
    return time.perf_counter() - began


def same_rows(one: Path, other: Path) -> bool:
    """Whether both folders hold the same rows in the same order, which are not held all at once."""
    return all(here == there for here, there in zip_longest(rows_of(one), rows_of(other)))


def rows_of(folder: Path) -> Iterator[dict[str, Any]]:
    """All rows, file by file in the order of their names."""
    for path in sorted(folder.glob("*.parquet")):
        for batch in pa.parquet.ParquetFile(path).iter_batches(batch_size=1000):
            yield from batch.to_pylist()


def sampled(folder: Path, count: int, of: int) -> int:
    """Of so many rows those whose code or confidence is not that of the case alone; none is expected."""
    compiled = compiled_from(None)
    read = partial(case_of, compiled=compiled)
    chosen = {*random.Random(3).sample(range(of), min(count, of))}
    unlike = 0
    for row in (row for place, row in enumerate(rows_of(folder)) if place in chosen):
        said = json.loads(row["line"])
        expected: tuple[Any, ...] = (None, None, None)
        with suppress(BadCase):
            answer = answer_case(read(said.get("case", said)), compiled, next_checks=False)
            expected = (answer.cause, answer.status, answer.confidence)
        unlike += (row["cause"], row["status"], row["confidence"]) != expected
    return unlike


def loaded(folder: Path, count: int) -> None:
    with embedded.temporary() as server, server.kept_running():
        migrating.upgrade(server.owner_url)
        with serving(server.service_url):
            environ = os.environ | {"COLDCASE_KEY": make_key(server.owner_url, "decisions:write")}
            args = ["load", str(folder), "--owner-url", server.owner_url, "--json"]
            for _ in range(2):
                began = time.perf_counter()
                told = subprocess.run(
                    [sys.executable, "-m", "coldcase", *args], env=environ, capture_output=True, check=False
                )
                counts = json.loads(told.stdout)
                rate = count / (time.perf_counter() - began)
                print(f"loaded {rate:,.0f} rows a second: {counts}", flush=True)


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rows", type=int, default=100_000)
    arguments.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    arguments.add_argument("--sample", type=int, default=10_000)
    arguments.add_argument("--load", action="store_true")
    chosen = arguments.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        source = folder / "rows.parquet"
        write_rows(source, chosen.rows)
        seconds = {}
        for name, engine, jobs in (("one process", "here", 1), ("Ray", "ray", chosen.jobs)):
            seconds[name] = answered(source, folder / engine, engine, jobs)
            print(
                f"{name}: {chosen.rows / seconds[name]:,.0f} rows a second, its beginning included",
                flush=True,
            )
        print(f"Ray with {chosen.jobs} actors: {seconds['one process'] / seconds['Ray']:.2f} of one process")
        same = same_rows(folder / "here", folder / "ray")
        print(f"the same rows in the same order: {same}", flush=True)
        unlike = sampled(folder / "ray", chosen.sample, chosen.rows)
        print(
            f"of {min(chosen.sample, chosen.rows)} rows {unlike} have another code or confidence than alone"
        )
        assert same
        assert not unlike
        if chosen.load:
            loaded(folder / "ray", chosen.rows)


if __name__ == "__main__":
    main()
