"""What is taken for HTTP and what is not."""

import pytest

from tests.contract.peers import HEAD, problem


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
