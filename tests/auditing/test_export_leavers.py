"""Readers who leave an export early, and readers who take nothing: the process lives, and nothing they held
stays held."""

import json
import signal
import socket
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import httpx
import psycopg
import pytest

from coldcase.db import embedded
from tests.conftest import drop
from tests.serving import Process, make_key, serving, transactions

FORMATS = ("ndjson", "csv", "parquet")
LEAVERS = 40
"""Two at each of the points that readers leave at; `python -m tests.attack leavers` sends many more."""

# Larger than the sockets' buffers, and of no use to a packer, so that the service is in the middle of it when
# a reader leaves.
MULTIPLY = """
INSERT INTO decision (id, client_id, recorded_at, fingerprint, case_text, answer_text, cause, status,
    confidence, compressor_type, rule_table,
                      engine)
SELECT (left(id::text, 24) || lpad(to_hex(n), 12, '0'))::uuid, client_id, recorded_at, fingerprint, case_text,
       (SELECT '{"pad":"' || string_agg(md5((n + 2000 * i)::text), '') || '"}'
           FROM generate_series(1, 250) AS i),
       cause, status, confidence, compressor_type, rule_table, engine
FROM decision, generate_series(1, 2000) AS n
"""


class Reader:
    """A caller with a key of its own who reads little or nothing of an export."""

    def __init__(self, service: Process, secret: str) -> None:
        self.service, self.secret = service, secret

    def ask(self, format_: str, method: str = "GET") -> socket.socket:
        """A connection on which an export has been asked for."""
        connection = socket.socket()
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.settimeout(20)
        connection.connect(("127.0.0.1", self.service.port))
        head = (
            f"{method} /v1/decisions/export?full=true&format={format_} HTTP/1.1\r\nHost: "
            f"x\r\nAuthorization: Bearer {self.secret}\r\n\r\n"
        )
        connection.sendall(head.encode())
        return connection

    def begin(self, format_: str) -> socket.socket:
        """A connection on which an export has begun, once there is a place for it."""
        for _ in range(500):
            connection = self.ask(format_)
            answered = connection.recv(1024)
            if b" 200 OK" in answered:
                return connection
            assert b" 503 " in answered or b" 429 " in answered, answered
            connection.close()
            time.sleep(0.02)
        pytest.fail("there never was a place for an export")


@dataclass(frozen=True)
class Record:
    """A record with thousands of decisions, and a key to read them with."""

    service_url: str
    superuser_url: str
    secret: str


@pytest.fixture(scope="module")
def record(postgres, make_database, _begun):
    """A record with thousands of decisions of one client."""
    database = make_database(_begun)
    secret = make_key(database.owner_url, "decisions:write", "decisions:read")
    with serving(database.service_url) as service:
        case = {"unit": {"compressor_type": "scroll", "motor": "unknown"}}
        told = httpx.post(
            f"{service.address}/v1/classifications",
            json=case,
            headers={"Authorization": f"Bearer {secret}"},
            trust_env=False,
            timeout=60,
        )
        assert told.status_code == 201
    with psycopg.connect(database.owner_url.replace("+psycopg", "")) as conn:
        conn.execute(MULTIPLY)
    yield Record(database.service_url, postgres.url(embedded.SUPERUSER, database.name), secret)
    drop(postgres, database)


@pytest.fixture(scope="module")
def reader(record) -> Iterator[Reader]:
    """A reader of a service that waits for readers as long as it does by default."""
    with serving(record.service_url) as service:
        yield Reader(service, record.secret)


@pytest.fixture(scope="module")
def hurried(record) -> Iterator[Reader]:
    """A reader of a service that waits a second for who takes nothing."""
    with serving(record.service_url, unread_seconds="1") as service:
        yield Reader(service, record.secret)


def eventually(true: Callable[[], bool], seconds: float = 10) -> bool:
    end = time.monotonic() + seconds
    while not (held := true()) and time.monotonic() < end:
        time.sleep(0.05)
    return held


def unread(service: Process) -> int:
    """How many answers a process has logged as not read."""
    return service.said().count("its answers are not read")


def errors(service: Process) -> list[str]:
    """The events that a process has logged as errors."""
    lines = [json.loads(line) for line in service.said().splitlines() if line.startswith("{")]
    return [line["event"] for line in lines if line["level"] == "error"]


@pytest.mark.parametrize("format_", FORMATS)
def test_a_process_lives_through_readers_who_leave_early(record, reader, format_):
    service = reader.service
    for _ in range(4):
        with reader.begin(format_):
            assert transactions(record.superuser_url) != []
    threads = service.threads()
    for number in range(LEAVERS):
        with reader.begin(format_):
            # So that each leaves at another point of the service's work on the next piece.
            time.sleep(number % 20 * 0.002)

    assert service.process.poll() is None
    assert httpx.get(f"{service.address}/health/live", trust_env=False, timeout=20).status_code == 200
    assert eventually(lambda: transactions(record.superuser_url) == []), transactions(record.superuser_url)
    # Those that pack are kept by the event loop for later, a few at most.
    assert service.threads() <= threads + 4
    assert errors(service) == []


@pytest.mark.parametrize("format_", FORMATS)
def test_an_export_that_nobody_reads_ends_and_is_logged(record, hurried, format_):
    ended = unread(hurried.service)
    with hurried.begin(format_):
        assert transactions(record.superuser_url) != []
        assert eventually(lambda: transactions(record.superuser_url) == [], 15), transactions(
            record.superuser_url
        )
        assert eventually(lambda: unread(hurried.service) == ended + 1)
        hurried.begin(format_).close()


def test_an_export_that_is_read_slowly_goes_on(hurried):
    ended = unread(hurried.service)
    with hurried.begin("csv") as connection:
        began = time.monotonic()
        while time.monotonic() < began + 3:
            assert connection.recv(65536)
            time.sleep(0.01)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        tail = b""
        while read := connection.recv(1 << 20):
            tail = (tail + read)[-5:]
            if tail == b"0\r\n\r\n":
                break
    assert tail == b"0\r\n\r\n"
    assert unread(hurried.service) == ended


def test_sigterm_does_not_wait_for_an_export_that_nobody_reads(record):
    with (
        serving(record.service_url, drain_seconds="60") as service,
        Reader(service, record.secret).begin("ndjson"),
    ):
        service.process.send_signal(signal.SIGTERM)
        assert service.process.wait(30) == 0
        assert transactions(record.superuser_url) == []
