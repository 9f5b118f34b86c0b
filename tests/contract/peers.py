"""A service under quick limits, and ways to be rude to it over real sockets."""

import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any

import httpx

from coldcase.web.connections import Limits

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


def wait_for(true) -> None:
    ends = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < ends
        time.sleep(0.01)
