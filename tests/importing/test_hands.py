"""Large imports by several processes: what comes of them is what comes of one, and they end together."""

import asyncio
import io
import json
import os
import signal
import subprocess
import sys
import time
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from coldcase.cli.importing import problem_of
from coldcase.db.events import Actor
from coldcase.importing.hands import WORTH_IT_AFTER, Elsewhere, ImportPool
from coldcase.importing.orders import FRAME, ImportOrder
from coldcase.importing.running import run_import
from coldcase.logs import start_logging
from tests.importing.conftest import DEVELOPMENT_CASES, case, spelled

CELL = {
    "job.ref": "J", "unit.compressor_type": "scroll", "unit.motor": "three_phase",
    "observations.copper_plating": "heavy",
}  # fmt: skip


@pytest.fixture(scope="module")
def pool():
    """Two processes that have begun."""
    with closing(ImportPool(2, partial(start_logging, "warning"), problem_of)) as made:
        begun(made)
        yield made


def begun(pool: ImportPool) -> None:
    pool.count(WORTH_IT_AFTER + 1)
    end = time.monotonic() + 120
    while not pool.ready():
        assert time.monotonic() < end
        time.sleep(0.05)


@contextmanager
def alone():
    with closing(ImportPool(1, partial(start_logging, "warning"), problem_of)) as made:
        yield made


@pytest.fixture
def order_of(bulk):
    """Orders of a client of the service."""

    def make(client: str, **named: Any) -> ImportOrder:
        bulk.importer(client)
        query = "SELECT api_key.id, client_id FROM api_key JOIN client ON client.id = client_id"
        ((key, id_),) = bulk.rows(
            f"{query} WHERE client.name = %s ORDER BY api_key.created_at LIMIT 1", client
        )
        ((table,),) = bulk.rows("SELECT max(version) FROM rule_table")
        given: dict[str, Any] = {"import_key": "", "rule_table": table, **named}
        return ImportOrder(
            database_url=bulk.service_url, client_id=id_, key=key,
            actor=Actor(key=key, person=None, request_id="test"), **given,
        )  # fmt: skip

    return make


def told(order: ImportOrder, body: bytes, pool: ImportPool, on_frame: Any = None) -> list[dict[str, Any]]:
    """The lines of an import's answer; `on_frame` is called with each frame."""
    text = bytearray()

    def out(frames: bytes) -> None:
        text.extend(frames[FRAME.size :])
        if on_frame is not None:
            on_frame(frames)

    asyncio.run(
        run_import(order, io.BytesIO(body), out, tell=problem_of, pool=pool, stopping=asyncio.Event())
    )
    return [json.loads(line) for line in text.splitlines()]


def history(count: int) -> list[Any]:
    """Lines of many kinds: bad ones, the same content again, lines that say themselves which time it is,
    jobs that are told in two ways."""
    lines: list[Any] = []
    for number in range(count):
        lines.append({"case": {**DEVELOPMENT_CASES[number % 60], "job": {"ref": f"J-{number}"}}})
        if number % 23 == 0:
            lines.append('{"unit": {"compressor_type": "scrol"}}')
        if number % 31 == 0:
            lines.append(case("often"))
        if number % 37 == 0:
            lines.append({"case": case("counted"), "occurrence": number % 4})
        if number % 41 == 0:
            lines.append(case(f"J-{number // 2}", oil_quantity="right"))
    return lines


def without_ids(answers: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each id by the line that had it first."""
    first: dict[str, int] = {}
    return [
        one | {"id": first.setdefault(one["id"], place)} if "id" in one else one
        for place, one in enumerate(answers)
    ]


def test_several_processes_tell_and_record_what_one_does(bulk, pool, order_of):
    body = spelled(history(3000))
    with alone() as one:
        expected = told(order_of("by one"), body, one)
    found = told(order_of("by several"), body, pool)
    assert len(pool.ready()) == 2
    assert without_ids(found) == without_ids(expected)
    assert found[-1]["summary"]["refused"] > 100
    assert found[-1]["summary"]["replayed"] > 70
    kept = (
        "SELECT job_ref, cause, confidence, case_text, encode(fingerprint, 'hex'), origin, own_code "
        "FROM decision JOIN client ON client.id = client_id WHERE client.name = %s ORDER BY job_ref, 4"
    )
    assert bulk.rows(kept, "by several") == bulk.rows(kept, "by one")
    again = told(order_of("by several"), body, pool)
    assert [one.get("id") for one in again] == [one.get("id") for one in found]
    assert again[-1]["summary"]["recorded"] == 0


def test_several_processes_read_rows_under_their_header_and_name_those_that_are_shifted(pool, order_of):
    rows = [",".join([f"J-{number}", *list(CELL.values())[1:]]) for number in range(1200)]
    rows[700] += ",x"
    body = "\n".join([",".join(CELL), *rows]).encode()
    *answers, last = told(order_of("rows", media="csv"), body, pool)
    assert "id" in answers[0], answers[0]
    assert [one["job_ref"] for one in answers if "id" in one] == [f"J-{n}" for n in range(1200) if n != 700]
    assert "shifted" in answers[700]["problem"]["errors"][0]["detail"]
    assert last["summary"]["recorded"] == 1199


@pytest.mark.slow
def test_an_import_of_which_a_process_is_killed_breaks_off_and_is_complete_when_posted_again(
    bulk, pool, order_of
):
    order, body = order_of("killed"), spelled([case(f"J-{number}") for number in range(4000)])
    frames: list[bytes] = []

    def kill(frame: bytes) -> None:
        frames.append(frame)
        if len(frames) == 2:
            os.kill(pool.pids()[0], signal.SIGKILL)

    with pytest.raises(Elsewhere):
        told(order, body, pool, kill)
    assert not pool.ready()
    begun(pool)
    answers = told(order, body, pool)
    assert answers[-1]["summary"]["recorded"] + answers[-1]["summary"]["replayed"] == 4000
    assert answers[-1]["summary"]["replayed"] >= 1000
    query = "SELECT count(*), count(DISTINCT job_ref) FROM decision JOIN client ON client.id = client_id"
    assert bulk.rows(f"{query} WHERE name = 'killed'") == [(4000, 4000)]


BEGINS_AND_WAITS = """
import time
from functools import partial
from coldcase.cli.importing import problem_of
from coldcase.importing.hands import WORTH_IT_AFTER, ImportPool
from coldcase.logs import start_logging

if __name__ == "__main__":
    pool = ImportPool(2, partial(start_logging, "warning"), problem_of)
    pool.count(WORTH_IT_AFTER + 1)
    print(*pool.pids(), flush=True)
    while not pool.ready():
        time.sleep(0.05)
    print("ready", flush=True)
    time.sleep(600)
"""


@pytest.mark.slow
def test_those_of_a_killed_process_end_with_it(tmp_path):
    program = tmp_path / "begins_and_waits.py"
    program.write_text(BEGINS_AND_WAITS)
    with subprocess.Popen([sys.executable, str(program)], stdout=subprocess.PIPE, text=True) as parent:
        theirs = [int(pid) for pid in parent.stdout.readline().split()]
        assert len(theirs) == 2
        assert parent.stdout.readline() == "ready\n"
        assert all(Path(f"/proc/{pid}").exists() for pid in theirs)
        parent.kill()
    end = time.monotonic() + 60
    while any(Path(f"/proc/{pid}").exists() for pid in theirs):
        assert time.monotonic() < end
        time.sleep(0.1)
