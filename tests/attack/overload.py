"""Three times as many requests as can be done, at an even pace whatever is answered: refused in words, and
over when it is over."""

import asyncio
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from tests.attack import load
from tests.attack.network import percentile
from tests.attack.report import Outcome, attack
from tests.attack.stage import MIB, Stage, key, wait_for
from tests.attack.wire import case, request

TIMES = 3
MOST_CONNECTIONS = 1000
"""Fewer than may wait to be accepted: what the system drops there is sent again later and later, and tells
nothing of the service."""
RECOVERY_SECONDS = 1.0
PILE_UP_SECONDS = 5.0
"""An answer waits for at most a second and a half in the service; the rest is the machine's, which serves
client and database too."""


@dataclass
class Told:
    """What became of the requests."""

    statuses: Counter[int] = field(default_factory=Counter)
    without_retry_after: int = 0
    lost: int = 0
    unsent: int = 0
    seconds: list[float] = field(default_factory=list)
    rate: float = 0.0


class _Caller(asyncio.Protocol):
    """One connection: a request at a time, idle in between."""

    def __init__(self, idle: list[Any], told: Told) -> None:
        self.idle, self.told = idle, told
        self.buffer, self.began, self.busy = b"", 0.0, False

    def connection_made(self, transport: Any) -> None:
        self.transport = transport

    def send(self, sent: bytes) -> None:
        self.busy, self.began = True, time.perf_counter()
        self.transport.write(sent)

    def data_received(self, data: bytes) -> None:
        self.buffer += data
        head, separator, body = self.buffer.partition(b"\r\n\r\n")
        if not separator:
            return
        head = head.lower()
        _, _, rest = head.partition(b"content-length:")
        if len(body) < int(rest.split(b"\r\n", 1)[0] or 0):
            return
        status = int(head[9:12])
        self.told.statuses[status] += 1
        self.told.without_retry_after += status in (429, 503) and b"\r\nretry-after:" not in head
        self.told.seconds.append(time.perf_counter() - self.began)
        self.buffer, self.busy = b"", False
        if b"\r\nconnection: close" in head:
            self.transport.close()
        else:
            self.idle.append(self)

    def connection_lost(self, exc: Exception | None) -> None:
        self.told.lost += self.busy
        if self in self.idle:
            self.idle.remove(self)


async def open_loop(stop: asyncio.Event, *, port: int, secret: str, rate: float) -> Told:
    """So many recordings a second, each on a connection that is idle, or a new one."""
    loop, told, idle, made = asyncio.get_running_loop(), Told(), [], 0
    began, sent, number = time.perf_counter(), 0, 0
    while not stop.is_set():
        due = int((time.perf_counter() - began) * rate)
        while sent < due:
            sent += 1
            if not idle and made < MOST_CONNECTIONS:
                try:
                    _, caller = await loop.create_connection(lambda: _Caller(idle, told), "127.0.0.1", port)
                except OSError:
                    told.lost += 1
                    continue
                made += 1
                idle.append(caller)
            if not idle:
                told.unsent += 1
                continue
            idle.pop().send(
                request("POST", "/v1/classifications", secret, body=case(f"o{(number := number + 1)}"))
            )
        await asyncio.sleep(0.001)
    told.rate = (sent - told.unsent) / (time.perf_counter() - began)
    await asyncio.sleep(2)
    return told


async def closed_loop(stop: asyncio.Event, *, port: int, secret: str, connections: int = 32) -> float:
    """Recordings a second of so many callers who each wait for their answer."""
    done = 0

    async def caller(number: int) -> None:
        nonlocal done
        connection, count = load.Connection(port), 0
        while not stop.is_set():
            answer = await connection.ask(
                request("POST", "/v1/classifications", secret, body=case(f"c{number}-{(count := count + 1)}"))
            )
            done += answer.status == 201
        connection.close()

    began = time.perf_counter()
    await asyncio.gather(*(caller(number) for number in range(connections)))
    return done / (time.perf_counter() - began)


@attack("overload", seconds=30)
def overload(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """Measures what can be done, then asks for three times as much."""
    database = stage.database()
    secret = key(database.owner_url)
    with stage.serving(database.service_url) as service:
        with load.running(closed_loop, port=service.port, secret=secret) as callers:
            time.sleep(5)
            capacity: float = callers.finish()
        before = service.resident()
        with load.running(open_loop, port=service.port, secret=secret, rate=TIMES * capacity) as callers:
            time.sleep(seconds)
            told: Told = callers.finish()
        with service.client(secret) as ordinary:
            sent: dict[str, Any] = {"content": case("after"), "headers": {"Content-Type": "application/json"}}
            back = wait_for(
                lambda: ordinary.post("/v1/classifications", **sent).status_code == 201, 20, every=0.02
            )
        grown = (service.resident() - before) / MIB
    odd = [f"{count} x {status}" for status, count in told.statuses.items() if status not in (201, 429, 503)]
    if told.without_retry_after:
        odd.append(f"{told.without_retry_after} refusals without Retry-After")
    if not told.statuses[201]:
        odd.append("nothing was recorded meanwhile")
    counts = ", ".join(f"{count:,} x {status}" for status, count in sorted(told.statuses.items()))
    p99 = percentile(told.seconds)
    if p99 > PILE_UP_SECONDS:
        odd.append(f"99 in 100 answers came within {p99:.1f} s: that is a pile-up")
    yield Outcome(
        "past capacity 201, 429 or 503 with Retry-After, no pile-up",
        f"open loop, {told.rate:,.0f} a second for {seconds:.0f} s against {capacity:,.0f} in a "
        "closed loop of 32",
        sum(told.statuses.values()),
        odd,
        f"{counts}; {told.lost} lost in the keep-alive race; p99 {p99 * 1000:.0f} ms, +{grown:.0f} MiB",
    )
    late = [] if back is not None and back <= RECOVERY_SECONDS else [f"the next 201 took {back} s"]
    yield Outcome(
        "overload is over when it is over",
        "an ordinary recording afterwards",
        1,
        late,
        f"{(back or -1) * 1000:.0f} ms",
    )
    stage.drop(database)
