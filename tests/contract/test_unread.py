"""What unread answers and open connections can make the service hold, over real sockets."""

import asyncio
import threading
import time

from litestar import get
from litestar.response import Response
from structlog.testing import capture_logs

from tests.contract.peers import HEAD, PATIENCE, problem, read_all, wait_for


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
