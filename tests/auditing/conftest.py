"""A record with real decisions of two clients in it, sealed: one is made a run, and each test that harms it
gets a copy."""

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass, field
from uuid import UUID

import psycopg
import pytest
from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine
from sqlalchemy.pool import NullPool

from coldcase.app import create_app
from coldcase.auditing import sealing, verifying
from coldcase.auditing.verification import Verification
from coldcase.cli import main
from coldcase.db import embedded
from coldcase.db.engine import driver_url
from coldcase.settings import Settings
from tests.conftest import Database, drop
from tests.web.conftest import Service, caller, case, recording, service

__all__ = ["caller", "case", "service"]

SCOPES = ("decisions:write", "decisions:read", "verdicts:write", "audit:read", "tables:read", "preview")


def plain(url: str) -> str:
    return url.replace("+psycopg", "")


def cases(count: int) -> list[dict]:
    """Cases that differ, some coded, some not, one with readings."""
    made = []
    for number in range(count):
        findings = (
            {"copper_plating": "heavy", "filter_drier": "wet", "oil_clarity": "stays_milky"}
            if number % 2
            else {}
        )
        made.append(
            {
                "job": {
                    "ref": f"TH-{number}",
                    "closed_at": f"2026-0{number % 3 + 1}-02T12:00:00Z",
                    "circuit": f"rack-{number % 2}",
                },
                "unit": {
                    "compressor_type": "scroll",
                    "motor": "three_phase",
                    "refrigerant": "R-448A",
                    "lubricant": "POE",
                },
                "observations": findings,
                "oil_results": {"water_mg_kg": 310 + number} if number % 3 == 0 else {},
            }
        )
    return made


@dataclass
class Ledger:
    """A record of a test's own, as each of its roles."""

    database: Database
    superuser_url: str
    ids: list[UUID]
    verdicts: list[UUID]
    head: str
    engines: list[AsyncEngine] = field(default_factory=list)

    @property
    def engine(self) -> AsyncEngine:
        """As the service's role."""
        self.engines.append(create_async_engine(driver_url(self.database.service_url), poolclass=NullPool))
        return self.engines[-1]

    async def verify(self, expect: str | None = None) -> Verification:
        async with self.engine.begin() as conn:
            return await verifying.verify(conn, expect=None if expect is None else bytes.fromhex(expect))

    async def seal(self, **options):
        async with self.engine.begin() as conn:
            return await sealing.seal(conn, **options)

    def harm(self, *statements: str) -> None:
        """As a superuser, with every trigger off."""
        with psycopg.connect(self.superuser_url, autocommit=True) as conn:
            conn.execute("SET session_replication_role = replica")
            for statement in statements:
                assert conn.execute(statement).rowcount != 0, "the statement harmed nothing"

    def ask(self, statement: str):
        with psycopg.connect(self.superuser_url, autocommit=True) as conn:
            return conn.execute(statement).fetchall()


@pytest.fixture(scope="session")
def _sealed(postgres, make_database, _begun) -> Ledger:
    """The record that the others are copies of; nobody is connected to it."""
    database = make_database(_begun)
    made = Ledger(database, plain(postgres.url(embedded.SUPERUSER, database.name)), [], [], "")
    # Not an async fixture: tests that are not async ask for it too.
    asyncio.run(_fill(made))
    return made


async def _fill(made: Ledger) -> None:
    app = create_app(Settings(database_url=made.database.service_url, pool_size=2, warm_properties=False))
    async with app.lifespan():
        await recording(app)
        running = Service(app, made.database.owner_url)
        for client in ("Tern Haven", "Butter Store"):
            secret, _ = await running.key(*SCOPES, client=client)
            caller = running.http(secret)
            for one in cases(6):
                made.ids.append(UUID((await caller.post("/v1/classifications", json=one)).json()["id"]))
            given = {"cause": "moisture", "basis": "teardown", "note": "copper on the journals"}
            given |= {"established_by": "lab-7", "established_at": "2026-03-09T10:15:00Z"}
            told = await caller.post(f"/v1/decisions/{made.ids[-1]}/verdicts", json=given)
            made.verdicts.append(UUID(told.json()["id"]))
        for opened in running.open:
            await opened.aclose()
    # The service has sealed from its start to its end; the tests' seals are of a known size.
    made.harm("DELETE FROM audit_seal_member", "DELETE FROM audit_seal")
    sealed = [await made.seal(most=4), await made.seal(most=4), await made.seal()]
    assert [seal.number for seal in sealed] == [1, 2, 3]
    made.head = sealed[-1].head.hex()


@pytest.fixture
def ledger(postgres, make_database, _sealed) -> Iterator[Ledger]:
    database = make_database(_sealed.database.name)
    yield Ledger(
        database,
        plain(postgres.url(embedded.SUPERUSER, database.name)),
        _sealed.ids,
        _sealed.verdicts,
        _sealed.head,
    )
    drop(postgres, database)


@pytest.fixture
def command(ledger, capsys):
    """Runs a command on the ledger; its exit code, results and talk."""

    def run(*args: str):
        place = ["--owner-url", ledger.database.owner_url] if args[0] in ("archive", "erase") else []
        place += ["--database-url", ledger.database.service_url] if args[0] == "verify" else []
        place += ["--owner-url", ledger.database.owner_url] if "--acknowledge" in args else []
        code = main([*args, *place], {})
        told = capsys.readouterr()
        return code, told.out, told.err

    return run
