"""The network before the database goes silent, backends are ended, a table is locked: answers come in time,
and all comes back by itself."""

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

import httpx
import psycopg
import pytest

from coldcase.app import create_app
from coldcase.db import embedded
from coldcase.settings import Settings
from tests.proxy import Proxy, socket_of
from tests.web.conftest import Service

pytestmark = [pytest.mark.anyio, pytest.mark.alone]

IN_TIME_S = 2.5
BACK_S = 5.0
FROZEN_S = 6.0

RECORD, PREVIEW = "/v1/classifications", "/v1/classifications/preview"


@pytest.fixture
def proxy(postgres):
    with Proxy(socket_of(postgres)) as between:
        yield between


@pytest.fixture
async def distant(service_database, proxy):
    """The service with the proxy between it and its database."""
    settings = Settings(
        database_url=proxy.instead_of(service_database.service_url), warm_properties=False, seal_seconds=1
    )
    app = create_app(settings)
    async with app.lifespan():
        running = Service(app, service_database.owner_url)
        yield running
        for client in running.open:
            await client.aclose()


@asynccontextmanager
async def locked(database, table: str) -> AsyncIterator[None]:
    """Waits for the lock beside the service's own loop: a transaction of the service that holds the table
    could not end while the loop waited for it.
    """
    url = database.owner_url.replace("+psycopg", "")
    async with await psycopg.AsyncConnection.connect(url) as owner:
        await owner.execute(f"LOCK TABLE {table} IN ACCESS EXCLUSIVE MODE")
        yield


@dataclass
class Calls:
    """What callers were told, each kind by its own loop of calls: when, after how long, and with what
    status."""

    told: dict[str, list[tuple[float, float, int]]] = field(default_factory=dict)
    tasks: list[asyncio.Task] = field(default_factory=list)
    over: bool = False

    def begin(self, kind: str, call) -> None:
        self.told[kind] = []
        self.tasks.append(asyncio.create_task(self._go_on(kind, call)))

    async def _go_on(self, kind: str, call) -> None:
        while not self.over:
            began = time.monotonic()
            status = (await call()).status_code
            self.told[kind].append((began, time.monotonic() - began, status))
            await asyncio.sleep(0.05)

    async def end(self) -> None:
        self.over = True
        async with asyncio.timeout(10):
            await asyncio.gather(*self.tasks)

    def slowest(self) -> float:
        return max(seconds for told in self.told.values() for _, seconds, _ in told)

    def statuses(self, kind: str, since: float, until: float) -> set[int]:
        return {
            status
            for began, seconds, status in self.told[kind]
            if since <= began and began + seconds <= until
        }

    def first_good(self, kind: str, since: float) -> float:
        return (
            min(
                began + seconds
                for began, seconds, status in self.told[kind]
                if began > since and status in (200, 201)
            )
            - since
        )


def calling(caller: httpx.AsyncClient, case) -> Calls:
    calls = Calls()
    calls.begin("record", lambda: caller.post(RECORD, json=case))
    calls.begin("preview", lambda: caller.post(PREVIEW, json=case))
    for number in range(6):
        calls.begin(f"read {number}", lambda: caller.get("/v1/decisions"))
    return calls


READS = [f"read {number}" for number in range(6)]


async def wait_until(true, seconds: float) -> None:
    async with asyncio.timeout(seconds):
        while not await true():
            await asyncio.sleep(0.05)


@pytest.mark.parametrize("lost", [True, False], ids=["what was sent is lost", "it arrives late"])
async def test_a_frozen_network_is_told_in_time_and_all_comes_back(distant, proxy, case, lost):
    caller, late = await distant.caller(), await distant.caller(client="Butter Store")
    calls = calling(caller, case)
    await asyncio.sleep(1)
    proxy.freeze() if lost else proxy.hold()
    frozen = time.monotonic()
    await asyncio.sleep(FROZEN_S - 1)
    ready = (await caller.get("/health/ready")).json()
    began = time.monotonic()
    statuses = [
        (await late.post(PREVIEW, json=case)).status_code,
        (await late.post(RECORD, json=case)).status_code,
        (await distant.http("cc_never_seen").post(PREVIEW, json=case)).status_code,
    ]
    took = time.monotonic() - began
    await asyncio.sleep(1)
    thawed = time.monotonic()
    proxy.thaw()
    await asyncio.sleep(BACK_S)
    await calls.end()

    assert calls.slowest() < IN_TIME_S
    assert calls.statuses("preview", frozen, thawed) == {200}
    for kind in ("record", *READS):
        assert calls.statuses(kind, frozen + IN_TIME_S, thawed) == {503}
        assert calls.first_good(kind, thawed) < BACK_S
    assert ready["recording"] is False
    assert (statuses, took < IN_TIME_S) == ([200, 503, 503], True)

    async def sealed():
        return await distant.count("decision") == await distant.count("audit_seal_member WHERE kind = 0")

    await wait_until(sealed, 20)
    fresh, _ = await distant.key()
    assert (await distant.http(fresh).get("/v1/vocabulary")).status_code == 200


async def test_connections_that_freeze_while_new_ones_are_good_are_replaced(distant, proxy, case):
    """As after a failover, or a firewall that drops what it knew."""
    caller = await distant.caller()
    calls = calling(caller, case)
    await asyncio.sleep(1)
    proxy.freeze()
    proxy.thaw()
    frozen = time.monotonic()
    await asyncio.sleep(BACK_S)
    await calls.end()

    assert calls.slowest() < IN_TIME_S
    for kind in ("record", *READS):
        assert calls.statuses(kind, frozen + IN_TIME_S, frozen + BACK_S) <= {200, 201}
        assert calls.first_good(kind, frozen) < BACK_S
    fresh, _ = await distant.key()
    assert (await distant.http(fresh).get("/v1/decisions")).status_code == 200


async def test_ended_backends_are_replaced_whatever_they_were_at(distant, postgres, service_database, case):
    caller = await distant.caller()
    calls = calling(caller, case)
    await asyncio.sleep(0.5)
    with psycopg.connect(
        postgres.url(embedded.SUPERUSER, service_database.name).replace("+psycopg", ""), autocommit=True
    ) as conn:
        for _ in range(30):
            conn.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = "
                "'coldcase_service' AND datname = current_database()"
            )
            await asyncio.sleep(0.1)
    stormed = time.monotonic()
    await asyncio.sleep(BACK_S)
    await calls.end()

    assert calls.slowest() < IN_TIME_S
    assert calls.statuses("preview", 0, stormed) == {200}
    for kind in ("record", *READS):
        assert {status for _, _, status in calls.told[kind]} <= {200, 201, 503}
        assert calls.first_good(kind, stormed) < BACK_S
    fresh, _ = await distant.key()
    assert (await distant.http(fresh).get("/v1/decisions")).status_code == 200


async def test_a_locked_table_holds_up_nothing_else(distant, service_database, case):
    caller, auditor = await distant.caller(), await distant.caller("audit:read", "tables:read")
    async with locked(service_database, "decision"):
        calls = Calls()
        calls.begin("record", lambda: caller.post(RECORD, json=case))
        calls.begin("preview", lambda: caller.post(PREVIEW, json=case))
        for number in range(2):
            calls.begin(f"read {number}", lambda: caller.get("/v1/decisions"))
        calls.begin("events", lambda: auditor.get("/v1/audit-events"))
        calls.begin("tables", lambda: auditor.get("/v1/rule-tables"))
        await asyncio.sleep(10)
        await calls.end()
        unlocked = time.monotonic()

    assert calls.slowest() < IN_TIME_S
    assert calls.statuses("record", 0, unlocked) <= {503, 429}
    for number in range(2):
        assert calls.statuses(f"read {number}", 0, unlocked) <= {503, 429}
    for kind in ("preview", "events", "tables"):
        assert calls.statuses(kind, 0, unlocked) == {200}
    assert (await caller.post(RECORD, json=case)).status_code == 201
    assert (await caller.get("/v1/decisions")).status_code == 200


async def test_five_slow_reads_do_not_stop_recording_by_a_new_key(distant, service_database, case):
    """No request needs the database to know its caller."""
    caller = await distant.caller()
    fresh, _ = await distant.key(client="Butter Store")
    async with locked(service_database, "verdict"):
        slow = [asyncio.create_task(caller.get("/v1/decisions?has_verdict=true")) for _ in range(20)]
        await asyncio.sleep(0.2)
        began = time.monotonic()
        assert (await distant.http(fresh).post(RECORD, json=case)).status_code == 201
        assert time.monotonic() - began < 1
        assert {answered.status_code for answered in await asyncio.gather(*slow)} <= {429, 503}
