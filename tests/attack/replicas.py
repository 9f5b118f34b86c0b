"""Two replicas of one record: one decision a key, one verdict a key, a revoked key refused at both."""

import asyncio
import time
from collections import Counter
from collections.abc import Iterator, Sequence

import psycopg

from tests.attack.load import READS
from tests.attack.network import PROMISED_SECONDS, make_key, percentile
from tests.attack.report import Outcome, attack
from tests.attack.stage import Service, Stage, key
from tests.attack.wire import Answer, Connection, case, request

RACED_KEYS = 300
REQUESTS_A_REPLICA = 4
REVOCATIONS = 5


@attack("replicas", seconds=30)
def replicas(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """Races between two replicas, and revocations seen by both."""
    database = stage.database()
    secret = key(database.owner_url)
    with stage.serving(database.service_url) as first, stage.serving(database.service_url) as second:
        both = (first, second)
        yield asyncio.run(_decisions(both, secret, seconds / 3))
        yield asyncio.run(_verdicts(first, both, secret, seconds / 3))
        yield _revoked(both, database.owner_url)
        yield _stored(stage.superuser(database.name))
    stage.drop(database)


async def _race(both: Sequence[Service], requests: Sequence[bytes]) -> list[Answer]:
    connections = [Connection(service.port) for service in both for _ in range(REQUESTS_A_REPLICA)]
    answers = await asyncio.gather(
        *(connection.ask(requests[place % len(requests)]) for place, connection in enumerate(connections))
    )
    for connection in connections:
        connection.close()
    return answers


async def _decisions(both: Sequence[Service], secret: str, seconds: float) -> Outcome:
    wrong, keys, until = Counter[str](), 0, time.monotonic() + seconds
    while keys < RACED_KEYS and time.monotonic() < until:
        name, cases = f"race-{keys}", (case("one"), case("two"))
        sent = [
            request("POST", "/v1/classifications", secret, body=body, headers={"Idempotency-Key": name})
            for body in cases
        ]
        answers = await _race(both, sent)
        keys += 1
        statuses = Counter(answer.status for answer in answers)
        good = {answer.body for answer in answers if answer.status in (200, 201)}
        if statuses[201] != 1 or len(good) != 1 or set(statuses) - {200, 201, 409, 422}:
            wrong[f"{dict(statuses)}, {len(good)} different answers"] += 1
    told = [f"{count} x {what}" for what, count in wrong.items()]
    return Outcome(
        "across replicas one decision a key; another case is 422",
        "2 replicas x 4 requests a key, two cases",
        keys * 8,
        told,
        f"{keys} keys",
    )


async def _verdicts(first: Service, both: Sequence[Service], secret: str, seconds: float) -> Outcome:
    connection = Connection(first.port)
    location = (
        (await connection.ask(request("POST", "/v1/classifications", secret, body=case("judged"))))
        .headers[b"location"]
        .decode()
    )
    path = location[location.index("/v1/") :] + "/verdicts"
    wrong, keys, until = Counter[str](), 0, time.monotonic() + seconds
    while keys < RACED_KEYS // 3 and time.monotonic() < until:
        body = b'{"cause": "moisture", "basis": "teardown"}'
        answers = await _race(
            both, [request("POST", path, secret, body=body, headers={"Idempotency-Key": f"verdict-{keys}"})]
        )
        keys += 1
        statuses, bodies = (
            Counter(answer.status for answer in answers),
            {answer.body for answer in answers if answer.status in (200, 201)},
        )
        if statuses[201] != 1 or len(bodies) != 1 or set(statuses) - {200, 201, 409}:
            wrong[f"{dict(statuses)}, {len(bodies)} different answers"] += 1
    connection.close()
    told = [f"{count} x {what}" for what, count in wrong.items()]
    return Outcome(
        "across replicas one verdict a key", "2 replicas x 4 requests a key", keys * 8, told, f"{keys} keys"
    )


def _revoked(both: Sequence[Service], owner_url: str) -> Outcome:
    took, wrong = [], []
    for _ in range(REVOCATIONS):
        secret, revoke = make_key(owner_url)
        callers = [service.client(secret) for service in both]
        wrong += [
            f"a good key got {caller.get(READS).status_code}"
            for caller in callers
            if caller.get(READS).status_code != 200
        ]
        revoke()
        began = time.monotonic()
        for caller in callers:
            while caller.get(READS).status_code != 401 and time.monotonic() - began < 20:
                time.sleep(0.02)
            took.append(time.monotonic() - began)
            caller.close()
    wrong += [f"still good after {seconds:.1f} s" for seconds in took if seconds > PROMISED_SECONDS]
    return Outcome(
        "a revoked key is refused within 2 s, by every replica",
        "in use at both when revoked",
        len(took),
        wrong,
        f"slowest {percentile(took, 1) * 1000:.0f} ms",
    )


def _stored(url: str) -> Outcome:
    with psycopg.connect(url) as conn:
        (decisions,) = conn.execute(
            "SELECT count(*) FROM (SELECT FROM decision WHERE idempotency_key LIKE 'race-%' GROUP BY "
            "idempotency_key HAVING count(*) > 1) AS twice"
        ).fetchone()
        (keys,) = conn.execute(
            "SELECT count(DISTINCT idempotency_key) FROM decision WHERE idempotency_key LIKE 'race-%'"
        ).fetchone()
    return Outcome(
        "one decision a key, in the database",
        "counted after the races",
        keys,
        [f"{decisions} keys with two"] if decisions else [],
    )
