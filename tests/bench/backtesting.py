"""Backtests of a record whose cases all differ, a third of them with readings, against merely reading the
same rows: of drafts that change one finding, one limit, or what is weighed in every case."""

import asyncio
from collections.abc import Iterator

from coldcase.settings import Settings
from tests.bench.figure import Figure, Sizes, of_two
from tests.scale.backtesting import CHANGES, MOST_TIMES, in_turns
from tests.scale.differing import filled_with_differing


def measure(sizes: Sizes) -> Iterator[Figure]:
    """One figure for each draft."""
    rows, jobs = sizes.backtest_rows, Settings().backtest_processes
    with filled_with_differing(rows) as record:
        turns = asyncio.run(in_turns(record, rows, sizes.rounds, jobs, [*CHANGES]))
    for name, trials in turns.tried.items():
        yield of_two(
            f"backtest ({name})",
            "times merely reading",
            ("seconds", trials.seconds),
            ("reading", turns.reading),
            wanted=("at most", MOST_TIMES),
            how=f"{rows:,} decisions, {jobs} processes at the most; no process is held to a core",
        )
