"""Who may call, and what each sees."""

import asyncio
from datetime import timedelta

import pytest
from sqlalchemy import Engine, event

from coldcase.app import create_app
from coldcase.clock import now
from coldcase.db import keys
from coldcase.settings import Settings
from tests.web.conftest import Service

pytestmark = pytest.mark.anyio


@pytest.mark.parametrize(
    "header",
    [None, "", "Bearer", "Bearer ", "Basic YTpi", "Bearer cc_nobody", "bearer cc_nobody, Bearer cc_nobody"],
)
async def test_without_a_known_key_nobody_comes_in(service, header):
    answered = await service.http().get(
        "/v1/vocabulary", headers={} if header is None else {"Authorization": header}
    )

    assert answered.status_code == 401
    assert answered.headers["WWW-Authenticate"] == 'Bearer realm="coldcase"'
    assert answered.json()["type"] == "/problems/unauthenticated"


async def test_a_missing_scope_is_named(service, case):
    caller = await service.caller("decisions:read")

    answered = await caller.post("/v1/classifications", json=case)

    assert answered.status_code == 403
    assert "`decisions:write`" in answered.json()["detail"]


@pytest.mark.parametrize("scope", ["preview", "decisions:write"])
async def test_either_scope_opens_the_preview(service, case, scope):
    answered = await (await service.caller(scope)).post("/v1/classifications/preview", json=case)

    assert answered.status_code == 200


async def test_an_expired_key_opens_nothing(service):
    secret, _ = await service.key(expires_at=now() - timedelta(seconds=1))

    assert (await service.http(secret).get("/v1/vocabulary")).status_code == 401


async def test_a_revoked_key_is_refused_within_two_seconds(service):
    secret, made = await service.key()
    caller = service.http(secret)
    assert (await caller.get("/v1/vocabulary")).status_code == 200

    await service.as_owner(lambda conn: keys.revoke_key(conn, made.id, now=now()))

    async with asyncio.timeout(2):
        while (await caller.get("/v1/vocabulary")).status_code != 401:
            await asyncio.sleep(0.01)


async def test_a_new_key_opens_and_a_revoked_one_is_refused_within_two_seconds_on_every_replica(
    service_database,
):
    apps = [
        create_app(Settings(database_url=service_database.service_url, warm_properties=False))
        for _ in range(2)
    ]
    async with apps[0].lifespan(), apps[1].lifespan():
        replicas = [Service(app, service_database.owner_url) for app in apps]
        secret, made = await replicas[0].key()
        callers = [replica.http(secret) for replica in replicas]
        assert [(await caller.get("/v1/vocabulary")).status_code for caller in callers] == [200, 200]

        await replicas[0].as_owner(lambda conn: keys.revoke_key(conn, made.id, now=now()))

        async with asyncio.timeout(2):
            while [(await caller.get("/v1/vocabulary")).status_code for caller in callers] != [401, 401]:
                await asyncio.sleep(0.01)


async def test_keys_that_nobody_made_do_not_ask_the_database_one_by_one(service_database):
    app = create_app(Settings(database_url=service_database.service_url, warm_properties=False))
    async with app.lifespan():
        running = Service(app, service_database.owner_url)
        statements = []

        def asked(*told):
            statements.append(told[2])

        event.listen(Engine, "before_cursor_execute", asked)
        answers = await asyncio.gather(
            *(running.http(f"cc_{number}").get("/v1/vocabulary") for number in range(300))
        )
        event.remove(Engine, "before_cursor_execute", asked)
    assert {answered.status_code for answered in answers} == {401}
    assert len([one for one in statements if "api_key" in one]) < 30


async def test_a_client_sees_its_own_decisions_only_unless_its_key_reads_all(service, case):
    dairy = await service.caller(client="North Shore Dairy")
    fish = await service.caller(client="Harbour Fish")
    auditor = await service.caller("decisions:read", "decisions:read:all", client="Island Council")
    place = (await dairy.post("/v1/classifications", json=case)).headers["Location"]

    assert (await dairy.get(place)).status_code == 200
    assert (await fish.get(place)).status_code == 404
    assert (await fish.get("/v1/decisions")).json() == {"items": [], "next": None}
    assert (await auditor.get(place)).status_code == 200
    assert place.rsplit("/", 1)[1] in [
        row["id"] for row in (await auditor.get("/v1/decisions")).json()["items"]
    ]
