"""Workers that die, are told to stop, or lose the process that started them."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest

from coldcase.cli import main
from coldcase.db import embedded, server_process
from coldcase.db.embedded import Embedded
from tests.serving import serving
from tests.workers.conftest import CASE, Workers, is_there, kill, stop, two_workers, until


@pytest.fixture
def own(service_database):
    """Two workers that a test may harm."""
    with two_workers(service_database, client_share="1", bulk_streams="1") as running:
        yield running


PREVIEWS = 'coldcase_http_requests_total{method="POST",route="/v1/classifications/preview"'


def test_a_killed_worker_is_started_again_and_the_other_goes_on_and_nothing_counted_is_lost(own: Workers):
    secret, before = own.key(), own.pids()
    with own.one_each(secret) as both:
        for caller in both.values():
            for _ in range(5):
                assert caller.post("/v1/classifications/preview", json=CASE).status_code == 200
        # Counted is an answer only after its last byte.
        until(lambda: own.figure(PREVIEWS) == 10, 30)
        kill(before[1])
        asked = 10
        while own.pids() == before:
            assert both[2].post("/v1/classifications/preview", json=CASE).status_code == 200
            asked += 1
        # Who was connected to the dead one connects again.
        assert both[1].post("/v1/classifications/preview", json=CASE).status_code == 200
        asked += 1
    assert asked > 10
    [told] = own.events("a worker has ended; it is started again")
    assert (told["worker"], told["pid"], told["code"], told["level"]) == (1, before[1], -9, "error")
    after = own.pids()
    assert (after[2], after[1] != before[1]) == (before[2], True)
    until(lambda: own.figure("coldcase_workers ") == 2, 30)
    assert own.figure("coldcase_worker_restarts_total ") == 1
    until(lambda: own.figure(PREVIEWS) == asked, 30)
    # The new one serves, too.
    with own.one_each(secret) as both:
        assert both[1].post("/v1/classifications", json=CASE).status_code == 201


def half_sent(caller: httpx.Client) -> threading.Thread:
    """An import whose body never comes to its end, in a thread."""

    def body():
        yield b"\n" * 4096
        threading.Event().wait(8)

    def post():
        with suppress(httpx.TransportError):
            media = {"Content-Type": "application/x-ndjson"}
            caller.post("/v1/classifications/bulk", content=body(), headers=media)

    thread = threading.Thread(target=post)
    thread.start()
    return thread


@pytest.mark.slow
def test_places_and_room_of_imports_are_those_of_both_and_come_back_with_a_death(own: Workers):
    with own.one_each(own.key(client="one")) as ones, own.one_each(own.key(client="other")) as others:
        thread = half_sent(ones[1])
        until(
            lambda: own.figure("coldcase_imports_running ") == 1 and own.figure("coldcase_spooled_bytes "), 10
        )
        lines: dict[str, Any] = {"content": b"\n", "headers": {"Content-Type": "application/x-ndjson"}}
        assert ones[2].post("/v1/classifications/bulk", **lines).status_code == 429
        assert others[2].post("/v1/classifications/bulk", **lines).status_code == 503
        kill(own.pids()[1])
        until(lambda: own.events("a worker has ended; it is started again"))
        until(lambda: others[2].post("/v1/classifications/bulk", **lines).status_code == 200, 30)
        thread.join()
    until(lambda: own.figure("coldcase_spooled_bytes ") == 0, 30)


def test_a_stop_loses_nothing_that_was_answered_and_ends_all(own: Workers, capsys):
    secret = own.key()
    ids: list[str] = []
    refused: list[Any] = []

    def record(number: int):
        with httpx.Client(base_url=own.process.address, trust_env=False, timeout=60) as caller:
            try:
                while True:
                    headers = {"Authorization": f"Bearer {secret}"}
                    answered = caller.post("/v1/classifications", json=CASE, headers=headers)
                    if answered.status_code != 201:
                        refused.append(answered.status_code)
                        return
                    ids.append(answered.json()["id"])
            except httpx.ConnectError:
                return
            except httpx.TransportError as error:
                # A kept connection that was closed between two requests.
                refused.append(type(error).__name__)

    threads = [threading.Thread(target=record, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    until(lambda: len(ids) > 100)
    pids = own.pids()
    own.process.process.terminate()
    assert own.process.process.wait(60) == 0
    for thread in threads:
        thread.join()
    assert set(refused) <= {503, "RemoteProtocolError", "ReadError", "WriteError"}
    assert not [pid for pid in pids.values() if is_there(pid)]
    with psycopg.connect(own.owner_url.replace("+psycopg", "")) as conn:
        conn.execute("SELECT set_config('coldcase.reads_all', 'on', true)")
        stored = {str(id_) for (id_,) in conn.execute("SELECT id FROM decision").fetchall()}
    assert set(ids) <= stored
    # Each has sealed what it recorded before it ended, and no seal was made twice.
    numbers = [line["seal"] for line in own.events("sealed")]
    assert sorted(numbers) == sorted(set(numbers))
    capsys.readouterr()
    assert main(["verify", "--json", "--database-url", own.service_url], {}) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["good"], found["unsealed"]) == (True, 0)


@pytest.mark.slow
def test_no_worker_outlives_the_first_process(own: Workers):
    pids = own.pids()
    folder = next(
        Path(entry.partition(b"=")[2].decode())
        for entry in Path(f"/proc/{pids[1]}/environ").read_bytes().split(b"\0")
        if entry.startswith(b"PROMETHEUS_MULTIPROC_DIR=")
    )
    assert folder.is_dir()
    kill(own.process.process.pid)
    own.process.process.wait()
    until(lambda: not any(is_there(pid) for pid in pids.values()), 30)
    assert not folder.exists()


def test_a_worker_that_cannot_begin_ends_all_with_the_code_of_one_alone(service_database, tmp_path):
    codes = set()
    for count in ("1", "2"):
        environ = {name: text for name, text in os.environ.items() if not name.startswith("COLDCASE_")}
        environ |= {"COLDCASE_WORKERS": count, "COLDCASE_SPOOL_DIR": str(tmp_path / "nowhere")}
        args = ["serve", "--database-url", service_database.service_url, "--port", "0"]
        done = subprocess.run(
            [sys.executable, "-m", "coldcase", *args],
            env=environ,
            capture_output=True,
            timeout=60,
            check=False,
        )
        assert b"COLDCASE_SPOOL_DIR" in done.stderr
        codes.add(done.returncode)
    assert len(codes) == 1
    assert codes.isdisjoint({0, 2})


def test_a_worker_is_started_by_the_service_only():
    args = [sys.executable, "-m", "coldcase", "serve", "--supervised"]
    done = subprocess.run(args, input=b"", capture_output=True, timeout=60, check=False)
    assert (done.returncode, b"--workers" in done.stderr) == (2, True)


def test_figures_on_a_port_of_their_own_are_of_both(service_database):
    with socket.create_server(("127.0.0.1", 0)) as free:
        unused_port = free.getsockname()[1]
    with serving(service_database.service_url, workers="2", metrics_port=str(unused_port)) as process:
        try:
            until(lambda: process.said().count("a worker serves") == 2)
            assert httpx.get(f"{process.address}/metrics", trust_env=False).status_code == 404
            text = httpx.get(f"http://127.0.0.1:{unused_port}/metrics", trust_env=False).text
            assert "\ncoldcase_workers 2.0\n" in text
        finally:
            stop(process.process)


@pytest.mark.slow
def test_both_serve_from_one_embedded_server(tmp_path):
    environ = {name: text for name, text in os.environ.items() if not name.startswith("COLDCASE_")}
    environ["COLDCASE_WARM_PROPERTIES"] = "false"
    data, log = tmp_path / "data", tmp_path / "log"
    args = ["serve", "--workers", "2", "--data-dir", str(data), "--port", "0"]
    with (
        log.open("wb") as out,
        subprocess.Popen([sys.executable, "-m", "coldcase", *args], env=environ, stderr=out) as process,
    ):

        def said(times: int, what: str) -> bool:
            assert process.poll() is None, log.read_text()
            return log.read_text().count(what) == times

        try:
            until(lambda: said(2, "a worker serves"), 120)
            first = server_process.process_id(data)
            assert first is not None
            kill(first)
            # By the first process alone.
            until(lambda: said(1, "the embedded PostgreSQL has ended; it is started again"))
            until(lambda: server_process.process_id(data) not in {None, first} and embedded.is_running(data))
            process.send_signal(signal.SIGINT)
            assert process.wait(60) == 0
        finally:
            stop(process)
    assert Embedded.find(data) is None
