"""A backtest of a large record beside merely reading the same rows, nothing else running.

python -m tests.scale.backtesting [--rows 200000] [--repeated]

Every case is one of its own, so that none is answered from memory; with `--repeated` there are thirty.
"""

import argparse
import asyncio
import time
from functools import partial
from typing import Any

import httpx
import msgspec
from uuid_utils import compat

from coldcase.app import create_app
from coldcase.backtesting.pieces import collect_rarely
from coldcase.backtesting.running import PIECE, Pace, work_off
from coldcase.clock import now
from coldcase.db import backtests, keys
from coldcase.db.backtests import Tried
from coldcase.db.decisions import DecisionFilter
from coldcase.db.engine import BACKTESTS, make_engine, run_once
from coldcase.db.transactions import transaction
from coldcase.settings import Settings
from tests.scale.filling import Filled, filled
from tests.web.conftest import Service

MOST_TIMES = 3.0

EACH_ITS_OWN = """
UPDATE decision SET case_text = jsonb_set(case_text::jsonb, '{job}',
    jsonb_build_object('failed_at', to_char(recorded_at, 'YYYY-MM-DD"T"HH24:MI:SS"Z"')))::text
"""


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rows", type=int, default=200_000)
    arguments.add_argument("--repeated", action="store_true")
    given = arguments.parse_args()
    with filled(given.rows) as record:
        if not given.repeated:
            with record.superuser() as conn:
                conn.execute("SET session_replication_role = replica")
                conn.execute(EACH_ITS_OWN)
                conn.execute("VACUUM ANALYZE decision")
        asyncio.run(compare(record, given.rows))


async def compare(record: Filled, rows: int) -> None:
    collect_rarely()
    await merely_read(record)
    reading = await merely_read(record)
    print(f"merely reading: {rows / reading:,.0f} rows a second", flush=True)
    found, seconds = await tried(record)
    print(
        f"backtest: {rows / seconds:,.0f} rows a second, {seconds / reading:.2f} times merely reading;"
        f" {found['result']['compared']} compared, {found['result']['changed']} changed",
        flush=True,
    )
    assert found["done"] >= rows
    if seconds > MOST_TIMES * reading:
        print(f"more than {MOST_TIMES:.0f} times: not as promised", flush=True)


async def merely_read(record: Filled) -> float:
    """Seconds in which the rows come, some at a time, as a backtest asks for them."""
    engine = make_engine(record.service_url, BACKTESTS, connections=1)
    begin, place = partial(transaction, engine, BACKTESTS), None
    all_of_them = Tried(DecisionFilter(stands=True), None)
    began = time.perf_counter()
    while True:
        async with begin() as conn:
            await backtests.see_decisions_of(conn, None)
            found = await backtests.read_recorded(conn, all_of_them, after=place, limit=PIECE)
        if not found:
            break
        place = found[-1].id
    seconds = time.perf_counter() - began
    await engine.dispose()
    return seconds


async def tried(record: Filled) -> tuple[dict[str, Any], float]:
    """The backtest of the published table, and the seconds that its process works on it."""
    secret = keys.new_secret()
    values: dict[str, Any] = {
        "client_name": "Tern Haven",
        "person": "bench-1",
        "scopes": ("tables:draft", "decisions:read:all"),
        "secret_sha256": keys.secret_digest(secret),
        "now": now(),
    }
    await asyncio.to_thread(
        run_once, record.owner_url, lambda conn: keys.create_key(conn, id_=compat.uuid7(), **values)
    )
    settings = Settings(database_url=record.service_url, warm_properties=False, backtests="off")
    app = create_app(settings)
    async with app.lifespan():
        caller: httpx.AsyncClient = Service(app, record.owner_url).http(secret)
        started = await caller.post("/v1/rule-tables/1/backtests", json={})
        assert started.status_code == 201, started.text
        # The service seals what was filled in, which is no part of a backtest.
        await asyncio.sleep(5)
        began = time.perf_counter()
        await work_off(record.service_url, Pace(1.0))
        seconds = time.perf_counter() - began
        found = msgspec.json.decode((await caller.get(started.headers["Location"])).content)
        await caller.aclose()
    return found, seconds


if __name__ == "__main__":
    main()
