"""A closed-loop HTTP client for the benchmarks: so many connections, each sending its next request on the
answer.

It is `wrk`, a compiled one, where that is installed (Debian's package of the name); else a Python process of
its own. Either has the last of the cores that this process may use, so that a service on another is not
starved; where services are on all of them, it goes where there is room.
"""

import asyncio
import json
import math
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import uvloop

SCRIPT = Path(__file__).with_name("load.lua")
WRK = shutil.which("wrk")


ASKS = "wrk" if WRK else "a Python process of its own"


def how() -> str:
    """What asks, in words."""
    cores = sorted(os.sched_getaffinity(0))
    return f"{ASKS} on core {cores[-1]} of {len(cores)}"


def request(path: str, body: bytes, key: str) -> bytes:
    """The bytes of one POST."""
    head = (
        f"POST {path} HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer {key}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


class Requests:
    """Requests that are sent in turns, over and over: each load begins where the last one ended."""

    def __init__(self, requests: Sequence[bytes]) -> None:
        self._requests = list(requests)

    def rate(
        self, host: str, port: int, *, connections: int, seconds: float, anywhere: bool = False
    ) -> "Answered":
        """What came of so many seconds. Raises `RuntimeError` if any answer is not a 2xx."""
        cores = os.sched_getaffinity(0)
        cores = cores if anywhere else {max(cores)}
        with tempfile.NamedTemporaryFile(prefix="coldcase-bench-") as file:
            file.writelines(struct.pack("<I", len(one)) + one for one in self._requests)
            file.flush()
            asks = _wrk if WRK else _own_process
            answered, took = asks(f"{host}:{port}", file.name, connections, seconds, cores)
        start = (answered + connections) % len(self._requests)
        self._requests = self._requests[start:] + self._requests[:start]
        return Answered(answered, took)


class Answered(NamedTuple):
    """How many requests were answered, and in how many seconds."""

    answered: int
    seconds: float

    @property
    def a_second(self) -> float:
        return self.answered / self.seconds


def _wrk(
    address: str, file: str, connections: int, seconds: float, cores: Collection[int]
) -> tuple[int, float]:
    whole = max(1, math.ceil(seconds))
    args = [str(WRK), "-t1", f"-c{connections}", f"-d{whole}s", "--timeout", "30s", "-s", str(SCRIPT)]
    told = _run_on(cores, [*args, f"http://{address}/", "--", file])
    found = json.loads(told.splitlines()[-1])
    if found["refused"] or not found["answered"]:
        raise RuntimeError(f"of {found['answered']} requests the service refused {found['refused']}: {told}")
    return found["answered"], found["seconds"]


def _own_process(
    address: str, file: str, connections: int, seconds: float, cores: Collection[int]
) -> tuple[int, float]:
    args = [sys.executable, "-m", "tests.bench.load", address, file, str(connections), str(seconds)]
    answered, took = json.loads(_run_on(cores, args))
    return answered, took


def _run_on(cores: Collection[int], args: list[str]) -> str:
    done = subprocess.run(
        args,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: os.sched_setaffinity(0, cores),
    )
    if done.returncode:
        raise RuntimeError(f"{args[0]}: {done.stderr[-1000:]}")
    return done.stdout


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


async def _run(
    host: str, port: int, requests: Sequence[bytes], connections: int, seconds: float
) -> tuple[int, float]:
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
    return sum(client.answered for client in clients), time.perf_counter() - began


def _read(file: str) -> list[bytes]:
    whole, place, requests = Path(file).read_bytes(), 0, []
    while place < len(whole):
        (size,) = struct.unpack_from("<I", whole, place)
        requests.append(whole[place + 4 : place + 4 + size])
        place += 4 + size
    return requests


def main() -> None:
    address, file, connections, seconds = sys.argv[1:]
    host, _, port = address.rpartition(":")
    print(json.dumps(uvloop.run(_run(host, int(port), _read(file), int(connections), float(seconds)))))


if __name__ == "__main__":
    main()
