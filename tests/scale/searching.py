"""Searching: the 99th percentile with a large record beside that with a small one, for each filter, and the
plan behind it.

python -m tests.scale.searching [--small 10000] [--large 1000000] [--times 300]
"""

import argparse
import asyncio
import random
import time
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import text
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg

from coldcase.db import decisions
from coldcase.db.decisions import DecisionFilter
from tests.scale.filling import Filled, engine, filled

START = datetime.fromtimestamp(1768000000, UTC)
MOST_RATIO = 2.0


def searches(rows: int, chance: random.Random) -> dict[str, DecisionFilter]:
    """One search for each filter, with a value drawn at random."""
    n = chance.randrange(rows)
    moment = START + timedelta(seconds=15 * n)
    month: dict[str, Any] = {"from_": moment - timedelta(days=30), "to": moment}
    return {
        "nothing": DecisionFilter(client_id=1),
        "cause": DecisionFilter(
            client_id=1,
            cause=chance.choice(["moisture", "liquid_slugging", "single_phasing", "undetermined"]),
        ),
        "status": DecisionFilter(client_id=1, status=chance.choice(["coded", "provisional", "undetermined"])),
        "job_ref": DecisionFilter(client_id=1, job_ref=f"TH-{n}"),
        "circuit": DecisionFilter(client_id=1, circuit=f"rack-{n % 97}"),
        "compressor_type": DecisionFilter(
            client_id=1, compressor_type=chance.choice(["scroll", "reciprocating"])
        ),
        "refrigerant": DecisionFilter(client_id=1, refrigerant=chance.choice(["R-134a", "R-290", "R-744"])),
        "rule_table": DecisionFilter(client_id=1, rule_table=1),
        "has_verdict": DecisionFilter(client_id=1, has_verdict=True),
        "no verdict": DecisionFilter(client_id=1, has_verdict=False),
        "from, to": DecisionFilter(client_id=1, **month),
        "recorded_at": DecisionFilter(client_id=1, by="recorded_at", **month),
        "a page further on": DecisionFilter(client_id=1, to=moment),
        "another client's": DecisionFilter(client_id=2, cause="moisture"),
    }


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--small", type=int, default=10_000)
    arguments.add_argument("--large", type=int, default=1_000_000)
    arguments.add_argument("--times", type=int, default=300)
    given = arguments.parse_args()
    with filled(given.small) as record:
        small = asyncio.run(measure(record, given.small, given.times))
        record.fill(given.small, given.large)
        large = asyncio.run(measure(record, given.large, given.times))
        plans = asyncio.run(explain(record, given.large))
    print(f"{'filter':<18} {'small':>8} {'large':>8}  ratio (p99, ms)")
    for name in small:
        print(
            f"{name:<18} {small[name]:>8.2f} {large[name]:>8.2f}  {large[name] / small[name]:.2f}  "
            f"{plans[name]}"
        )
    assert all(large[name] <= MOST_RATIO * small[name] for name in small)


async def measure(record: Filled, rows: int, times: int) -> dict[str, float]:
    """The 99th percentile of each search in milliseconds; all take turns, so that a shared machine's moods
    hit all alike."""
    chance, taken = random.Random(1184), {}
    async with engine(record.service_url).connect() as conn:
        for turn in range(times + 20):
            for name, wanted in searches(rows, chance).items():
                async with conn.begin():
                    await decisions.view_as(conn, 1)
                    began = time.perf_counter()
                    await decisions.find_decisions(conn, wanted, limit=51)
                    if turn >= 20:
                        taken.setdefault(name, []).append((time.perf_counter() - began) * 1000)
    return {name: sorted(values)[int(len(values) * 0.99)] for name, values in taken.items()}


async def explain(record: Filled, rows: int) -> dict[str, str]:
    """The indexes that each search goes by. Raises where one reads a whole table."""
    found = {}
    async with engine(record.service_url).connect() as conn:
        for name, wanted in searches(rows, random.Random(1184)).items():
            await decisions.view_as(conn, 1)
            compiled = decisions.matching(wanted).limit(51).compile(dialect=PGDialect_psycopg())
            rows_ = await conn.exec_driver_sql(f"EXPLAIN (FORMAT JSON) {compiled}", dict(compiled.params))
            nodes = list(_nodes(rows_.scalar_one()[0]["Plan"]))
            found[name] = ", ".join(sorted({node["Index Name"] for node in nodes if "Index Name" in node}))
            assert not any(node["Node Type"] == "Seq Scan" and node["Plan Rows"] > 1000 for node in nodes), (
                name,
                nodes,
            )
            await conn.execute(text("ROLLBACK"))
    return found


def _nodes(plan: dict[str, Any]) -> Any:
    yield plan
    for part in plan.get("Plans", ()):
        yield from _nodes(part)


if __name__ == "__main__":
    main()
