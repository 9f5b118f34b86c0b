"""Load in a process of its own, so that neither an attack nor its own figures disturb each other."""

import asyncio
import hashlib
import multiprocessing
import os
import random
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection as Pipe
from typing import Any, NamedTuple

import uvloop

from tests.attack.wire import Connection, case, request

LOST = (OSError, EOFError, TimeoutError)
READS = "/v1/decisions?limit=1"


class Call(NamedTuple):
    """One call of the well-behaved client: when it began and what came of it; status 0 is no answer at
    all."""

    kind: str
    at: float
    seconds: float
    status: int
    retry_after: bool
    error: str = ""


class Acknowledged(NamedTuple):
    """A decision that a caller was told is on record."""

    key: str
    id: str
    sha256: bytes


@dataclass
class Kept:
    """What callers with retries were told; `open` are keys that never got an answer, `odd` answers that no
    promise knows."""

    acknowledged: list[Acknowledged] = field(default_factory=list)
    open: list[str] = field(default_factory=list)
    odd: Counter[str] = field(default_factory=Counter)
    statuses: Counter[int] = field(default_factory=Counter)
    sent: int = 0


Work = Callable[..., Awaitable[Any]]


class Running:
    """A load that runs elsewhere; `finish` ends it and answers what it found."""

    def __init__(self, work: Work, options: dict[str, Any]) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, work, options), daemon=True)
        self._process.start()
        theirs.close()
        self._pipe.recv()

    def finish(self, timeout: float = 90) -> Any:
        with suppress(BrokenPipeError):
            self._pipe.send("stop")
        if not self._pipe.poll(timeout):
            raise TimeoutError("the load did not end")
        found = self._pipe.recv()
        self._process.join(10)
        if isinstance(found, BaseException):
            raise found
        return found

    def ended(self) -> bool:
        """Whether it has found what it was to find."""
        return self._pipe.poll()

    def end(self) -> None:
        """Whatever state it is in."""
        if self._process.is_alive():
            self._process.kill()
        self._process.join()


@contextmanager
def running(work: Work, **options: Any) -> Iterator[Running]:
    """Runs `work(stop, **options)` in a process of its own for as long as the block, or until `finish`."""
    made = Running(work, options)
    try:
        yield made
    finally:
        made.end()


def _serve(pipe: Pipe, work: Work, options: dict[str, Any]) -> None:
    async def go() -> Any:
        stop, loop = asyncio.Event(), asyncio.get_running_loop()

        def told() -> None:
            loop.remove_reader(pipe.fileno())
            stop.set()

        loop.add_reader(pipe.fileno(), told)
        pipe.send("ready")
        return await work(stop, **options)

    try:
        found = uvloop.run(go())
    except BaseException as error:  # noqa: BLE001 - it is raised again on the other side
        found = RuntimeError(f"{type(error).__name__}: {error}")
    os.set_blocking(pipe.fileno(), True)  # the event loop had it the other way
    pipe.send(found)


async def well_behaved(
    stop: asyncio.Event,
    *,
    port: int,
    secret: str,
    kinds: Sequence[str] = ("record", "preview"),
    every: float = 0.05,
) -> list[Call]:
    """One call after another at an even pace, whatever becomes of the ones before, on connections that are
    kept."""
    calls: list[Call] = []
    idle = [Connection(port, timeout=20) for _ in range(4)]
    run, tasks = random.randrange(16**8), set()

    exporting = 0

    async def one(kind: str, number: int) -> None:
        nonlocal exporting
        # One at a time is what a client may have; more would be its own fault.
        kind = "read" if kind == "export" and exporting else kind
        exporting += kind == "export"
        connection = idle.pop() if idle else Connection(port, timeout=20)
        at, began = time.time(), time.perf_counter()
        try:
            answer = await connection.ask(_bytes(kind, secret, f"W-{run:x}-{number}"))
        except LOST as error:
            calls.append(Call(kind, at, time.perf_counter() - began, 0, retry_after=False, error=repr(error)))
        else:
            told = answer.body.decode(errors="replace")[:200] if answer.status >= 400 else ""
            calls.append(
                Call(
                    kind,
                    at,
                    time.perf_counter() - began,
                    answer.status,
                    b"retry-after" in answer.headers,
                    told,
                )
            )
        exporting -= kind == "export"
        idle.append(connection)

    number = 0
    while not stop.is_set():
        task = asyncio.create_task(one(kinds[number % len(kinds)], number))
        tasks.add(task)
        task.add_done_callback(tasks.discard)
        number += 1
        with suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), every)
    await asyncio.gather(*tasks)
    return calls


def _bytes(kind: str, secret: str, ref: str) -> bytes:
    if kind == "record":
        return request(
            "POST", "/v1/classifications", secret, body=case(ref), headers={"Idempotency-Key": ref}
        )
    if kind == "preview":
        return request("POST", "/v1/classifications/preview", secret, body=case(ref))
    if kind == "export":
        return request("GET", f"/v1/decisions/export?format=csv&job_ref={ref}", secret)
    return request("GET", READS, secret)


async def keyed(
    stop: asyncio.Event, *, ports: Sequence[int], secret: str, workers: int = 16, patience: float = 60
) -> Kept:
    """Recording calls with a key each, sent again until they are answered; at the end each open one is still
    tried for `patience`."""
    kept = Kept()
    run = random.randrange(16**8)
    ended: list[float] = []

    async def worker(number: int) -> None:
        connections = [Connection(port, timeout=15) for port in ports]
        for count in range(10**9):
            if stop.is_set():
                break
            key = f"K-{run:x}-{number}-{count}"
            await until_answered(connections, key)
        for connection in connections:
            connection.close()

    async def until_answered(connections: list[Connection], key: str) -> None:
        sent = request(
            "POST", "/v1/classifications", secret, body=case(key), headers={"Idempotency-Key": key}
        )
        while not ended or time.monotonic() < ended[0]:
            kept.sent += 1
            try:
                answer = await random.choice(connections).ask(sent)
            except LOST:
                await asyncio.sleep(0.05)
                continue
            kept.statuses[answer.status] += 1
            if answer.status in (200, 201):
                id_ = answer.headers.get(b"location", b"").decode().rpartition("/")[2]
                kept.acknowledged.append(Acknowledged(key, id_, hashlib.sha256(answer.body).digest()))
                return
            if answer.status not in (409, 429, 503) or b"retry-after" not in answer.headers:
                kept.odd[f"{answer.status} {answer.body[:120]!r}"] += 1
            await asyncio.sleep(0.05)
        kept.open.append(key)

    tasks = [asyncio.create_task(worker(number)) for number in range(workers)]
    await stop.wait()
    ended.append(time.monotonic() + patience)
    await asyncio.gather(*tasks)
    return kept
