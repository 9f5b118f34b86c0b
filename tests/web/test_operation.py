"""What an operator sees: readiness, figures, log lines, and that all ends when the service does."""

import asyncio
import json

import psycopg
import pytest
import structlog

from coldcase import app as app_module
from coldcase.app import create_app
from coldcase.db.recorder import Recorder
from coldcase.logs import start_logging
from coldcase.settings import Settings

pytestmark = pytest.mark.anyio

REFUSE = """
CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS
    $$ BEGIN RAISE EXCEPTION 'no' USING ERRCODE = '53100'; END $$;
CREATE TRIGGER refuse BEFORE INSERT ON decision FOR EACH ROW EXECUTE FUNCTION refuse()
"""


def figures(text: str) -> dict[str, float]:
    """Each sample of the Prometheus text format by its name with labels."""
    lines = (line.rpartition(" ") for line in text.splitlines() if line and not line.startswith("#"))
    return {name: float(value) for name, _, value in lines}


async def test_the_figures_say_what_is_so(own, case):
    caller = await own.caller()
    placed = await caller.post("/v1/classifications", json=case)
    await caller.post("/v1/classifications", json=case)
    await caller.get(f"/v1/decisions/{placed.json()['id']}0")
    await caller.post("/v1/classifications", json={"unit": {}})
    shown = figures((await caller.get("/metrics")).text)

    assert shown['coldcase_decisions_recorded_total{status="coded"}'] == 2
    assert shown['coldcase_problems_total{code="bad_case"}'] == 1
    assert shown["coldcase_recorder_batch_size_sum"] == 2
    assert shown["coldcase_recorder_commit_seconds_count"] == shown["coldcase_recorder_batch_size_count"] > 0
    assert shown["coldcase_recorder_queue"] == 0
    assert shown["coldcase_recorder_available"] == 1
    assert shown["coldcase_api_keys"] == 1
    assert shown["coldcase_exports_running"] == 0
    assert 0 <= shown["coldcase_database_unheard_seconds"] < 30
    for kind in ("coldcase", "coldcase export", "coldcase audit", "coldcase seal"):
        assert shown[f'coldcase_connections_in_use{{kind="{kind}"}}'] >= 0
    async with own.app.state.services.transaction():
        shown = figures((await caller.get("/metrics")).text)
        assert shown['coldcase_connections_in_use{kind="coldcase"}'] == 1


async def test_on_a_full_disk_readiness_says_so_and_since_when_until_there_is_room(
    own, service_database, case
):
    caller = await own.caller()
    before = (await caller.get("/health/ready")).json()
    with psycopg.connect(service_database.owner_url.replace("+psycopg", ""), autocommit=True) as owner:
        owner.execute(REFUSE)
        assert (await caller.post("/v1/classifications", json=case)).json()["type"] == "/problems/store_away"
        full = (await caller.get("/health/ready")).json()
        preview = await caller.post("/v1/classifications/preview", json=case)
        owner.execute("DROP TRIGGER refuse ON decision")
    async with asyncio.timeout(10):
        while not (again := (await caller.get("/health/ready")).json())["recording"]:
            await asyncio.sleep(0.05)

    assert (before["recording"], full["recording"], preview.status_code) == (True, False, 200)
    assert before["recording_since"] < full["recording_since"] < again["recording_since"]
    assert (await caller.post("/v1/classifications", json=case)).status_code == 201


async def test_a_verdict_on_a_read_only_server_is_refused_as_one_that_is_away(own, service_database, case):
    caller = await own.caller("decisions:write", "verdicts:write")
    placed = (await caller.post("/v1/classifications", json=case)).json()["id"]
    with psycopg.connect(service_database.owner_url.replace("+psycopg", ""), autocommit=True) as owner:
        owner.execute(REFUSE.replace("ON decision", "ON verdict").replace("53100", "25006"))
    given = {"cause": "moisture", "basis": "teardown"}
    assert (await caller.post(f"/v1/decisions/{placed}/verdicts", json=given)).json()[
        "type"
    ] == "/problems/store_away"


async def test_whatever_has_started_is_closed_when_a_later_part_does_not_start(service_database, monkeypatch):
    async def fail(_: Recorder) -> None:
        raise RuntimeError("not today")

    monkeypatch.setattr(Recorder, "start", fail)
    app = create_app(Settings(database_url=service_database.service_url, warm_properties=False))
    with pytest.RaisesGroup(
        pytest.RaisesExc(RuntimeError, match="not today"), allow_unwrapped=True, flatten_subgroups=True
    ):
        async with app.lifespan():
            pytest.fail("it did not start")

    assert {task.get_name() for task in asyncio.all_tasks()}.isdisjoint({"watch", "sealer", "recorder"})
    with psycopg.connect(service_database.owner_url.replace("+psycopg", "")) as owner:
        query = (
            "SELECT count(*) FROM pg_stat_activity WHERE usename = 'coldcase_service' AND datname "
            "= current_database()"
        )
        for _ in range(200):
            if (left := owner.execute(query).fetchone()[0]) == 0:
                break
            await asyncio.sleep(0.05)
    assert left == 0


async def test_a_part_that_does_not_close_in_time_keeps_no_other_open(service_database, monkeypatch):
    async def hang(_: Recorder) -> None:
        await asyncio.Event().wait()

    monkeypatch.setattr(Recorder, "close", hang)
    monkeypatch.setattr(app_module, "CLOSE_SECONDS", 0.2)
    app = create_app(Settings(database_url=service_database.service_url, warm_properties=False))
    with structlog.testing.capture_logs() as logged:
        async with asyncio.timeout(20), app.lifespan():
            recorder = app.state.services.recorder
    assert [line["part"] for line in logged if "closed in time" in line["event"]] == ["recorder"]
    assert {task.get_name() for task in asyncio.all_tasks()}.isdisjoint({"watch", "sealer"})
    monkeypatch.undo()
    await recorder.close()


def test_a_log_line_has_its_event_in_words_and_its_values_in_fields(capsys):
    before = structlog.get_config()
    start_logging("info")
    try:
        structlog.get_logger().info("sealed", seal=7, head="3baf")
    finally:
        structlog.configure(**before)
    line = json.loads(capsys.readouterr().err)
    assert {name: line[name] for name in ("event", "level", "seal", "head")} == {
        "event": "sealed",
        "level": "info",
        "seal": 7,
        "head": "3baf",
    }
