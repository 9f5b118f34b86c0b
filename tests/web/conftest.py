"""The application in the test's own event loop, on a database of the module's own, and keys to call it
with."""

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import httpx
import pytest
from sqlalchemy import text
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool
from uuid_utils import compat

from coldcase.app import App, create_app
from coldcase.clock import now
from coldcase.db import keys
from coldcase.db.engine import driver_url
from coldcase.settings import Settings
from tests.web.drafting import as_person

EVERY_SCOPE = ("decisions:write", "decisions:read", "preview", "tables:read")


BACKTESTED = """
INSERT INTO backtest (id, rule_table, digest, asked, state, created_at, result, done)
SELECT gen_random_uuid(), version, digest, '{}', 'finished', now(), '{}', 1
FROM (SELECT version, digest FROM rule_table UNION ALL SELECT version, digest FROM rule_table_draft) AS tables
WHERE version = :version
"""


class Caller(httpx.AsyncClient):
    """A client that knows whom it calls."""

    service: "Service"


@dataclass
class Service:
    """A running application, and a way in as whoever a test needs to be."""

    app: App
    owner_url: str
    open: list[Caller] = field(default_factory=list)

    def http(self, secret: str | None = None) -> Caller:
        headers = {} if secret is None else {"Authorization": f"Bearer {secret}"}
        transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False)
        caller = Caller(transport=transport, base_url="http://coldcase.example", headers=headers)
        caller.service = self
        self.open.append(caller)
        return caller

    async def key(
        self,
        *scopes: str,
        client: str = "Tern Haven",
        person: str | None = None,
        expires_at: datetime | None = None,
    ) -> tuple[str, Any]:
        secret = keys.new_secret()
        values: dict[str, Any] = {
            "client_name": client,
            "person": person,
            "scopes": scopes or EVERY_SCOPE,
            "expires_at": expires_at,
        }
        made = await self.as_owner(
            lambda conn: keys.create_key(
                conn, id_=compat.uuid7(), secret_sha256=keys.secret_digest(secret), now=now(), **values
            )
        )
        return secret, made

    async def caller(self, *scopes: str, client: str = "Tern Haven") -> Caller:
        secret, _ = await self.key(*scopes, client=client)
        return self.http(secret)

    async def as_owner(self, work: Any) -> Any:
        engine = create_async_engine(driver_url(self.owner_url), poolclass=NullPool)
        async with engine.begin() as conn:
            return await work(conn)

    async def backtested(self, version: int) -> None:
        """As if a backtest of this version as it is now had been worked off."""
        await self.as_owner(lambda conn: conn.execute(text(BACKTESTED), {"version": version}))

    async def count(self, table: str) -> int:
        """Rows of a table, all clients'."""

        async def rows(conn: Any) -> Any:
            await conn.execute(text("SELECT set_config('coldcase.reads_all', 'on', true)"))
            return await conn.scalar(text(f"SELECT count(*) FROM {table}"))

        return await self.as_owner(rows)


async def recording(app: App) -> None:
    """Until the service records: on a busy machine its first try to connect may run out of time, and the
    next one goes better."""
    async with asyncio.timeout(30):
        while not app.state.services.recorder.available:
            await asyncio.sleep(0.02)


@pytest.fixture(scope="module")
async def service(make_database, _begun) -> AsyncIterator[Service]:
    database = make_database(_begun)
    app = create_app(Settings(database_url=database.service_url, pool_size=2, warm_properties=False))
    async with app.lifespan():
        await recording(app)
        running = Service(app, database.owner_url)
        yield running
        for client in running.open:
            await client.aclose()


@pytest.fixture
async def own(service_database):
    """The service on a database of the test's own."""
    app = create_app(Settings(database_url=service_database.service_url, warm_properties=False))
    async with app.lifespan():
        await recording(app)
        running = Service(app, service_database.owner_url)
        yield running
        for client in running.open:
            await client.aclose()


@pytest.fixture
async def author(own):
    return await as_person(own, "bench-1")


@pytest.fixture
async def approver(own):
    return await as_person(own, "bench-2")


@pytest.fixture
async def caller(service) -> httpx.AsyncClient:
    """A client with every scope that one firm's clerk has."""
    return await service.caller()


@pytest.fixture
def case() -> dict[str, Any]:
    """A case that is coded."""
    return {
        "job": {"ref": "TH-1184", "closed_at": "2026-03-02T16:40:00Z", "circuit": "creamery/rack-B"},
        "unit": {"compressor_type": "scroll", "motor": "three_phase", "refrigerant": "R-448A"},
        "opening": {"method": "rolling_cutter"},
        "observations": {
            "copper_plating": "heavy",
            "filter_drier": "wet",
            "oil_clarity": "stays_milky",
            "oil_colour": ["brown", "black"],
        },
    }
