"""What imports may take of a service, and what happens when it, or one of its processes, goes away."""

import json
import os
import signal
import socket
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from coldcase.settings import Settings
from tests.importing.conftest import BULK, Bulk, case, spelled
from tests.serving import in_thread


@pytest.fixture
def tight(service_database, tmp_path):
    """A service with room for one import, and for 64 KiB of it."""
    settings = Settings(
        database_url=service_database.service_url, warm_properties=False, bulk_streams=1,
        spool_bytes=64 * 1024, spool_dir=str(tmp_path),
    )  # fmt: skip
    with in_thread(settings) as (_, host, port):
        running = Bulk(f"http://{host}:{port}", service_database.owner_url, service_database.service_url)
        yield running
        for client in running.opened:
            client.close()


@contextmanager
def half_sent(tight, importer):
    """An import whose body is on its way."""
    host, port = tight.base.removeprefix("http://").split(":")
    secret = importer.http.headers["authorization"]
    with socket.create_connection((host, int(port))) as conn:
        head = f"POST {BULK} HTTP/1.1\r\nHost: x\r\nAuthorization: {secret}\r\n"
        head += "Content-Type: application/x-ndjson\r\nContent-Length: 70000\r\n\r\n"
        conn.sendall(head.encode() + b"\n" * 40_000)
        running(importer, 1)
        yield conn


def running(importer, count: int) -> None:
    end = time.monotonic() + 10
    while f"coldcase_imports_running {count}.0" not in importer.http.get("/metrics").text:
        assert time.monotonic() < end
        time.sleep(0.02)


def test_past_the_places_for_imports_callers_are_told_to_wait(tight):
    one, other = tight.importer("one"), tight.importer("other")
    with half_sent(tight, one):
        for importer, status in ((one, 429), (other, 503)):
            told = importer.send(spelled([case("A")]))
            assert (told.status_code, int(told.headers["Retry-After"]) > 0) == (status, True)
        assert one.http.post("/v1/classifications", json=case("live")).status_code == 201
    # Whoever leaves within his body gives his place and his room back.
    running(other, 0)
    assert other.post([case("A")])[1]["recorded"] == 1
    assert "coldcase_spooled_bytes 0.0" in other.http.get("/metrics").text


def test_without_room_on_disk_nothing_is_begun(tight, tmp_path):
    told = tight.importer("one").send(b"\n" * 70_000)
    assert (told.status_code, told.json()["type"]) == (507, "/problems/spool_full")
    assert told.headers["Retry-After"]
    assert list(tmp_path.iterdir()) == []


def workers() -> list[int]:
    """The processes of this one that work on imports."""
    mine = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "cmdline").read_bytes().split(b"\0")
                parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except (OSError, IndexError):
                continue
            if parent == os.getpid() and b"imports" in words:
                mine.append(int(entry.name))
    return mine


@pytest.mark.slow
def test_a_process_works_on_one_import_after_another_and_a_killed_one_is_replaced(mine):
    mine.post([case("A")])
    first = workers()
    mine.post([case("B")])
    assert workers() == first
    for pid in first:
        os.kill(pid, signal.SIGKILL)
    assert mine.post([case("A"), case("C")])[1] | {"rule_table": None} == {
        "lines": 2, "recorded": 1, "replayed": 1, "refused": 0, "verdicts": 0, "rule_table": None
    }  # fmt: skip


def test_an_import_whose_process_dies_is_unfinished_and_posted_again_complete(bulk, mine):
    lines = [case(f"J-{number}") for number in range(4000)]
    read = []
    with mine.http.stream(
        "POST", BULK, content=spelled(lines), headers={"Content-Type": "application/x-ndjson"}
    ) as told:
        for line in told.iter_lines():
            read.append(json.loads(line))
            if len(read) == 1:
                for pid in workers():
                    os.kill(pid, signal.SIGKILL)
    assert "summary" not in read[-1]
    assert read[-1]["problem"]["type"] == "/problems/internal"
    answers, summary = mine.post(lines)
    assert summary["replayed"] >= len(read) - 1
    assert summary["replayed"] + summary["recorded"] == 4000
    assert [one["id"] for one in answers[: len(read) - 1]] == [one["id"] for one in read[:-1]]
    query = "SELECT count(*), count(DISTINCT job_ref) FROM decision JOIN client ON client.id = client_id"
    assert bulk.rows(f"{query} WHERE name = %s", mine.client) == [(4000, 4000)]


def test_an_import_that_nobody_waits_for_ends_and_is_told_of(mine):
    with mine.http.stream(
        "POST", BULK, content=spelled([case(f"J-{n}") for n in range(6000)]),
        headers={"Content-Type": "application/x-ndjson"},
    ) as told:  # fmt: skip
        next(told.iter_lines())
    end, events = time.monotonic() + 20, "/v1/audit-events?action=decisions.imported"
    while not (found := mine.http.get(events).json()["items"]):
        assert time.monotonic() < end
        time.sleep(0.1)
    assert found[0]["details"]["finished"] is False
    assert 0 < found[0]["details"]["recorded"] < 6000
