"""Mutated requests by the hundred thousand: none is a surprise, and none stays in memory."""

import asyncio
import copy
import json
import random
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

from tests.attack import load
from tests.attack.load import LOST, Connection
from tests.attack.report import Outcome, attack
from tests.attack.stage import MIB, Stage, key
from tests.attack.wire import request
from tests.contract.malformed import GOOD, WRONG

CONNECTIONS = 16
MOST_GROWTH_MIB = 150
SEED = 1184
NUMBERS = (2**53, 2**53 + 1, 9007199254740993, 10**30, -(2**63), 2**64, 1e308, 5e-324, -0.0, 1e-7, 0.1 + 0.2)
TEXTS = (
    "",
    " ",
    "\u0000",
    "\u202e",
    "\ud7ff",
    "\U0001f9ca",
    "é" * 100,
    "=1+1",
    "'",
    '"',
    "\\",
    "%00",
    "../..",
    "null",
    "1" * 500,
    "x" * 9000,
)
ODD: tuple[Any, ...] = (
    *WRONG,
    *NUMBERS,
    *TEXTS,
    None,
    False,
    [None],
    {"a": {"b": [{}]}},
    [[[[[[]]]]]],
    {"value": 1, "unit": "K"},
    {"seen": []},
)
PATHS = (
    "/v1/decisions", "/v1/decisions/export", "/v1/decisions/{id}", "/v1/decisions/{id}/inclusion",
    "/v1/statistics/causes",
    "/v1/statistics/calibration", "/v1/statistics/crosstab", "/v1/vocabulary", "/v1/causes/{id}",
    "/v1/rule-tables", "/v1/rule-tables/{id}",
    "/v1/rule-tables/current", "/v1/audit-events", "/v1/audit-seals", "/problems/{id}", "/docs/{id}", "/{id}",
    "/health/ready", "/health/{id}",
)  # fmt: skip
QUERY = (
    "cause", "status", "job_ref", "circuit", "compressor_type", "refrigerant", "rule_table", "has_verdict",
    "from", "to", "by", "cursor",
    "limit", "format", "full", "group", "action", "subject", "expect", "effort", "answer", "x",
)  # fmt: skip
VALUES = (
    "", "1", "0", "-1", "1e9", "99999999999999999999", "moisture", "scroll", "true", "2026-01-01T00:00:00Z",
    "0000-00-00", "9999-12-31T23:59:60Z",
    "%", "%zz", "%00", "%ff", "+", "'", "a" * 3000, "\u2028", "eyJ9", "ndjson", "..", "[]", "null", "NaN",
    "current", "recorded_at",
)  # fmt: skip
HEADERS = (
    "Accept", "Accept-Language", "Prefer", "Idempotency-Key", "If-None-Match", "Content-Type",
    "Content-Encoding", "X-Request-Id", "Cookie",
    "Range", "Expect", "Content-Profile", "If-Modified-Since", "X-Forwarded-For", "Forwarded", "Origin",
    "Authorization", "Traceparent",
)  # fmt: skip
HEADER_VALUES = (
    "", "*", "*/*;q=0", "text/html", "application/json;charset=utf-16", "handling=lenient",
    "handling=lenient, handling=strict", "respond-async",
    "a" * 300, "\u00e9", "\x01",
    '"', 'W/"x"', "gzip", "bytes=0-", "-", ";;;;", "application/x-ndjson", "q=2", "\t", "text/csv;q=1.0001",
)  # fmt: skip


@dataclass
class Found:
    """How the service took it; `odd` holds samples of what no promise knows."""

    sent: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    lost: int = 0
    odd: list[str] = field(default_factory=list)


def places(value: Any, here: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    members = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    for name, member in members:
        yield (*here, name)
        yield from places(member, (*here, name))


PLACES = list(places(GOOD))


def mutated(chance: random.Random) -> bytes:
    """A case with one to four things changed, at times also its bytes."""
    case = copy.deepcopy(GOOD)
    for _ in range(chance.randint(1, 4)):
        place = chance.choice(PLACES)
        holder: Any = case
        for name in place[:-1]:
            holder = holder[name] if isinstance(holder, dict | list) and _has(holder, name) else {}
        if isinstance(holder, dict | list) and _has(holder, place[-1]):
            _change(holder, place[-1], chance)
    text = json.dumps(case).encode()
    if chance.random() < 0.2:
        for _ in range(chance.randint(1, 3)):
            at = chance.randrange(len(text))
            text = (
                text[:at]
                + bytes([chance.randrange(256)]) * chance.choice((0, 1, 1, 3))
                + text[at + chance.randint(0, 2) :]
            )
    return text


def _has(holder: Any, name: Any) -> bool:
    return name in holder if isinstance(holder, dict) else isinstance(name, int) and name < len(holder)


def _change(holder: Any, name: Any, chance: random.Random) -> None:
    what = chance.random()
    if what < 0.15:
        del holder[name]
    elif what < 0.3 and isinstance(holder, dict):
        holder[chance.choice((*TEXTS, "colour", f"finding_{chance.randrange(10**6)}"))] = _odd(chance)
    elif what < 0.4:
        holder[name] = [holder[name]] * chance.choice((0, 2, 40))
    else:
        holder[name] = _odd(chance)


def _odd(chance: random.Random) -> Any:
    """A copy: what is put into a case may be changed there in its turn."""
    return copy.deepcopy(chance.choice(ODD))


def one(chance: random.Random, secret: str, ids: list[str]) -> bytes:
    """The bytes of one hostile request, framed well: framing has tests of its own."""
    headers = {}
    for _ in range(chance.choice((0, 0, 1, 2))):
        headers[chance.choice(HEADERS)] = _header(chance)
    if chance.random() < 0.3:
        names = [(chance.choice(QUERY), chance.choice(VALUES)) for _ in range(chance.randint(0, 3))]
        query = "&".join(
            f"{name}={value if value.startswith('%') else quote(value)}" for name, value in names
        )
        path = chance.choice(PATHS).replace("{id}", quote(chance.choice((*ids, *VALUES)), safe="%"))
        return request(
            chance.choice(("GET", "GET", "GET", "HEAD", "OPTIONS", "DELETE", "PUT")),
            f"{path}?{query}",
            secret,
            headers=headers,
        )
    if chance.random() < 0.5:
        headers["Prefer"] = "handling=lenient"
    body = mutated(chance)
    if chance.random() < 0.05:
        verdict = {
            "cause": chance.choice(ODD),
            "basis": chance.choice(("field", *ODD)),
            chance.choice(("note", "x")): chance.choice(ODD),
        }
        return request(
            "POST",
            f"/v1/decisions/{chance.choice(ids)}/verdicts",
            secret,
            body=json.dumps(verdict).encode(),
            headers=headers,
        )
    path = chance.choice(
        ("/v1/classifications", "/v1/classifications/preview", "/v1/classifications/preview?effort=ask")
    )
    return request("POST", path, secret, body=body, headers=headers)


def _header(chance: random.Random) -> str:
    return (
        chance.choice(HEADER_VALUES)
        .encode("utf-8", "replace")
        .decode("latin-1")
        .replace("\x01", "\x7f" if chance.random() < 0.1 else "")
    )


async def hostile_callers(
    stop: asyncio.Event, *, port: int, secret: str, ids: list[str], count: int, seed: int
) -> Found:
    """So many requests, the same ones for the same seed."""
    found, chance = Found(), random.Random(seed)

    async def caller() -> None:
        connection = Connection(port, timeout=60)
        while found.sent < count and not stop.is_set():
            found.sent += 1
            sent = one(chance, secret, ids)
            try:
                answer = await connection.ask(sent)
            except LOST:
                found.lost += 1
                continue
            found.statuses[answer.status] += 1
            if (
                answer.status >= 500
                and not (
                    answer.status in (501, 503) and (answer.status == 501 or b"retry-after" in answer.headers)
                )
            ) or (
                answer.status >= 400
                and not sent.startswith(b"HEAD ")
                and b"problem+json" not in answer.headers.get(b"content-type", b"")
            ):
                _keep(found, sent, answer.status, answer.body)
        connection.close()

    await asyncio.gather(*(caller() for _ in range(CONNECTIONS)))
    return found


def _keep(found: Found, sent: bytes, status: int, body: bytes) -> None:
    if len(found.odd) < 5:
        line, _, rest = sent.partition(b"\r\n")
        found.odd.append(f"{status} {body[:100]!r} to {line!r} {rest[-700:]!r}")
    else:
        found.odd.append(f"{status}")


@attack("hostile", seconds=600)
def hostile(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """As many requests as were asked for, at most for the time there is; memory is judged after the first
    hundred thousand."""
    database = stage.database()
    secret = key(database.owner_url)
    found, slice_ = Found(), 100_000
    with stage.serving(database.service_url) as service:
        ids = []
        with service.client(secret) as ordinary:
            ids += [ordinary.post("/v1/classifications", json=GOOD).json()["id"] for _ in range(3)]
            for number in range(300):
                ordinary.post("/v1/classifications/preview", json={**GOOD, "job": {"ref": f"warm-{number}"}})
        before, grown, until = service.resident(), 0.0, time.monotonic() + max(seconds, stage.requests / 500)
        while found.sent < stage.requests and time.monotonic() < until and service.alive():
            count = min(slice_, stage.requests - found.sent)
            options = {
                "port": service.port,
                "secret": secret,
                "ids": ids,
                "count": count,
                "seed": SEED + found.sent,
            }
            with load.running(hostile_callers, **options) as callers:
                while not callers.ended() and time.monotonic() < until:
                    time.sleep(0.2)
                    grown = max(grown, (service.resident() - before) / MIB) if found.sent == 0 else grown
                add(found, callers.finish())
        alive = service.alive()
    counts = ", ".join(f"{count:,} x {status}" for status, count in sorted(found.statuses.items()))
    wrong = [
        *found.odd[:5],
        *([f"{len(found.odd)} such answers"] if found.odd else []),
        *([] if alive else ["the process died"]),
    ]
    yield Outcome(
        "no 500, every refusal a problem document",
        "mutated cases, queries, headers, strict and lenient",
        found.sent,
        wrong,
        f"{counts}; {found.lost} closed",
    )
    much = [f"+{grown:.0f} MiB"] if grown > MOST_GROWTH_MIB else []
    tried = min(found.sent, slice_)
    yield Outcome(
        f"memory grows by at most {MOST_GROWTH_MIB} MiB in 100,000 hostile requests",
        "the same",
        tried,
        much,
        f"{grown:+.0f} MiB at most",
    )
    stage.drop(database)


def add(found: Found, more: Found) -> None:
    found.sent += more.sent
    found.statuses += more.statuses
    found.lost += more.lost
    found.odd += more.odd
