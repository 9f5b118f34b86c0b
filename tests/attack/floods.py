"""Callers who mean no good, most of them without a key: a well-behaved one goes on beside them."""

import resource
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

import psycopg

from tests.attack import load
from tests.attack.load import Call
from tests.attack.network import percentile, summed
from tests.attack.report import Outcome, attack
from tests.attack.stage import MIB, Service, Stage, key, wait_for
from tests.attack.wire import case, request

LEAST_BOUND_S = 0.25
TIMES_IDLE = 10
MOST_GROWTH_MIB = 150
FEW_FILES = 256


@dataclass(frozen=True)
class Target:
    """What attackers know: the port, a key that may preview, a key of their own that may read, and when to
    stop."""

    port: int
    previews: str
    reads: str
    over: threading.Event

    def connect(self, *, buffer: int | None = None) -> socket.socket:
        made = socket.socket()
        if buffer is not None:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer)
        made.settimeout(2)
        made.connect(("127.0.0.1", self.port))
        return made


Attacker = Callable[[Target], int]


def send_in_pieces(target: Target, connection: socket.socket, pieces: Iterator[bytes]) -> None:
    """Until the server has had enough."""
    for piece in pieces:
        if target.over.is_set():
            break
        connection.sendall(piece)
    with suppress(OSError):
        connection.recv(4096)


def again_and_again(target: Target, pieces: Callable[[], Iterator[bytes]]) -> int:
    count = 0
    while not target.over.is_set():
        with suppress(OSError), target.connect() as connection:
            count += 1
            send_in_pieces(target, connection, pieces())
        time.sleep(0.01)
    return count


def equal_headers(target: Target) -> int:
    """A hundred thousand headers of one name in one request, as often as they are taken."""

    def pieces() -> Iterator[bytes]:
        yield b"GET /v1/vocabulary HTTP/1.1\r\nHost: x\r\n"
        for _ in range(1000):
            yield b"a: bbbbbbbbbbbbbbbbbbbb\r\n" * 100
        yield b"\r\n"

    return again_and_again(target, pieces)


def one_long_header(target: Target) -> int:
    """A header of 64 MB."""

    def pieces() -> Iterator[bytes]:
        yield b"GET /health/live HTTP/1.1\r\nHost: x\r\na: "
        for _ in range(1024):
            yield b"b" * 65536
        yield b"\r\n\r\n"

    return again_and_again(target, pieces)


def held(target: Target, opened: list[socket.socket], first: bytes = b"", more: bytes = b"") -> int:
    """Keeps connections open and sends each some more once a second; opens those again that the server has
    closed. Answers how many it closed."""
    closed = 0
    while not target.over.wait(1):
        for place, connection in enumerate(opened):
            if target.over.is_set():
                break
            try:
                connection.settimeout(0)
                connection.send(more)
                if connection.recv(4096) == b"":
                    raise ConnectionResetError
            except BlockingIOError:
                continue
            except OSError:
                closed += 1
                connection.close()
                with suppress(OSError):
                    opened[place] = target.connect()
                    opened[place].sendall(first)
    for connection in opened:
        connection.close()
    return closed


def open_many(
    target: Target, count: int, first: bytes = b"", *, buffer: int | None = None
) -> list[socket.socket]:
    opened = []
    for _ in range(count):
        if target.over.is_set():
            break
        with suppress(OSError):
            connection = target.connect(buffer=buffer)
            opened.append(connection)
            connection.sendall(first)
    return opened


def slow_headers(target: Target) -> int:
    """200 connections that send one byte of a header a second."""
    first = b"GET /health/live HTTP/1.1\r\nHost: x\r\na: "
    return held(target, open_many(target, 200, first), first, b"b")


def silent(target: Target) -> int:
    """More connections than the service may have descriptors; nothing is ever sent."""
    return held(target, open_many(target, FEW_FILES + 64))


def unread(target: Target) -> int:
    """530 connections with 40 pipelined requests each, of whose answers nothing is read."""
    opened = open_many(target, 530, b"GET /openapi.json HTTP/1.1\r\nHost: x\r\n\r\n" * 40, buffer=2048)
    target.over.wait()
    for connection in opened:
        connection.close()
    return len(opened)


def withheld_bodies(target: Target) -> int:
    """520 bodies announced and not sent, with one key that may only preview; again as soon as they are
    refused."""
    head = request(
        "POST",
        "/v1/classifications/preview",
        target.previews,
        headers={"Content-Type": "application/json", "Content-Length": "900"},
    )
    opened, count = open_many(target, 520, head), 520
    while not target.over.wait(0.5):
        for place, connection in enumerate(opened):
            connection.settimeout(0)
            with suppress(BlockingIOError):
                with suppress(ConnectionError):
                    connection.recv(4096)
                connection.close()
                with suppress(OSError):
                    opened[place] = target.connect()
                    opened[place].sendall(head)
                    count += 1
    for connection in opened:
        connection.close()
    return count


def unread_exports(target: Target) -> int:
    """Eight exports asked for by one client, of which nothing is read; asked for again and again."""
    asked = request("GET", "/v1/decisions/export?full=true&format=ndjson", target.reads)
    opened, count = open_many(target, 8, asked, buffer=2048), 8
    while not target.over.wait(0.5):
        for place in range(len(opened)):
            with suppress(OSError):
                extra = target.connect(buffer=2048)
                extra.sendall(asked)
                extra.recv(16)
                opened.append(extra)
                count += 1
            if place >= 2:
                break
    for connection in opened:
        connection.close()
    return count


def costly(target: Target) -> int:
    """Eight callers of the dearest calls there are: the documents, and cases with thousands of unknown
    members."""
    flaws = case("x", readings={f"unknown_{number}": number for number in range(3000)})[:65000]
    asked = (
        request("GET", "/docs"),
        request("POST", "/v1/classifications/preview", target.previews, body=flaws),
        request("GET", "/openapi.json"),
    )
    counts = [0] * 8

    def caller(number: int) -> None:
        while not target.over.is_set():
            with suppress(OSError), target.connect() as connection:
                connection.sendall(
                    asked[number % len(asked)].replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n", 1)
                )
                while connection.recv(65536):
                    pass
                counts[number] += 1

    threads = [threading.Thread(target=caller, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(counts)


def remembered(target: Target) -> int:
    """Lenient previews, each with an unknown member of 60 KB: whatever is remembered of them is large."""
    count = 0
    with suppress(OSError), target.connect() as connection:
        connection.settimeout(10)
        while not target.over.is_set():
            body = case(f"m{count}", observations={f"finding_{count}": "x" * 60_000})
            connection.sendall(
                request(
                    "POST",
                    "/v1/classifications/preview",
                    target.previews,
                    body=body,
                    headers={"Prefer": "handling=lenient"},
                )
            )
            connection.recv(1 << 20)
            count += 1
    return count


ATTACKERS: dict[str, Attacker] = {
    "100,000 equal headers": equal_headers,
    "one header of 64 MB": one_long_header,
    "200 slow headers": slow_headers,
    "silent connections past the descriptor limit": silent,
    "530 x 40 pipelined answers unread": unread,
    "520 withheld bodies of one preview key": withheld_bodies,
    "unread exports of one client": unread_exports,
    "the dearest calls, eight at a time": costly,
    "lenient previews of 60 KB": remembered,
}
SLOW = frozenset(
    {
        "200 slow headers",
        "silent connections past the descriptor limit",
        "520 withheld bodies of one preview key",
    }
)
"""They work by waiting: nothing is shown before the deadlines of the service have passed once or twice."""


@attack("floods", seconds=10)
def floods(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """Each kind of flood for some seconds, the slow ones for more, against a service of its own."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, max(soft, 4096)), hard))
    database = stage.database()
    good = key(database.owner_url, client="Tern Haven")
    previews = key(database.owner_url, "preview", client="Curd Store")
    reads = key(database.owner_url, "decisions:read", "decisions:write", client="Milk Store")
    fill(stage, database.name, good, reads, database.service_url)
    for name, attacker in ATTACKERS.items():
        with stage.serving(database.service_url, **_settings(name)) as service:
            yield _flood(
                service,
                Target(service.port, previews, reads, threading.Event()),
                name,
                attacker,
                good,
                seconds * (2.5 if name in SLOW else 1),
            )
    stage.drop(database)


def _settings(name: str) -> dict[str, object]:
    return {"files": FEW_FILES} if "descriptor" in name else {}


def _flood(
    service: Service, target: Target, name: str, attacker: Attacker, good: str, seconds: float
) -> Outcome:
    kinds = ("record", "preview", "record", "preview", "export" if "export" in name else "read")
    with load.running(load.well_behaved, port=service.port, secret=good, kinds=kinds) as callers:
        time.sleep(4)
        before, attacked = service.resident(), time.time()
        with in_thread(attacker, target) as count:
            peak = watch(service, seconds)
            ended = time.time()
        time.sleep(1)
        calls: list[Call] = callers.finish()
    idle = percentile([call.seconds for call in calls if call.at + call.seconds < attacked])
    during = [call for call in calls if attacked <= call.at < ended]
    bound, p99 = max(LEAST_BOUND_S, TIMES_IDLE * idle), percentile([call.seconds for call in during])
    wrong = summed(
        [
            f"{call.kind} refused: {call.status} {call.error}"
            for call in during
            if call.status not in (200, 201)
        ]
    )
    if p99 > bound:
        wrong.append(f"p99 {p99 * 1000:.0f} ms, bound {bound * 1000:.0f} ms")
    if not service.alive():
        wrong.append("the service died")
    if (grown := (peak - before) / MIB) > MOST_GROWTH_MIB:
        wrong.append(f"memory grew by {grown:.0f} MiB")
    if wait_for(lambda: service.ready() is not None, 10) is None:
        wrong.append("new callers are not answered afterwards")
    figure = f"p99 {p99 * 1000:.0f} ms (idle {idle * 1000:.0f}), +{grown:.0f} MiB, {count[0]:,} x attacked"
    return Outcome(
        "a well-behaved client goes on: p99 bounded, nothing refused",
        f"{name}, {seconds:.0f} s",
        len(during),
        wrong,
        figure,
    )


@contextmanager
def in_thread(attacker: Attacker, target: Target) -> Iterator[list[int]]:
    """Attacks for as long as the block; the list then holds how often."""
    count = [0]
    thread = threading.Thread(target=lambda: count.__setitem__(0, attacker(target)))
    thread.start()
    try:
        yield count
    finally:
        target.over.set()
        thread.join(60)


def watch(service: Service, seconds: float) -> int:
    """The most bytes that the service had in memory meanwhile."""
    until, most = time.monotonic() + seconds, 0
    while time.monotonic() < until and service.alive():
        most = max(most, service.resident())
        time.sleep(0.1)
    return most


COPIES = """
INSERT INTO decision (id, client_id, recorded_at, fingerprint, case_text, answer_text, cause, status,
    confidence, compressor_type, rule_table,
                      engine)
SELECT (left(one.id::text, 24) || lpad(to_hex(n), 12, '0'))::uuid, client_id, recorded_at, fingerprint,
    case_text,
       (SELECT '{"pad":"' || string_agg(md5((n + 9000 * i)::text), '') || '"}'
           FROM generate_series(1, 120) AS i),
       cause, status, confidence, compressor_type, rule_table, engine
FROM decision AS one JOIN client ON client.id = one.client_id, generate_series(1, 8000) AS n
WHERE client.name = 'Milk Store'
"""


def fill(stage: Stage, database: str, good: str, reads: str, url: str) -> None:
    """Decisions of the attacking client, so many that an export is larger than every buffer; a few of the
    good one."""
    with stage.serving(url) as service, service.client(reads) as theirs, service.client(good) as ours:
        for caller in (theirs, ours):
            caller.post(
                "/v1/classifications", content=case("first"), headers={"Content-Type": "application/json"}
            ).raise_for_status()
    with psycopg.connect(stage.superuser(database), autocommit=True) as conn:
        conn.execute("SET session_replication_role = replica")
        conn.execute(COPIES)
