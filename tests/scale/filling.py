"""Records of any size for the slow proofs: real answers to the development cases, multiplied by the database
itself."""

import asyncio
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import psycopg
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool
from uuid_utils import compat

from coldcase.app import create_app
from coldcase.clock import now
from coldcase.db import embedded, keys, migrating
from coldcase.db.engine import driver_url, run_once
from coldcase.settings import Settings
from tests.web.conftest import Service

CASES = Path(__file__).parents[1] / "data" / "dev_cases.jsonl"
SCOPES = ("decisions:write", "decisions:read", "verdicts:write", "audit:read")

# One row in fifty has a verdict; ids go on from the last in steps of a millisecond, as those of a service
# under load do.
MULTIPLY = """
INSERT INTO decision (id, client_id, recorded_at, fingerprint, case_text, answer_packed, answer_sha256,
    dictionary, cause, status, confidence, job_ref, circuit,
                      closed_at, compressor_type, refrigerant, rule_table, engine)
SELECT made.id, one.client_id, made.at, one.fingerprint, one.case_text, one.answer_packed, one.answer_sha256,
       one.dictionary, one.cause, one.status, one.confidence, 'TH-' || n, 'rack-' || n %% 97, made.at,
       one.compressor_type,
       (ARRAY['R-134a', 'R-290', 'R-404A', 'R-410A', 'R-448A', 'R-744'])[1 + n %% 6],
       one.rule_table, one.engine
FROM generate_series(%(start)s::bigint, %(end)s::bigint - 1) AS n
JOIN (SELECT *, row_number() OVER (ORDER BY id) - 1 AS place, count(*) OVER () AS total FROM decision
      WHERE id = ANY(%(templates)s)) AS one ON one.place = n %% one.total,
LATERAL (SELECT to_timestamp(1768000000 + n * 15.0) AS at,
                (lpad(to_hex((1768000000000 + n * 15000)::bigint), 12, '0') || '7' || lpad(to_hex(n), 19,
                    '0'))::uuid AS id) AS made
"""
JUDGE = """
INSERT INTO verdict (id, decision_id, client_id, recorded_at, fingerprint, cause, not_determinable, basis)
SELECT gen_random_uuid(), id, client_id, recorded_at, fingerprint, 'moisture', false, 'teardown'
FROM decision WHERE job_ref LIKE 'TH-%%' AND substr(job_ref, 4)::bigint %% 50 = 0
    AND substr(job_ref, 4)::bigint BETWEEN %(start)s AND %(end)s - 1
"""
AT_ONCE = 20_000


@dataclass(frozen=True)
class Filled:
    """A filled record: its addresses, and a key that reads it."""

    owner_url: str
    service_url: str
    superuser_url: str
    secret: str
    templates: list[Any]

    def superuser(self) -> psycopg.Connection:
        return psycopg.connect(self.superuser_url, autocommit=True)

    def fill(self, start: int, end: int) -> None:
        """Adds decisions number `start` to before `end`, with a verdict on every fiftieth."""
        began = time.perf_counter()
        with self.superuser() as conn:
            conn.execute("SET session_replication_role = replica")
            # What is added says that it is older than the seals that the service has made meanwhile.
            conn.execute("TRUNCATE audit_seal, audit_seal_member")
            for low in range(start, end, AT_ONCE):
                given = {"start": low, "end": min(low + AT_ONCE, end), "templates": self.templates}
                conn.execute(MULTIPLY, given)
            judge(conn, start, end)
        print(f"filled {end - start:,} decisions in {time.perf_counter() - began:.0f} s", flush=True)


def judge(conn: psycopg.Connection, start: int, end: int) -> None:
    """A verdict on every fiftieth of those decisions; one without its audit event would be named as slipped
    in."""
    conn.execute("SET session_replication_role = origin")
    conn.execute(JUDGE, {"start": start, "end": end})
    conn.execute("VACUUM ANALYZE decision, verdict")


@contextmanager
def filled(rows: int, cases: Sequence[Any] = ()) -> Iterator[Filled]:
    """A server of its own in a temporary folder with so many decisions, durable as in production: real ones
    of `cases`, else of thirty development cases, multiplied."""
    with embedded.temporary(shared_buffers="512MB", max_wal_size="4GB") as server:
        migrating.upgrade(server.owner_url)
        secret = keys.new_secret()
        given: dict[str, Any] = {
            "client_name": "Tern Haven",
            "person": None,
            "scopes": SCOPES,
            "secret_sha256": keys.secret_digest(secret),
            "now": now(),
        }
        run_once(server.owner_url, lambda conn: keys.create_key(conn, id_=compat.uuid7(), **given))
        templates = asyncio.run(_templates(server, secret, cases or _development()))
        superuser = server.url(embedded.SUPERUSER, embedded.DATABASE).replace("+psycopg", "")
        made = Filled(server.owner_url, server.service_url, superuser, secret, templates)
        made.fill(0, rows)
        yield made


def _development() -> list[Any]:
    return [msgspec.json.decode(line)["case"] for line in CASES.read_bytes().splitlines()[:30]]


async def _templates(server: embedded.Embedded, secret: str, cases: Sequence[Any]) -> list[Any]:
    """The ids of real decisions."""
    app = create_app(Settings(database_url=server.service_url, pool_size=2, warm_properties=False))
    async with app.lifespan():
        caller = Service(app, server.owner_url).http(secret)
        answers = [await caller.post("/v1/classifications", json=case) for case in cases]
        await caller.aclose()
    return [answer.json()["id"] for answer in answers if answer.status_code == 201]


def engine(url: str) -> Any:
    """A connection at a time."""
    return create_async_engine(driver_url(url), poolclass=NullPool)
