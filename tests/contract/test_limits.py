"""What one peer can make the service hold or wait for: each limit over real sockets, and a well-behaved
caller beside it."""

import asyncio
import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any

import httpx
import msgspec
import pytest
from litestar import get
from litestar.response import Response
from structlog.testing import capture_logs

from coldcase.settings import Settings
from coldcase.web.connections import Limits
from tests.serving import in_thread

QUICK = Limits(
    head_seconds=1,
    body_seconds=1,
    unread_seconds=1,
    unread_progress=1024,
    closing_seconds=1,
    sweep_seconds=0.05,
    rest_bytes=256 * 1024,
)
HEAD = b"GET /health/live HTTP/1.1\r\nHost: x\r\n"
CASE = json.dumps({"unit": {"compressor_type": "scroll", "motor": "three_phase"}}).encode()
PATIENCE = 20


@dataclass
class Peer:
    """The service under quick limits, and ways to be rude to it."""

    host: str
    port: int
    authorization: bytes
    server: Any
    open: list[socket.socket] = field(default_factory=list)

    def connect(self, sent: bytes = b"", *, receive_buffer: int | None = None) -> socket.socket:
        connection = socket.socket()
        connection.settimeout(PATIENCE)
        if receive_buffer:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
        connection.connect((self.host, self.port))
        self.open.append(connection)
        connection.sendall(sent)
        return connection

    def ask(self, sent: bytes) -> bytes:
        """Everything that comes back until the service closes; what cannot be sent any more is not sent."""
        connection = self.connect()
        with suppress(BrokenPipeError, ConnectionResetError):
            connection.sendall(sent)
        return read_all(connection)

    def post(self, headers: bytes = b"", body: bytes = CASE, length: bytes | None = None) -> bytes:
        length = b"Content-Length: %d\r\n" % len(body) if length is None else length
        head = b"POST /v1/classifications/preview HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
        return head + b"Authorization: " + self.authorization + b"\r\n" + length + headers + b"\r\n" + body

    @contextmanager
    def caller(self) -> Iterator[list[tuple[int, float]]]:
        """A well-behaved caller beside whatever happens within: the status and seconds of each of its
        requests."""
        answers: list[tuple[int, float]] = []
        enough = threading.Event()

        def call() -> None:
            with httpx.Client(
                base_url=f"http://{self.host}:{self.port}", trust_env=False, timeout=PATIENCE
            ) as http:
                while not enough.is_set() or len(answers) < 20:
                    headers = {
                        "Authorization": self.authorization.decode(),
                        "Content-Type": "application/json",
                    }
                    began = time.monotonic()
                    status = http.post(
                        "/v1/classifications/preview", content=CASE, headers=headers
                    ).status_code
                    answers.append((status, time.monotonic() - began))
                    # A new connection now and then.
                    if len(answers) % 5 == 0:
                        http.get("/health/live", headers={"Connection": "close"})

        caller = threading.Thread(target=call)
        caller.start()
        try:
            yield answers
        finally:
            enough.set()
            caller.join()
        assert len(answers) >= 20
        assert {status for status, _ in answers} == {200}
        assert max(seconds for _, seconds in answers) < 5


def read_all(connection: socket.socket) -> bytes:
    pieces = []
    with suppress(ConnectionResetError):
        while piece := connection.recv(65536):
            pieces.append(piece)
    return b"".join(pieces)


def problem(answer: bytes) -> tuple[int, str]:
    """Status and code of a problem document that is the last answer of its connection."""
    head, _, body = answer.partition(b"\r\n\r\n")
    lines = head.lower().split(b"\r\n")
    assert b"content-type: application/problem+json" in lines
    assert b"connection: close" in lines
    assert b"x-content-type-options: nosniff" in lines
    document = json.loads(body)
    assert document["detail"]
    assert int(head.split()[1]) == document["status"]
    return document["status"], document["type"].removeprefix("/problems/")


@pytest.fixture(scope="module")
def peers(live) -> Iterator[Any]:
    """Makes services with limits and settings of their own."""
    with ExitStack() as stack:

        def make(limits: dict[str, Any] | None = None, routes: tuple[Any, ...] = (), **settings: Any) -> Peer:
            chosen = Settings(
                database_url=live.service_url, warm_properties=False, **{"drain_seconds": 2, **settings}
            )
            quick = msgspec.structs.replace(QUICK, **(limits or {}))
            server, host, port = stack.enter_context(in_thread(chosen, limits=quick, extra_routes=routes))
            peer = Peer(host, port, live.authorization["Authorization"].encode(), server)
            stack.callback(lambda: [connection.close() for connection in peer.open])
            return peer

        yield make


@pytest.fixture(scope="module")
def peer(peers) -> Peer:
    return peers()


@pytest.mark.parametrize(
    "sent",
    [
        HEAD + b"a: b\r\n" * 101 + b"\r\n",
        HEAD + b"a: b\r\n" * 400_000 + b"\r\n",
        HEAD + b"a: " + b"b" * 40_000 + b"\r\n\r\n",
        HEAD + b"a: " + b"b" * 20_000_000,
        HEAD + b"a" * 20_000_000,
        b"GET /" + b"a" * 20_000_000,
        b"GET /?" + b"a" * 40_000 + b" HTTP/1.1\r\nHost: x\r\n\r\n",
        b"\r\n" * 1_000_000,
    ],
    ids=[
        "101",
        "400,000",
        "one long",
        "one without end",
        "a name without end",
        "a path without end",
        "a long query",
        "nothing but ends",
    ],
)
def test_too_many_or_too_large_headers_are_refused_at_once_and_hold_nobody_up(peer, sent):
    with peer.caller():
        answer = peer.ask(sent)

    assert problem(answer) == (431, "headers_too_large")


def test_headers_up_to_the_limit_are_read(peer):
    many = HEAD + b"a: b\r\n" * 98 + b"Connection: close\r\n\r\n"
    large = HEAD + b"a: " + b"b" * 32_000 + b"\r\nConnection: close\r\n\r\n"

    assert [peer.ask(sent).split()[1] for sent in (many, large)] == [b"200", b"200"]


@pytest.mark.parametrize(
    "trailers", [b"a: b\r\n" * 200, b"a: " + b"b" * 20_000_000], ids=["many", "one without end"]
)
def test_trailers_have_the_limits_of_headers(peer, trailers):
    answer = peer.ask(
        peer.post(length=b"Transfer-Encoding: chunked\r\n", body=b"1\r\n{\r\n0\r\n" + trailers + b"\r\n")
    )

    assert problem(answer) == (431, "headers_too_large")


def test_a_trailer_is_no_header(peer):
    head = (
        b"POST /v1/classifications/preview HTTP/1.1\r\nHost: x\r\nContent-Type: "
        b"application/json\r\nTransfer-Encoding: chunked\r\n"
    )
    body = b"%x\r\n%s\r\n0\r\nAuthorization: %s\r\n\r\n" % (len(CASE), CASE, peer.authorization)
    connection = peer.connect(head + b"\r\n" + body)

    assert connection.recv(65536).startswith(b"HTTP/1.1 401")


@pytest.mark.parametrize(
    "sent",
    [b"G", b"GET / HTTP/1.1\r\n", HEAD, HEAD + b"a: ", HEAD + b"Connection: close\r\n\r\n" + HEAD],
    ids=range(5),
)
def test_a_head_that_stalls_is_refused(peer, sent):
    answer = peer.ask(sent)

    if b"Connection: close" in sent:
        assert answer.startswith(b"HTTP/1.1 200")
        assert answer.count(b"HTTP/1.1 ") == 1
    else:
        assert problem(answer) == (408, "too_slow")


def test_a_head_that_dribbles_is_refused(peer):
    with capture_logs() as said:
        connection = peer.connect(HEAD)
        began = time.monotonic()
        connection.settimeout(0.1)
        while True:
            try:
                connection.sendall(b"a")
                answer = connection.recv(65536)
                break
            except TimeoutError:
                assert time.monotonic() - began < PATIENCE

    assert problem(answer) == (408, "too_slow")
    assert [line["count"] for line in said if line.get("why") == "too_slow"] == [1]


@pytest.mark.parametrize(
    "first", [b"", b"\r\n", HEAD + b"\r\n"], ids=["silent", "an empty line", "after an answer"]
)
def test_a_silent_connection_is_let_go_without_a_word(peer, first):
    answer = peer.ask(first)

    assert answer.count(b"HTTP/1.1 ") == (1 if first == HEAD + b"\r\n" else 0)


@pytest.mark.parametrize("expect", [b"", b"Expect: 100-continue\r\n"])
@pytest.mark.parametrize("length", [b"Content-Length: 100\r\n", b"Transfer-Encoding: chunked\r\n"])
def test_withheld_bodies_hold_no_place(peers, length, expect):
    peer = peers(most_in_flight=2)
    with peer.caller():
        stalled = [peer.connect(peer.post(headers=expect, length=length, body=b"")) for _ in range(30)]
        answers = [read_all(connection) for connection in stalled]

    assert {problem(answer.removeprefix(b"HTTP/1.1 100 Continue\r\n\r\n")) for answer in answers} == {
        (408, "too_slow")
    }


def test_a_body_that_is_held_back_for_a_while_is_answered(peer):
    connection = peer.connect(
        peer.post(headers=b"Expect: 100-continue\r\n", body=b"", length=b"Content-Length: %d\r\n" % len(CASE))
    )
    assert connection.recv(65536) == b"HTTP/1.1 100 Continue\r\n\r\n"
    for byte in CASE:
        connection.sendall(bytes([byte]))
        time.sleep(0.002)
    assert connection.recv(65536).startswith(b"HTTP/1.1 200")


def test_a_body_that_is_declared_too_large_is_refused_before_it_comes(peer):
    connection = peer.connect(
        peer.post(headers=b"Expect: 100-continue\r\n", body=b"", length=b"Content-Length: 10000000000\r\n")
    )

    assert connection.recv(65536).startswith(b"HTTP/1.1 413")


def test_who_goes_on_sending_what_was_refused_is_cut(peer):
    connection = peer.connect(peer.post(body=b"", length=b"Content-Length: 10000000000\r\n"))
    assert connection.recv(65536).startswith(b"HTTP/1.1 413")

    with pytest.raises((BrokenPipeError, ConnectionResetError)):  # noqa: PT012  # it takes a few until the reset is seen
        for _ in range(1000):
            connection.sendall(bytes(65536))


def test_where_unfinished_bodies_are_too_many_bytes_the_oldest_goes(peers):
    peer = peers({"most_held": 300_000, "body_seconds": 5})
    with peer.caller(), capture_logs() as said:
        began = time.monotonic()
        stalled = [
            peer.connect(peer.post(length=b"Content-Length: 65000\r\n", body=b"x" * 60_000))
            for _ in range(10)
        ]
        answer = read_all(stalled[0])
        waited = time.monotonic() - began

    assert problem(answer) == (408, "too_slow")
    assert waited < 4.5
    assert "too many bytes of unfinished bodies" in {line.get("why") for line in said}


def test_unread_answers_hold_no_place_and_are_dropped(peers):
    @get("/document")
    async def document() -> Response[bytes]:
        return Response(bytes(2_000_000))

    peer = peers(routes=(document,), most_in_flight=2)
    with peer.caller(), capture_logs() as said:
        rude = [
            peer.connect(b"GET /document HTTP/1.1\r\nHost: x\r\n\r\n" * 9, receive_buffer=2048)
            for _ in range(20)
        ]
        connections = peer.server.config.http.keywords["connections"]
        wait_for(lambda: connections.unread)
        wait_for(lambda: not connections.unread)

    assert connections.unread_bytes == 0
    assert "its answers are not read" in {line.get("why") for line in said}
    assert all(len(read_all(connection)) < 9 * 2_000_000 for connection in rude)


def wait_for(true) -> None:
    ends = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < ends
        time.sleep(0.01)


def test_a_slow_reader_gets_all_of_its_answer(peers):
    @get("/large")
    async def large() -> Response[bytes]:
        return Response(bytes(10_000_000))

    peer = peers(routes=(large,))
    connection = peer.connect(
        b"GET /large HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", receive_buffer=2048
    )
    read = 0
    began = time.monotonic()
    while piece := connection.recv(100_000):
        read += len(piece)
        # Three times as long as the limit, if it were one for the whole.
        time.sleep(min(0.2, max(0, 3 * read / 10_000_000 - (time.monotonic() - began))))

    assert read > 10_000_000


def test_where_unread_answers_are_too_many_bytes_the_oldest_goes(peers):
    @get("/large")
    async def large() -> Response[bytes]:
        return Response(bytes(10_000_000))

    peer = peers({"most_held": 30_000_000, "unread_seconds": 100}, routes=(large,))
    with capture_logs() as said:
        rude = [
            peer.connect(b"GET /large HTTP/1.1\r\nHost: x\r\n\r\n", receive_buffer=2048) for _ in range(10)
        ]
        wait_for(lambda: "too many unread bytes" in {line.get("why") for line in said})

    assert len(read_all(rude[0])) < 10_000_000


def test_who_sends_far_ahead_of_the_answers_gets_nine_and_is_closed(peer):
    answers = peer.ask((HEAD + b"\r\n") * 200)

    assert answers.count(b"HTTP/1.1 200") == 9
    assert answers.lower().count(b"connection: close") == 1
    assert b"connection: close" in answers.rpartition(b"HTTP/1.1 ")[2].lower()


def test_a_few_requests_sent_ahead_are_all_answered_in_their_order(peer):
    wrong = HEAD.replace(b"/health/live", b"/problems/rust")
    answers = peer.ask((HEAD + b"\r\n") * 3 + wrong + b"\r\n" + HEAD + b"Connection: close\r\n\r\n")

    assert [part.split()[0] for part in answers.split(b"HTTP/1.1 ")[1:]] == [
        b"200",
        b"200",
        b"200",
        b"404",
        b"200",
    ]


def test_where_connections_are_too_many_the_one_that_has_waited_longest_goes(peers):
    peer = peers({"head_seconds": 10}, most_connections=20)
    with peer.caller(), capture_logs() as said:
        began = time.monotonic()
        silent = [peer.connect() for _ in range(60)]
        assert read_all(silent[0]) == b""
        waited = time.monotonic() - began
        wait_for(
            lambda: sum(line["count"] for line in said if line.get("why") == "too many connections") >= 35
        )

    assert waited < 9
    assert len(said) < 15


def test_where_every_connection_is_at_work_the_next_is_told_so(peers):
    release = threading.Event()

    @get("/wait", sync_to_thread=True)
    def wait() -> Response[bytes]:
        release.wait(PATIENCE)
        return Response(b"done")

    peer = peers(routes=(wait,), most_connections=3)
    busy = [peer.connect(b"GET /wait HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n") for _ in range(3)]
    wait_for(lambda: len(peer.server.server_state.tasks) == 3)
    refused = read_all(peer.connect())
    release.set()

    assert problem(refused) == (503, "overloaded")
    assert all(read_all(connection).endswith(b"done") for connection in busy)


def test_one_address_may_be_held_to_fewer_unless_it_is_a_trusted_proxy(peers):
    held = peers({"head_seconds": 10}, connections_per_address=3)
    trusted = peers({"head_seconds": 10}, connections_per_address=3, trusted_proxies="127.0.0.0/8")
    for peer in (held, trusted):
        for _ in range(3):
            peer.connect()

    assert problem(read_all(held.connect())) == (503, "overloaded")
    assert trusted.ask(HEAD + b"Connection: close\r\n\r\n").startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "sent",
    [
        b"GET /health/live HTTP/1.1\r\n\r\n",
        b"GET /health/live HTTP/1.1\r\nHost:\r\n\r\n",
        b"GET /health/live HTTP/1.1\r\nHost: a\r\nHost: a\r\n\r\n",
        b"GET /health/live HTTP/1.1\r\nHost: a, b\r\n\r\n",
        b"GET /health/live HTTP/1.0\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET /health/live#part HTTP/1.1\r\nHost: a\r\n\r\n",
        b"nonsense\r\n\r\n",
        b"GET /health/live HTTP/9.9\r\nHost: a\r\n\r\n",
        b"GET /\xff HTTP/1.1\r\nHost: a\r\n\r\n",
        b"CONNECT a:80 HTTP/1.1\r\nHost: a\r\n\r\n",
        b"\x16\x03\x01\x00\xa5\x01\x00\x00\xa1\x03\x03",
        HEAD + b"a b: c\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: +5\r\n\r\nabcde",
    ],
    ids=range(15),
)
def test_what_is_no_http_is_a_problem_document_too(peer, sent):
    assert problem(peer.ask(sent)) == (400, "bad_request")


@pytest.mark.parametrize("host", [b"a", b"a:80", b"127.0.0.1:8000", b"[::1]:8000", b"tern-haven.example"])
def test_a_host_is_taken(peer, host):
    assert peer.ask(b"GET /health/live HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n\r\n" % host).startswith(
        b"HTTP/1.1 200"
    )


def test_http_1_0_needs_no_host(peer):
    assert peer.ask(b"GET /health/live HTTP/1.0\r\n\r\n").startswith(b"HTTP/1.1 200")


def test_an_upgrade_is_not_taken_and_ends_the_connection(peer):
    answer = peer.ask(HEAD + b"Connection: Upgrade\r\nUpgrade: h2c\r\n\r\n" + HEAD + b"\r\n")

    assert answer.count(b"HTTP/1.1 200") == 1
    assert b"connection: close" in answer.lower()


def test_what_is_still_in_flight_after_the_drain_is_told_so(peers):
    @get("/for-ever")
    async def for_ever() -> Response[bytes]:
        await asyncio.Event().wait()
        return Response(b"")

    peer = peers(routes=(for_ever,), drain_seconds=1)
    connection = peer.connect(b"GET /for-ever HTTP/1.1\r\nHost: x\r\n\r\n")
    wait_for(lambda: peer.server.server_state.tasks)
    peer.server.should_exit = True
    answer = read_all(connection)

    assert problem(answer) == (503, "stopping")
    assert b"retry-after: " in answer.lower()
