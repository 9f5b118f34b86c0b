"""What a group commit costs the event loop with each of two PostgreSQL drivers: the recorder's, asyncpg,
against psycopg, which serves everything else.

The same statement, the same rows in binary, one connection each, in turns; processor time of this process a
batch, so that the server's share and the disk are left out.
"""

import asyncio
import re
import time
from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any

import psycopg

from coldcase.db import decision_batch, embedded, migrating
from coldcase.db.clock import DatabaseClock
from coldcase.db.decision_batch import RecorderConnection, checked_row
from coldcase.db.engine import run_once
from tests.bench.cases import PLAIN
from tests.bench.figure import Figure, Sizes, of_two
from tests.scale.disk import decisions, published, sampled

ROWS = 16
BATCHES = 150
WARM = 20
KEYS_LIVE = timedelta(days=1)

Batch = Sequence[tuple[Any, ...]]


def measure(sizes: Sizes) -> Iterator[Figure]:
    """One figure."""
    first, second = [], []
    with embedded.temporary(fsync="off") as server:
        migrating.upgrade(server.owner_url)
        made = sampled(PLAIN, run_once(server.owner_url, published))
        for _ in range(sizes.rounds):
            first.append(asyncio.run(with_psycopg(server.service_url, made)))
            second.append(asyncio.run(with_asyncpg(server.service_url, made)))
    yield of_two(
        "drivers, asyncpg",
        "of what psycopg takes",
        (f"us a batch of {ROWS}", second),
        ("psycopg", first),
        how=f"{BATCHES} batches a round, processor time of the client",
    )


async def packed(conn: RecorderConnection, made: Sequence[tuple[dict[str, Any], Any]]) -> list[Batch]:
    """Batches of new decisions, as the recorder sends them."""
    rows = await conn._packed([checked_row(new) for new in decisions(made, ROWS * BATCHES)])
    return [rows[start : start + ROWS] for start in range(0, len(rows), ROWS)]


async def opened(url: str) -> RecorderConnection:
    patience = {"connect_seconds": 5.0, "command_seconds": 30.0, "lock_seconds": 5.0}
    return await RecorderConnection.open(url, DatabaseClock(), **patience)


async def with_psycopg(url: str, made: Sequence[tuple[dict[str, Any], Any]]) -> float:
    """Microseconds a batch."""
    statement = re.sub(r"\$\d+", "%b", decision_batch.INSERT_BATCH.replace("%", "%%"))
    recorder = await opened(url)
    batches = await packed(recorder, made)
    recorder.raw.terminate()
    async with await psycopg.AsyncConnection.connect(url.replace("+psycopg", ""), autocommit=True) as conn:
        await conn.execute("SELECT set_config('coldcase.reads_all', 'on', false)")
        values = [[*(list(column) for column in zip(*rows, strict=True)), KEYS_LIVE] for rows in batches]
        for some in values[:WARM]:
            await (await conn.execute(statement, some, prepare=True, binary=True)).fetchall()
        began = time.process_time()
        for some in values[WARM:]:
            await (await conn.execute(statement, some, prepare=True, binary=True)).fetchall()
        return (time.process_time() - began) / (BATCHES - WARM) * 1e6


async def with_asyncpg(url: str, made: Sequence[tuple[dict[str, Any], Any]]) -> float:
    """Microseconds a batch."""
    recorder = await opened(url)
    values = [[*zip(*rows, strict=True)] for rows in await packed(recorder, made)]
    for some in values[:WARM]:
        await recorder._insert.fetch(*some, KEYS_LIVE)
    began = time.process_time()
    for some in values[WARM:]:
        await recorder._insert.fetch(*some, KEYS_LIVE)
    spent = (time.process_time() - began) / (BATCHES - WARM) * 1e6
    recorder.raw.terminate()
    return spent
