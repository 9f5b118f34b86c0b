"""Sealing and verifying a large record: rates beside merely reading the same rows, silence over an untouched
record, harm named.

python -m tests.scale.sealing [--rows 1000000]
"""

import argparse
import asyncio
import time

from coldcase.auditing import sealing, verifying
from coldcase.db import seals
from tests.scale.filling import Filled, engine, filled

HARM = {
    "a byte of a case": (
        "UPDATE decision SET case_text = overlay(case_text PLACING 'X' FROM 20) WHERE id = %s"
    ),
    "a confidence": "UPDATE decision SET confidence = confidence - 1 WHERE id = %s",
    "a deletion": "DELETE FROM decision WHERE id = %s",
}


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rows", type=int, default=1_000_000)
    rows = arguments.parse_args().rows
    with filled(rows) as record:
        asyncio.run(measure(record))


async def measure(record: Filled) -> None:
    read = await timed("read", reading(record))
    sealed = await timed("sealed", sealing_all(record))
    verified = await timed("verified", verifying_all(record))
    print(
        f"sealing runs at {sealed / read:.2f}, verifying at {verified / read:.2f} of the rate of "
        "merely reading"
    )
    harmed = harm(record)
    async with engine(record.service_url).begin() as conn:
        found = await verifying.verify(conn)
    named = {str(discrepancy.record): discrepancy.detail for discrepancy in found.troubles}
    assert set(named) == set(harmed), (named, harmed)
    for what in found.troubles:
        print(f"  named: {what.what}: {what.detail}")


async def timed(word: str, work) -> float:
    began = time.perf_counter()
    count = await work
    rate = count / (time.perf_counter() - began)
    print(f"{word} {count:,} records at {rate:,.0f} a second", flush=True)
    return rate


async def reading(record: Filled) -> int:
    count = 0
    async with engine(record.service_url).begin() as conn, seals.as_auditor(conn):
        statement = f"SELECT {seals.DECISION} FROM decision AS r ORDER BY r.xid, r.id"
        async for batch in seals.stream(conn, "decision", statement, ()):
            count += len(batch)
    return count


async def sealing_all(record: Filled) -> int:
    count = 0
    while True:
        async with engine(record.service_url).begin() as conn:
            made = await sealing.seal(conn)
        if made is None:
            return count
        count += made.count


async def verifying_all(record: Filled) -> int:
    async with engine(record.service_url).begin() as conn:
        found = await verifying.verify(conn)
    assert found.good, found.troubles[:3]
    print(f"an untouched record: {found.seals} seals, nothing wrong")
    return found.records


def harm(record: Filled) -> set[str]:
    """Does each harm to a decision somewhere in the record, as a superuser with triggers off; which."""
    with record.superuser() as conn:
        conn.execute("SET session_replication_role = replica")
        victims = [
            row[0]
            for row in conn.execute("SELECT id FROM decision TABLESAMPLE SYSTEM (5) LIMIT 3").fetchall()
        ]
        for statement, victim in zip(HARM.values(), victims, strict=True):
            conn.execute(statement, [victim])
    return {str(victim) for victim in victims}


if __name__ == "__main__":
    main()
