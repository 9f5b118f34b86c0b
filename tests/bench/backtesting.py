"""A backtest of a record whose cases all differ, a third of them with readings, against merely reading the
same rows."""

import asyncio
from collections.abc import Iterator

from coldcase.settings import Settings
from tests.bench.figure import Figure, Sizes, of_two
from tests.scale.backtesting import MOST_TIMES, in_turns
from tests.scale.differing import filled_with_differing


def measure(sizes: Sizes) -> Iterator[Figure]:
    """One figure."""
    rows, jobs = sizes.backtest_rows, Settings().backtest_processes
    with filled_with_differing(rows) as record:
        turns = asyncio.run(in_turns(record, rows, sizes.rounds, jobs))
    yield of_two(
        "backtest",
        "times merely reading",
        ("seconds", turns.trying),
        ("reading", turns.reading),
        wanted=("at most", MOST_TIMES),
        how=f"{rows:,} decisions, {jobs} processes at the most; no process is held to a core",
    )
