"""A small closed-loop HTTP client for the benchmarks: so many connections, each sending its next request on
the answer."""

import asyncio
import time
from collections.abc import Sequence
from typing import Any

import uvloop


def request(path: str, body: bytes, key: str) -> bytes:
    """The bytes of one POST."""
    head = (
        f"POST {path} HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer {key}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


class _Connection(asyncio.Protocol):
    def __init__(self, requests: Sequence[bytes], offset: int, stride: int, ends: float) -> None:
        self.requests, self.next, self.stride, self.ends = requests, offset, stride, ends
        self.done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.buffer = b""
        self.answered = 0
        self.refused: bytes | None = None

    def connection_made(self, transport: Any) -> None:
        self.transport = transport
        self._send()

    def _send(self) -> None:
        self.transport.write(self.requests[self.next % len(self.requests)])
        self.next += self.stride

    def data_received(self, data: bytes) -> None:
        self.buffer += data
        head, separator, body = self.buffer.partition(b"\r\n\r\n")
        if not separator:
            return
        length = next(
            int(line[15:]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length:")
        )
        if len(body) < length:
            return
        if head[9:10] != b"2":
            self.refused = self.buffer
        self.buffer = body[length:]
        self.answered += 1
        if time.perf_counter() >= self.ends or self.refused:
            self.transport.close()
        else:
            self._send()

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.done.done():
            self.done.set_result(None)


async def _run(host: str, port: int, requests: Sequence[bytes], connections: int, seconds: float) -> float:
    loop = asyncio.get_running_loop()
    began = time.perf_counter()
    clients = [
        (
            await loop.create_connection(
                lambda offset=offset: _Connection(requests, offset, connections, began + seconds), host, port
            )
        )[1]
        for offset in range(connections)
    ]
    await asyncio.gather(*(client.done for client in clients))
    refused = next((client.refused for client in clients if client.refused), None)
    if refused is not None:
        raise RuntimeError(f"the service refused a request: {refused[:600]!r}")
    return sum(client.answered for client in clients) / (time.perf_counter() - began)


def rate(host: str, port: int, requests: Sequence[bytes], *, connections: int, seconds: float) -> float:
    """Answers a second; the connections take turns through `requests`. Raises `RuntimeError` if any answer is
    not a 2xx."""
    return uvloop.run(_run(host, port, requests, connections, seconds))
