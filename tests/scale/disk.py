"""What a decision takes on disk, everything included: table, TOAST, indexes and what it is known
by: the idempotency key of its request, or the line of its import.

    python -m tests.scale.disk [--rows 20000] [--history] [--shuffled]

The benchmark's cases, all different: without readings, with them, and every second one with them. Recorded by
the recorder's own statement, each under a key, or with --history as lines of an import; each kind in a record
of its own. Jobs are recorded in the order in which they were closed, or with --shuffled in
none, which fills indexes less well. What a seal adds is told beside it.
"""

import argparse
import asyncio
import json
import random
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import Any
from uuid import uuid4

import msgspec
import psycopg
from uuid_utils import compat

from coldcase import dictionaries
from coldcase.classifying import add_readings, encode_answer, read_case
from coldcase.core import ENGINE_VERSION, answer_builder
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import canonical_table, digest_of
from coldcase.db import answers, embedded, migrating, rule_tables
from coldcase.db.bulk_recorder import TAKE_LINES
from coldcase.db.clock import DatabaseClock
from coldcase.db.decision_batch import PLACES, RecorderConnection, checked_row
from coldcase.db.engine import run_once
from coldcase.governing import compile_stored
from coldcase.proof.canonical import canonical_json, fingerprint
from coldcase.proof.decision_columns import NewDecision
from coldcase.shipped import starter_table
from tests.bench.cases import BLEND, PLAIN, PURE, bodies

MIXES = {
    "without readings": (PLAIN,),
    "with readings": (PURE, BLEND),
    "every second one with readings": (PLAIN, PURE, PLAIN, BLEND),
}
DIFFERENT = 1000
AT_ONCE = 64
BETWEEN_JOBS_S = 900

SIZES = """
SELECT sum(pg_relation_size(relid) + pg_relation_size(relid, 'fsm') + pg_relation_size(relid, 'vm')),
    sum(pg_total_relation_size(nullif(reltoastrelid, 0))), sum(pg_indexes_size(relid)),
    pg_total_relation_size('idempotency') + pg_total_relation_size('bulk_line'),
    pg_total_relation_size('audit_seal_member')
FROM pg_partition_tree('decision') JOIN pg_class ON oid = relid WHERE isleaf
"""
PARTS = ("table", "TOAST", "indexes", "known by")


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rows", type=int, default=20_000)
    arguments.add_argument("--history", action="store_true")
    arguments.add_argument("--shuffled", action="store_true")
    given = arguments.parse_args()
    for name in MIXES:
        tell(measured(name, given.rows, history=given.history, shuffled=given.shuffled), name)


def measured(mix: str, rows: int, *, history: bool = False, shuffled: bool = False) -> dict[str, float]:
    """Bytes a decision of a mix: each of `PARTS`, and beside them its place under a seal, its case and its
    answer."""
    with embedded.temporary(shared_buffers="256MB", fsync="off") as server:
        migrating.upgrade(server.owner_url)
        compiled = run_once(server.owner_url, published)
        made = [sampled(kind, compiled) for kind in MIXES[mix]]
        # Of two kinds the rows take turns.
        mixed = [one for together in zip(*made, strict=True) for one in together]
        asyncio.run(
            filled(server, decisions(mixed, rows, history=history, shuffled=shuffled), history=history)
        )
        return sizes(server, rows)


async def published(conn: Any) -> CompiledTable:
    document = canonical_table(starter_table())
    await rule_tables.publish_first(conn, document, digest_of(document))
    compiled = compile_stored(await rule_tables.current_table(conn))
    made = dictionaries.trained(compiled)
    assert compiled.version is not None
    assert made is not None
    assert await answers.keep_dictionary(conn, compiled.version, made)
    return compiled


def sampled(kind: str, compiled: CompiledTable) -> list[tuple[dict[str, Any], Any]]:
    """Cases of a kind with their answers."""
    sent = bodies(kind)
    parsed = [read_case(body, compiled) for body in sent[:DIFFERENT]]
    made = answer_builder.build_answers([add_readings(one, compiled) for one in parsed], compiled)
    return list(zip([json.loads(body) for body in sent[:DIFFERENT]], made, strict=True))


def decisions(
    made: Sequence[tuple[dict[str, Any], Any]],
    rows: int,
    *,
    history: bool = False,
    shuffled: bool = False,
) -> Iterator[NewDecision]:
    now, places = datetime.now(UTC), list(range(rows))
    if shuffled:
        random.Random(1184).shuffle(places)
    for n in range(rows):
        case, answer = made[n % len(made)]
        # The record refuses what says that it is a minute old.
        at = datetime.now(UTC)
        closed = datetime.fromtimestamp(now.timestamp() - BETWEEN_JOBS_S * (rows - places[n]), UTC)
        job = {"ref": f"TH-{n}", "circuit": f"rack-{n % 997}", "closed_at": f"{closed:%Y-%m-%dT%H:%M:%SZ}"}
        case = {**case, "job": job}
        id_ = compat.uuid7()
        answer = msgspec.structs.replace(answer, id=id_, recorded=True, recorded_at=at, job_ref=job["ref"])
        yield NewDecision(
            id=id_,
            client_id=1,
            recorded_at=at,
            idempotency_key=None if history else str(compat.uuid7()),
            fingerprint=fingerprint(case),
            case_text=canonical_json(case).decode(),
            answer_text=encode_answer(answer).decode(),
            cause=answer.cause,
            status=answer.status,
            confidence=round(answer.confidence * 10_000),
            job_ref=job["ref"],
            circuit=job["circuit"],
            closed_at=closed.replace(microsecond=0),
            compressor_type=case["unit"]["compressor_type"],
            refrigerant=case["unit"].get("refrigerant"),
            rule_table=1,
            engine=ENGINE_VERSION,
            supersedes=None,
            own_words=None,
            origin="bulk" if history else "live",
            own_code=f"W-{n % 40}" if history else None,
        )


async def filled(server: embedded.Embedded, rows: Iterator[NewDecision], *, history: bool) -> None:
    """Records them, and has them sealed."""
    patience = {"connect_seconds": 5.0, "command_seconds": 30.0, "lock_seconds": 5.0}
    conn = await RecorderConnection.open(server.service_url, DatabaseClock(), **patience)
    while batch := [checked_row(new) for new in islice(rows, AT_ONCE)]:
        await conn.insert(batch, timedelta(days=90))
        if history:
            await conn.raw.fetch(TAKE_LINES, [uuid4() for _ in batch], [row[PLACES["id"]] for row in batch])
    while await conn.raw.fetch("SELECT number FROM seal_records(50000)"):
        pass
    conn.raw.terminate()


def sizes(server: embedded.Embedded, rows: int) -> dict[str, float]:
    superuser = server.url(embedded.SUPERUSER, embedded.DATABASE).replace("+psycopg", "")
    with psycopg.connect(superuser, autocommit=True) as conn:
        conn.execute("VACUUM decision, idempotency, bulk_line")
        parts = conn.execute(SIZES).fetchone() or ()
        texts = conn.execute("SELECT avg(octet_length(case_text)), avg(length(answer_packed)) FROM decision")
        case, answer = texts.fetchone()
    each = {name: float(size or 0) / rows for name, size in zip((*PARTS, "seal"), parts, strict=True)}
    return {**each, "case": float(case), "answer": float(answer)}


def whole(each: dict[str, float]) -> float:
    """Bytes of all parts of a decision."""
    return sum(each[part] for part in PARTS)


def tell(each: dict[str, float], name: str) -> None:
    parts = ", ".join(f"{part} {each[part]:,.0f}" for part in PARTS)
    print(
        f"{name}: {whole(each):,.0f} bytes a decision ({parts}); its case has {each['case']:,.0f},"
        f" its answer packed {each['answer']:,.0f}; its place under a seal takes {each['seal']:,.0f} more",
        flush=True,
    )


if __name__ == "__main__":
    main()
