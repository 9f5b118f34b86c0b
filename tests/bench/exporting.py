"""Exports over HTTP against `COPY … TO STDOUT` of the same columns."""

from collections.abc import Iterator

from tests.bench.figure import Figure, Sizes, of_two
from tests.bench.stage import CORES, on_last_core, where
from tests.scale.exporting import WARM, copy, fetch, serving
from tests.scale.filling import filled

FORMATS = ("ndjson", "csv", "parquet")
LEAST = 0.4


def measure(sizes: Sizes) -> Iterator[Figure]:
    """A figure a format; the first is what is promised."""
    rows = sizes.export_rows
    copied: list[float] = []
    found: dict[str, list[float]] = {name: [] for name in FORMATS}
    with on_last_core(), filled(rows) as record, serving(record, {CORES[0]}) as (address, _):
        copy(record)
        for name in FORMATS:
            fetch(address, record.secret, f"{name}{WARM}")
        for _ in range(sizes.rounds):
            copied.append(copy(record))
            for name in FORMATS:
                found[name].append(rows / fetch(address, record.secret, name)[1])
    for name in FORMATS:
        yield of_two(
            f"export, {name}",
            "of COPY TO",
            ("rows a second", found[name]),
            ("COPY TO", copied),
            wanted=("at least", LEAST),
            how=f"{rows:,} rows, read by a Python client beside PostgreSQL, {where()}",
        )
