"""A backtest of a large record beside merely reading the same rows.

python -m tests.scale.backtesting [--rows 20000] [--rounds 3] [--jobs N] [--repeated]
A third of the cases have readings and oil results, which all differ. The others are coded history: each says
another time of failure, but the evidence of 28 % of them in 20,000 decisions, and of half in 200,000, is that
of one before it, as their drawing has it; nothing is repeated on purpose. With `--repeated` there are thirty
cases. Read and tried in turns, in one run; the last line is all of it as
JSON. Time of processors is that of the processes that read or count, without the server's: it wanders less
where others use the machine, too.
"""

import argparse
import asyncio
import json
import resource
import statistics
import time
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import partial
from typing import Any

import httpx
import msgspec
from uuid_utils import compat

from coldcase.app import create_app
from coldcase.backtesting.running import DECISIONS_A_PIECE, Pace, work_off
from coldcase.clock import now
from coldcase.db import backtests, keys
from coldcase.db.backtests import Tried
from coldcase.db.decisions import DecisionFilter
from coldcase.db.engine import BACKTESTS, make_engine, run_once
from coldcase.db.transactions import transaction
from coldcase.processes import collect_rarely
from coldcase.settings import Settings
from tests.scale.differing import filled_with_differing
from tests.scale.filling import Filled, filled
from tests.web.conftest import Service

MOST_TIMES = 3.0
SCOPES = ("tables:draft", "decisions:read:all")


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rows", type=int, default=20_000)
    arguments.add_argument("--rounds", type=int, default=3)
    arguments.add_argument("--jobs", type=int, default=Settings().backtest_processes)
    arguments.add_argument("--repeated", action="store_true")
    given = arguments.parse_args()
    record: AbstractContextManager[Filled] = (
        filled(given.rows) if given.repeated else filled_with_differing(given.rows)
    )
    with record as made:
        tell(asyncio.run(in_turns(made, given.rows, given.rounds, given.jobs)), given.rows, given.jobs)


@dataclass(frozen=True)
class Turns:
    """What each round took, in seconds, of processors too; and what the last backtest found."""

    reading: list[float]
    trying: list[float]
    used: list[float]
    result: dict[str, Any]

    @property
    def ratios(self) -> list[float]:
        return [one / other for one, other in zip(self.trying, self.reading, strict=True)]


async def in_turns(record: Filled, rows: int, rounds: int, jobs: int) -> Turns:
    """Reads and tries the same rows, one after the other."""
    collect_rarely()
    secret = await key_of(record)
    app = create_app(Settings(database_url=record.service_url, warm_properties=False, backtests="off"))
    reading, trying, used = [], [], []
    async with app.lifespan():
        caller = Service(app, record.owner_url).http(secret)
        # The service seals what was filled in, which is no part of a backtest.
        await asyncio.sleep(5)
        await merely_read(record)
        for _ in range(rounds):
            reading.append(await merely_read(record))
            before = processor_seconds()
            found, seconds = await tried(record, caller, jobs)
            trying.append(seconds)
            used.append(processor_seconds() - before)
            assert found["done"] >= rows, found
        await caller.aclose()
    return Turns(reading, trying, used, found["result"])


def tell(turns: Turns, rows: int, jobs: int) -> None:
    for reading, trying, used in zip(turns.reading, turns.trying, turns.used, strict=True):
        print(f"reading {reading:.2f} s, backtest {trying:.2f} s, {used:.2f} s of processors")
    ratios, result = turns.ratios, turns.result
    ratio = statistics.median(ratios)
    print(
        f"{rows:,} decisions, {jobs} processes: read {rows / statistics.median(turns.reading):,.0f} a second,"
        f" tried {rows / statistics.median(turns.trying):,.0f} a second, {ratio:.2f} times merely reading"
        f" ({min(ratios):.2f} to {max(ratios):.2f}), {1000 * statistics.median(turns.used) / rows:.3f} ms of"
        f" processors a decision; {result['compared']} compared,"
        f" {result['changed']} changed"
        + ("" if ratio <= MOST_TIMES else f"; more than {MOST_TIMES:.0f} times: not as promised")
    )
    figures = {"reading_s": turns.reading, "trying_s": turns.trying, "processor_s": turns.used}
    print(json.dumps({"rows": rows, "jobs": jobs, **figures, "ratio": ratio}))


def processor_seconds() -> float:
    """Of this process and those of its own that have ended."""
    parts = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(part.ru_utime + part.ru_stime for part in parts)


async def merely_read(record: Filled) -> float:
    """Seconds in which the rows come, some at a time, as a backtest asks for them."""
    engine = make_engine(record.service_url, BACKTESTS, connections=1)
    begin, place = partial(transaction, engine, BACKTESTS), None
    all_of_them = Tried(DecisionFilter(stands=True), None)
    began = time.perf_counter()
    while True:
        async with begin() as conn:
            await backtests.see_decisions_of(conn, None)
            found = await backtests.read_recorded(conn, all_of_them, after=place, limit=DECISIONS_A_PIECE)
        if not found:
            break
        place = found[-1].id
    seconds = time.perf_counter() - began
    await engine.dispose()
    return seconds


async def key_of(record: Filled) -> str:
    """A key that may try tables on everybody's decisions."""
    secret = keys.new_secret()
    values: dict[str, Any] = {
        "client_name": "Tern Haven",
        "person": "bench-1",
        "scopes": SCOPES,
        "secret_sha256": keys.secret_digest(secret),
        "now": now(),
    }
    await asyncio.to_thread(
        run_once, record.owner_url, lambda conn: keys.create_key(conn, id_=compat.uuid7(), **values)
    )
    return secret


async def tried(record: Filled, caller: httpx.AsyncClient, jobs: int) -> tuple[dict[str, Any], float]:
    """The backtest of the published table, and the seconds that its processes work on it."""
    started = await caller.post("/v1/rule-tables/1/backtests", json={})
    assert started.status_code == 201, started.text
    began = time.perf_counter()
    await work_off(record.service_url, Pace(1.0), jobs)
    seconds = time.perf_counter() - began
    return msgspec.json.decode((await caller.get(started.headers["Location"])).content), seconds


if __name__ == "__main__":
    main()
