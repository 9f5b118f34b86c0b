"""Kills under load: what was acknowledged is on record, once, and byte for byte."""

import asyncio
import hashlib
import itertools
import random
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import psycopg

from coldcase.db import embedded
from coldcase.db.embedded import Embedded
from tests.attack import load
from tests.attack.load import Kept
from tests.attack.report import Outcome, attack
from tests.attack.stage import Service, Stage, key, kill_all, plain, server_processes, wait_for
from tests.attack.wire import Connection, case, request
from tests.stored_answers import answers_of

BACK_SECONDS = 30
RETRIED = 300
ORPHANS = """
SELECT (SELECT count(*) FROM idempotency AS i WHERE NOT EXISTS (SELECT FROM decision AS d
    WHERE d.id = i.decision_id)),
       (SELECT count(*) FROM decision AS d WHERE d.idempotency_key IS NOT NULL
        AND NOT EXISTS (SELECT FROM idempotency AS i WHERE i.decision_id = d.id)),
       (SELECT count(*) FROM (SELECT FROM decision WHERE idempotency_key IS NOT NULL
                              GROUP BY client_id, idempotency_key HAVING count(*) > 1) AS twice)
"""


def compare(url: str, kept: Kept) -> list[str]:
    """What of the record, read as a superuser, is not as callers were told."""
    with psycopg.connect(url) as conn:
        answers = dict(answers_of(conn, "true"))
        stored = {
            key: (str(id_), answers[id_])
            for key, id_ in conn.execute("SELECT idempotency_key, id FROM decision")
        }
        (rows_alone, decisions_alone, twice) = conn.execute(ORPHANS).fetchone()
    wrong: Counter[str] = Counter()
    for told in kept.acknowledged:
        if told.key not in stored:
            wrong["acknowledged and not on record"] += 1
        elif stored[told.key][0] != told.id:
            wrong["another decision on record"] += 1
        elif hashlib.sha256(stored[told.key][1].encode()).digest() != told.sha256:
            wrong["other bytes on record"] += 1
    wrong["idempotency rows without a decision"] = rows_alone
    wrong["decisions without their idempotency row"] = decisions_alone
    wrong["keys with two decisions"] = twice
    wrong["keys that never got an answer"] = len(kept.open)
    return [f"{count} x {what}" for what, count in wrong.items() if count] + [
        f"answered {what}" for what in kept.odd
    ]


async def retry(port: int, secret: str, kept: Kept) -> list[str]:
    """Asks again for a sample: the first answer's bytes must come, and say that they are given again."""
    wrong: Counter[str] = Counter()
    connection = Connection(port)
    for told in random.sample(kept.acknowledged, min(RETRIED, len(kept.acknowledged))):
        answer = await connection.ask(
            request(
                "POST",
                "/v1/classifications",
                secret,
                body=case(told.key),
                headers={"Idempotency-Key": told.key},
            )
        )
        if answer.status != 200 or answer.headers.get(b"answer-repeated") != b"true":
            wrong[
                f"a retry got {answer.status}, Answer-Repeated {answer.headers.get(b'answer-repeated')!r}"
            ] += 1
        elif hashlib.sha256(answer.body).digest() != told.sha256:
            wrong["a retry got other bytes"] += 1
    other = await connection.ask(
        request(
            "POST",
            "/v1/classifications",
            secret,
            body=case("another"),
            headers={"Idempotency-Key": kept.acknowledged[0].key},
        )
    )
    if other.status != 422:
        wrong[f"the same key with another case got {other.status}"] += 1
    connection.close()
    return [f"{count} x {what}" for what, count in wrong.items()]


class _Killer:
    """Each way of killing, in turn; `slowest` is how long recording took to come back after each."""

    def __init__(self, service: Service, folder: Path) -> None:
        self.service, self.folder = service, folder
        self.done: Counter[str] = Counter()
        self.slowest: dict[str, float] = {}
        self.wrong: list[str] = []

    def kill(self, way: str) -> None:
        began = time.monotonic()
        if way == "SIGTERM":
            if (code := self.service.stop()) != 0:
                self.wrong.append(f"SIGTERM under load: exit {code}")
        elif way == "service":
            self.service.kill()
        elif way == "postmaster":
            kill_all(server_processes(self.folder)[:1])
        else:
            kill_all(server_processes(self.folder))
            self.service.kill()
        if not self.service.alive():
            self.service.start()
        # The dead server is noticed a moment after its death.
        time.sleep(0.3)
        if wait_for(self.service.recording, BACK_SECONDS) is None:
            self.wrong.append(f"after killing {way} recording did not come back within {BACK_SECONDS} s")
            self.service.stop()
            self.service.start()
        self.done[way] += 1
        self.slowest[way] = max(self.slowest.get(way, 0.0), time.monotonic() - began)


@attack("kills", seconds=100)
def kills(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """The service with an embedded server of its own, under load, killed in every way again and again."""
    with stage.data_dir() as folder:
        service = stage.service("--data-dir", str(folder)).start()
        try:
            with Embedded.start(folder) as server:
                secret = key(server.owner_url)
            killer = _Killer(service, folder)
            with load.running(load.keyed, ports=[service.port], secret=secret) as callers:
                until = time.monotonic() + seconds
                for way in itertools.cycle(("service", "postmaster", "SIGTERM", "service and server")):
                    if time.monotonic() > until:
                        break
                    time.sleep(random.uniform(0.5, 2))
                    killer.kill(way)
                kept: Kept = callers.finish()
            yield from _outcomes(service, folder, secret, killer, kept)
        finally:
            service.stop()


def _outcomes(service: Service, folder: Path, secret: str, killer: _Killer, kept: Kept) -> Iterator[Outcome]:
    with Embedded.start(folder) as server:
        wrong = compare(plain(server.url(embedded.SUPERUSER)), kept)
    ways = ", ".join(f"{count} x {way}" for way, count in killer.done.items())
    yield Outcome(
        "a 201 is on record: nothing lost, doubled or different, no key without its decision",
        f"kill -9 and SIGTERM under load: {ways}",
        len(kept.acknowledged),
        wrong,
        f"{kept.sent:,} requests sent",
    )
    retries = asyncio.run(retry(service.port, secret, kept))
    tries = min(RETRIED, len(kept.acknowledged)) + 1
    yield Outcome(
        "retry is safe: the same bytes; another case is 422",
        "keys of before the kills sent again",
        tries,
        retries,
    )
    slowest = ", ".join(f"{way} {seconds:.1f} s" for way, seconds in killer.slowest.items())
    yield Outcome(
        "it comes back by itself, the embedded server too",
        "time from kill to recording",
        sum(killer.done.values()),
        killer.wrong,
        slowest,
    )
