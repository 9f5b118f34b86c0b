"""The service as a process on the embedded default: until SIGTERM, and through its database's death."""

import json
import logging
import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
import structlog

from coldcase.cli import main
from coldcase.db import data_folder, embedded, server_process
from coldcase.db.embedded import Embedded
from tests.test_cli import MOISTURE


@pytest.fixture(autouse=True)
def _logging_ends_with_the_test():
    """Commands configure logging for their process; it would go on writing to what pytest has closed."""
    yield
    structlog.reset_defaults()
    logging.basicConfig(force=True)


@contextmanager
def serving(data_dir: Path):
    """`coldcase serve` on an embedded database and a free port, as a process of its own: its address and
    itself."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("COLDCASE_")}
    args = [sys.executable, "-m", "coldcase", "serve", "--data-dir", str(data_dir), "--port", "0"]
    with subprocess.Popen(args, env=clean, stderr=subprocess.PIPE, text=True) as process:
        try:
            # Every line is JSON, the first one too.
            said = next(
                event
                for line in process.stderr
                if (event := json.loads(line)["event"]).startswith("listening on ")
            )
            yield said.removeprefix("listening on "), process
        finally:
            if process.poll() is None:
                process.kill()


def new_key(data_dir: Path, capsys) -> dict[str, str]:
    """The header that a client of the record there sends."""
    named = ["--client", "Tern Haven", "--scope", "decisions:write"]
    assert main(["keys", "create", *named, "--data-dir", str(data_dir)], {}) == 0
    return {"Authorization": f"Bearer {capsys.readouterr().out.strip()}"}


def test_serve_on_the_embedded_default_until_sigterm(tmp_path, capsys):
    with (
        serving(tmp_path) as (address, process),
        httpx.Client(base_url=address, trust_env=False, timeout=60) as http,
    ):
        key = new_key(tmp_path, capsys)
        ready = http.get("/health/ready").json()
        assert ready == {
            "status": "ready",
            "recording": True,
            "rule_table": 1,
            "recording_since": ready["recording_since"],
            "starter_table": {"digest": ready["starter_table"]["digest"], "on_record": True},
        }
        assert http.post("/v1/classifications", json=MOISTURE, headers=key).status_code == 201

        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0
        told = [json.loads(line) for line in process.stderr]
    assert [(one["event"], one["level"]) for one in told] == [("sealed", "info")] * len(told)
    assert Embedded.find(tmp_path) is None
    # What was recorded within the first minute is under a seal, whose head is in the log.
    assert main(["verify", "--json", "--data-dir", str(tmp_path), "--expect", told[-1]["head"]], {}) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["good"], found["unsealed"], found["head"], found["seals"]) == (
        True,
        0,
        told[-1]["head"],
        told[-1]["seal"],
    )


def ready(http):
    return http.get("/health/ready").json()["recording"]


def until(true, *, seconds=60):
    """Asks again until something is so."""
    last = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < last
        time.sleep(0.02)


@pytest.mark.slow
def test_serve_starts_its_killed_database_again_and_says_meanwhile_that_it_cannot_record(tmp_path, capsys):
    with (
        serving(tmp_path) as (address, process),
        httpx.Client(base_url=address, trust_env=False, timeout=60) as http,
    ):
        key = new_key(tmp_path, capsys)
        assert http.post("/v1/classifications", json=MOISTURE, headers=key).status_code == 201
        for _ in range(2):
            # While the lock is held it cannot be started again.
            with data_folder.exclusively(tmp_path):
                pid = server_process.process_id(tmp_path)
                assert pid is not None
                os.kill(pid, signal.SIGKILL)
                until(lambda: not ready(http))
                refused = http.post("/v1/classifications", json=MOISTURE, headers=key)
                assert (refused.status_code, refused.json()["type"]) == (503, "/problems/store_away")
            until(lambda: ready(http))
            assert http.post("/v1/classifications", json=MOISTURE, headers=key).status_code == 201
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0
    assert not embedded.is_running(tmp_path)
