"""The database goes away and comes back while the service runs."""

import asyncio

import psycopg
import pytest
from sqlalchemy.engine import make_url

from coldcase.db import embedded

pytestmark = pytest.mark.anyio


@pytest.fixture
def shut(postgres, service):
    """A function that shuts the service's database, or opens it again."""
    name = make_url(service.owner_url).database

    def turn(*, away: bool) -> None:
        with psycopg.connect(
            postgres.url(embedded.SUPERUSER, "postgres").replace("+psycopg", ""), autocommit=True
        ) as conn:
            conn.execute(f"ALTER DATABASE {name} ALLOW_CONNECTIONS {'false' if away else 'true'}")
            if away:
                conn.execute(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [name]
                )

    yield turn
    turn(away=False)


async def test_without_the_record_nothing_is_recorded_but_previews_go_on(service, caller, case, shut):
    assert (await caller.post("/v1/classifications", json=case)).status_code == 201
    shut(away=True)

    refused = await caller.post("/v1/classifications", json=case)
    assert refused.status_code == 503
    assert refused.json()["type"] in ("/problems/store_away", "/problems/outcome_unknown")
    assert refused.headers["Retry-After"] == "2"

    assert (await caller.post("/v1/classifications/preview", json=case)).status_code == 200
    assert (await caller.get("/v1/vocabulary")).status_code == 200
    assert (await caller.get("/v1/decisions")).status_code == 503
    assert (await service.http("cc_never_seen").get("/v1/vocabulary")).status_code == 503
    ready = await caller.get("/health/ready")
    assert (ready.status_code, ready.json()["recording"]) == (200, False)

    shut(away=False)
    for _ in range(100):
        if (await caller.get("/health/ready")).json()["recording"]:
            break
        await asyncio.sleep(0.05)
    assert (await caller.post("/v1/classifications", json=case)).status_code == 201
    assert await service.count("decision") == 2
