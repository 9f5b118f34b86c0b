"""Backtests of a large record beside merely reading the same rows: of drafts that change one finding, one
limit, or what is weighed in every case.

python -m tests.scale.backtesting [--rows 20000] [--rounds 3] [--jobs N] [--repeated] [--only finding]
A third of the cases have readings and oil results, which all differ. The others are coded history: each says
another time of failure, but the evidence of 28 % of them in 20,000 decisions, and of half in 200,000, is that
of one before it, as their drawing has it; nothing is repeated on purpose. With `--repeated` there are thirty
cases. Read and tried in turns, in one run; the last line is all of it as JSON. To read is to have the answers
unpacked, too. Time of processors is that of the whole machine, the server's included.
"""

import argparse
import asyncio
import json
import os
import statistics
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import msgspec
from uuid_utils import compat

from coldcase.app import create_app
from coldcase.backtesting.running import DECISIONS_A_PIECE, Pace, work_off
from coldcase.clock import now
from coldcase.core.rule_table import RuleTable
from coldcase.db import backtests, keys
from coldcase.db.backtests import Tried
from coldcase.db.decisions import DecisionFilter
from coldcase.db.engine import BACKTESTS, make_engine, run_once
from coldcase.db.transactions import transaction
from coldcase.processes import collect_rarely
from coldcase.settings import Settings
from coldcase.shipped import starter_table
from tests.scale.differing import filled_with_differing
from tests.scale.filling import Filled, filled
from tests.web.conftest import Service

MOST_TIMES = 3.0
SCOPES = ("tables:read", "tables:draft", "decisions:read:all")
MERGE = {"Content-Type": "application/merge-patch+json"}


def one_finding(table: RuleTable) -> dict[str, Any]:
    """Whoever looks at copper plating sees it more often where nothing has to do with it."""
    clear, *others = table.findings["copper_plating"].background
    moved = [clear - 1, others[0] + 1, *others[1:]]
    return {"findings": {"copper_plating": {"background": moved}}}


def one_limit(table: RuleTable) -> dict[str, Any]:
    """The first limit of all stands a hundredth lower."""
    limits: list[dict[str, Any]] = msgspec.to_builtins(table.limits)
    limits[0]["bands"][0]["below"] *= 0.99
    return {"limits": limits}


def everything(table: RuleTable) -> dict[str, Any]:
    """One cause is a tenth commoner: all shares move."""
    cause, rate = next(iter(table.base_rates.items()))
    return {"base_rates": {cause: rate * 1.1}}


CHANGES = {"finding": one_finding, "limit": one_limit, "everything": everything}


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rows", type=int, default=20_000)
    arguments.add_argument("--rounds", type=int, default=3)
    arguments.add_argument("--jobs", type=int, default=Settings().backtest_processes)
    arguments.add_argument("--repeated", action="store_true")
    arguments.add_argument("--only", choices=CHANGES, action="append")
    given = arguments.parse_args()
    record: AbstractContextManager[Filled] = (
        filled(given.rows) if given.repeated else filled_with_differing(given.rows)
    )
    with record as made:
        turns = asyncio.run(in_turns(made, given.rows, given.rounds, given.jobs, given.only or [*CHANGES]))
    tell(turns, given.rows, given.jobs)


@dataclass(frozen=True)
class Trials:
    """What the backtests of one draft took, in seconds, of processors too, and what the last one found."""

    seconds: list[float] = field(default_factory=list)
    used: list[float] = field(default_factory=list)
    result: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Turns:
    """What each round took: to read, in seconds, and each draft."""

    reading: list[float]
    tried: dict[str, Trials]


async def in_turns(record: Filled, rows: int, rounds: int, jobs: int, changes: Sequence[str]) -> Turns:
    """Reads and tries the same rows, one after the other."""
    collect_rarely()
    secret = await key_of(record)
    app = create_app(Settings(database_url=record.service_url, warm_properties=False, backtests="off"))
    turns = Turns([], {name: Trials() for name in changes})
    async with app.lifespan():
        caller = Service(app, record.owner_url).http(secret)
        drafts = {name: await drafted(caller, CHANGES[name]) for name in changes}
        # The service seals what was filled in, which is no part of a backtest.
        await asyncio.sleep(5)
        await merely_read(record)
        for _ in range(rounds):
            turns.reading.append(await merely_read(record))
            for name, trials in turns.tried.items():
                before = processor_seconds()
                found, seconds = await tried(record, caller, drafts[name], jobs)
                trials.seconds.append(seconds)
                trials.used.append(processor_seconds() - before)
                assert found["done"] >= rows, found
                trials.result.update(found["result"])
        await caller.aclose()
    return turns


def tell(turns: Turns, rows: int, jobs: int) -> None:
    read = statistics.median(turns.reading)
    print(f"{rows:,} decisions, {jobs} processes: read {rows / read:,.0f} a second ({read:.1f} s)")
    told: dict[str, Any] = {"rows": rows, "jobs": jobs, "reading_s": turns.reading}
    for name, trials in turns.tried.items():
        ratios = [one / other for one, other in zip(trials.seconds, turns.reading, strict=True)]
        ratio, took = statistics.median(ratios), statistics.median(trials.seconds)
        print(
            f"{name}: {took:.1f} s, {rows / took:,.0f} a second, {ratio:.2f} times merely reading"
            f" ({min(ratios):.2f} to {max(ratios):.2f}), {1000 * statistics.median(trials.used) / rows:.3f}"
            f" ms of processors a decision; {trials.result['changed']} codes and"
            f" {trials.result['same_code_other_confidence']} confidences changed"
            + ("" if ratio <= MOST_TIMES else f"; more than {MOST_TIMES:.0f} times: not as promised")
        )
        told[name] = {"trying_s": trials.seconds, "processor_s": trials.used, "ratio": ratio}
    print(json.dumps(told))


async def drafted(caller: httpx.AsyncClient, change: Callable[[RuleTable], dict[str, Any]]) -> str:
    """The place of a draft with a change of the published table."""
    made = await caller.post("/v1/rule-tables", json={"based_on": 1})
    place = made.headers["Location"]
    tag = (await caller.get(place)).headers["ETag"]
    patch = json.dumps(change(starter_table()))
    headers = {**MERGE, "If-Match": tag}
    edited = await caller.patch(f"{place}/content", content=patch, headers=headers)
    assert edited.status_code == 200, edited.text
    return place


def processor_seconds() -> float:
    """That all processors of this machine have worked so far, for whomever."""
    with Path("/proc/stat").open() as stat:
        user, nice, system = stat.readline().split()[1:4]
    return (int(user) + int(nice) + int(system)) / os.sysconf("SC_CLK_TCK")


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
        for row in found:
            assert row.answer_text
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


async def tried(
    record: Filled, caller: httpx.AsyncClient, draft: str, jobs: int
) -> tuple[dict[str, Any], float]:
    """The backtest of a draft, and the seconds that its processes work on it."""
    started = await caller.post(f"{draft}/backtests", json={})
    assert started.status_code == 201, started.text
    began = time.perf_counter()
    await work_off(record.service_url, Pace(1.0), jobs)
    seconds = time.perf_counter() - began
    return msgspec.json.decode((await caller.get(started.headers["Location"])).content), seconds


if __name__ == "__main__":
    main()
