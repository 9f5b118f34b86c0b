"""What a group commit costs the event loop with each of the two drivers: `python -m tests.bench.drivers
[BATCHES]`.

The same statement, the same rows in binary, one connection each, in turn; CPU time of this process a batch,
so that the server's share and the disk are left out. The recorder's driver is the second; the first serves
everything else.
"""

import asyncio
import hashlib
import re
import statistics
import sys
import time
from datetime import UTC, datetime, timedelta

import asyncpg
import psycopg
from uuid_utils.compat import uuid7

from coldcase.db import decision_batch, embedded, migrating
from coldcase.shipped import demo_cases

ROWS = 16
KEYS_LIVE = timedelta(days=1)


def rows(count: int) -> list[tuple[object, ...]]:
    """Decisions as they are recorded, with an answer of 8 KiB."""
    case = next(iter(demo_cases().values())).case
    text = repr(case)
    made: list[tuple[object, ...]] = []
    for _ in range(count):
        id_ = uuid7()
        digest = hashlib.sha256(text.encode()).digest()
        made.append(
            (
                id_,
                1,
                datetime.now(UTC),
                str(id_),
                digest,
                text,
                "x" * 8192,
                "moisture",
                "coded",
                9000,
                "TH-1184",
                None,
                None,
                "scroll",
                "R-448A",
                1,
                "1.0.0",
                None,
            )
        )
    return made


async def with_psycopg(url: str, batches: int) -> float:
    statement = re.sub(r"\$\d+", "%b", decision_batch.INSERT_BATCH.replace("%", "%%"))
    async with await psycopg.AsyncConnection.connect(url.replace("+psycopg", ""), autocommit=True) as conn:
        await conn.execute("SELECT set_config('coldcase.reads_all', 'on', false)")
        prepared = [
            [*(list(column) for column in zip(*rows(ROWS), strict=True)), KEYS_LIVE] for _ in range(batches)
        ]
        for values in prepared[:20]:
            await (await conn.execute(statement, values, prepare=True, binary=True)).fetchall()
        began = time.process_time()
        for values in prepared[20:]:
            await (await conn.execute(statement, values, prepare=True, binary=True)).fetchall()
        return (time.process_time() - began) / (batches - 20)


async def with_asyncpg(url: str, batches: int) -> float:
    conn = await asyncpg.connect(url.replace("+psycopg", ""), server_settings={"coldcase.reads_all": "on"})
    statement = await conn.prepare(decision_batch.INSERT_BATCH)
    prepared = [list(zip(*rows(ROWS), strict=True)) for _ in range(batches)]
    for values in prepared[:20]:
        await statement.fetch(*values, KEYS_LIVE)
    began = time.process_time()
    for values in prepared[20:]:
        await statement.fetch(*values, KEYS_LIVE)
    spent = (time.process_time() - began) / (batches - 20)
    await conn.close()
    return spent


def main() -> None:
    batches = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    with embedded.temporary(fsync="off") as server:
        migrating.upgrade(server.owner_url)
        with psycopg.connect(server.owner_url.replace("+psycopg", "")) as conn:
            conn.execute("INSERT INTO client (name) VALUES ('Tern Haven')")
        ratios = []
        for _ in range(5):
            first = asyncio.run(with_psycopg(server.service_url, batches))
            second = asyncio.run(with_asyncpg(server.service_url, batches))
            ratios.append(second / first)
            print(
                f"psycopg {first * 1e6:6.0f} us a batch of {ROWS}   asyncpg {second * 1e6:6.0f} us   "
                f"ratio {second / first:.2f}"
            )
        print(
            f"asyncpg / psycopg: median {statistics.median(ratios):.2f}, {min(ratios):.2f} to "
            f"{max(ratios):.2f}"
        )


if __name__ == "__main__":
    main()
