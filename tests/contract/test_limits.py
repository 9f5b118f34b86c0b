"""What one request can make the service hold or wait for, over real sockets, a good caller beside it."""

import time

import pytest
from structlog.testing import capture_logs

from tests.contract.peers import CASE, HEAD, PATIENCE, problem, read_all


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


def test_a_body_that_is_held_back_for_a_while_is_answered(peers):
    # On a busy machine its bytes take longer than the second in which other tests want a body to be late.
    peer = peers({"body_seconds": 60})
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
