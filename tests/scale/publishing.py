"""Two replicas under load while rule tables are published back and forth: no request fails, each answers by a
table that was the current one, both agree within two seconds.

python -m tests.scale.publishing [--publications 20] [--pause 2.5] [--callers 3]

A publication counts from the answer to `publish`, as its caller sees it. Exit 1 if a promise is broken.
"""

import argparse
import itertools
import json
import sys
import threading
import time
from collections import Counter
from collections.abc import Sequence
from http.client import HTTPConnection
from typing import Any, NamedTuple

import psycopg

from coldcase.db import embedded, migrating
from tests.serving import make_key, serving
from tests.web.conftest import BACKTESTED

PROMISED_S = 2.0
SCOPES = ("tables:read", "tables:draft", "tables:approve")
PAUSE_S = 0.005
"""Between two requests of a caller, so that the callers leave the machine to the service."""


class Asked(NamedTuple):
    """One recorded case: by which replica, when, and the digest that it was answered by."""

    replica: int
    began: float
    ended: float
    status: int
    digest: str


class Published(NamedTuple):
    """One publication: when it was asked for, when that was answered, and what answers since."""

    began: float
    ended: float
    digest: str


class Api:
    """One connection to one replica."""

    def __init__(self, port: int, secret: str) -> None:
        self._connection = HTTPConnection("127.0.0.1", port, timeout=30)
        self._secret = secret

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, Any]:
        sent = None if body is None else json.dumps(body)
        known = {"Authorization": f"Bearer {self._secret}", "Content-Type": "application/json"}
        self._connection.request(method, path, sent, known | headers)
        answered = self._connection.getresponse()
        return answered.status, json.loads(answered.read())


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--publications", type=int, default=20)
    arguments.add_argument("--pause", type=float, default=2.5, help="seconds between two")
    arguments.add_argument("--callers", type=int, default=3, help="for each replica")
    given = arguments.parse_args()
    with embedded.temporary() as server:
        migrating.upgrade(server.owner_url)
        secrets = [make_key(server.owner_url, *SCOPES, person=person) for person in ("bench-1", "bench-2")]
        load_key = make_key(server.owner_url, "decisions:write")
        settings = {"client_share": "1", "backtests": "off"}
        with serving(server.service_url, **settings) as one, serving(server.service_url, **settings) as two:
            ports = (one.port, two.port)
            tables = two_tables(server.owner_url, ports[0], secrets)
            asked, published, trouble = under_load(given, ports, load_key, secrets[1], tables)
    return report(asked, published, trouble)


def two_tables(owner_url: str, port: int, secrets: Sequence[str]) -> list[tuple[int, str]]:
    """The starter table and another that was published and is not the current one: numbers and digests."""
    author, approver = (Api(port, secret) for secret in secrets)
    first = author.ask("GET", "/v1/rule-tables/current")[1]
    author.ask("POST", "/v1/rule-tables", {"based_on": 1})
    merge = {"Content-Type": "application/merge-patch+json", "If-Match": "*"}
    second = author.ask("PATCH", "/v1/rule-tables/2/content", {"temperature": 3.0}, **merge)[1]
    with psycopg.connect(owner_url.replace("+psycopg", "")) as conn:
        conn.execute(BACKTESTED.replace(":version", "2"))
    decided = {"digest": second["digest"], "reason": "Invented for a proof."}
    for what in ("approve", "publish"):
        status, told = approver.ask("POST", f"/v1/rule-tables/2/{what}", decided)
        assert status == 200, told
    decided["digest"] = first["digest"]
    assert approver.ask("POST", "/v1/rule-tables/1/publish", decided)[0] == 200
    time.sleep(PROMISED_S)
    return [(1, first["digest"]), (2, second["digest"])]


def under_load(
    given: argparse.Namespace,
    ports: Sequence[int],
    load_key: str,
    approver_key: str,
    tables: Sequence[tuple[int, str]],
) -> tuple[list[Asked], list[Published], list[str]]:
    asked: list[Asked] = []
    trouble: list[str] = []
    stop = threading.Event()
    callers = [
        threading.Thread(target=call, args=(replica, port, load_key, stop, asked, trouble))
        for replica, port in enumerate(ports)
        for _ in range(given.callers)
    ]
    for caller in callers:
        caller.start()
    began = time.monotonic()
    published = [Published(began, began, tables[0][1])]
    for turn in range(given.publications):
        time.sleep(given.pause)
        version, digest = tables[(turn + 1) % 2]
        # At one replica and then the other.
        approver = Api(ports[turn // 2 % 2], approver_key)
        since = time.monotonic()
        body = {"digest": digest, "reason": f"Turn {turn} of a proof."}
        status, told = approver.ask("POST", f"/v1/rule-tables/{version}/publish", body)
        if status != 200:
            trouble.append(f"publication {turn}: {status} {told}")
        published.append(Published(since, time.monotonic(), digest))
    time.sleep(given.pause)
    stop.set()
    for caller in callers:
        caller.join()
    return asked, published, trouble


def call(
    replica: int, port: int, secret: str, stop: threading.Event, asked: list[Asked], trouble: list[str]
) -> None:
    """Records one case after the other; each has its own evidence's order, so that answers are not all kept
    ones.
    """
    api = Api(port, secret)
    unit = {"compressor_type": "scroll", "motor": "three_phase"}
    outcomes = itertools.cycle(["none", "light", "heavy"])
    for number in itertools.count():
        if stop.is_set():
            return
        case = {
            "job": {"ref": f"TH-{number}"},
            "unit": unit,
            "observations": {"copper_plating": next(outcomes)},
        }
        began = time.monotonic()
        try:
            status, answer = api.ask("POST", "/v1/classifications", case)
        except OSError as error:
            trouble.append(f"replica {replica}: {error!r}")
            api = Api(port, secret)
            continue
        digest = answer["rule_table"]["digest"] if status == 201 else ""
        asked.append(Asked(replica, began, time.monotonic(), status, digest))
        time.sleep(PAUSE_S)


def report(asked: Sequence[Asked], published: Sequence[Published], trouble: list[str]) -> int:
    statuses = Counter(one.status for one in asked)
    failed = sum(count for status, count in statuses.items() if status != 201)
    lags = [lag for one in asked if one.status == 201 and (lag := behind(one, published)) is not None]
    outside = [one for one in asked if one.status == 201 and not was_current(one, published)]
    agree = [agreed(turn, published, asked) for turn in range(1, len(published))]
    promises = {
        "no request fails": failed == 0 and not trouble,
        "each answer's table was the current one within 2 s before its request, or during it": not outside,
        "both replicas agree within 2 s of each publication": max(agree, default=0.0) <= PROMISED_S,
    }
    print(f"{len(asked)} cases recorded at 2 replicas, {dict(statuses)}; {len(published) - 1} publications")
    late = [lag for lag in lags if lag > 0]
    print(
        f"answered by the table before, although begun after the publication was: {len(late)}, "
        f"by {max(late, default=0.0) * 1000:.0f} ms at the most"
    )
    print(
        f"both replicas agree: median {sorted(agree)[len(agree) // 2] * 1000:.0f} ms, "
        f"at the most {max(agree) * 1000:.0f} ms after the publication was answered"
    )
    for told in trouble[:10]:
        print(f"  {told}")
    for promise, kept in promises.items():
        print(f"{'held' if kept else 'BROKEN'}: {promise}")
    return 0 if all(promises.values()) else 1


def behind(one: Asked, published: Sequence[Published]) -> float | None:
    """How long before its request its table was replaced; negative or None where it was not."""
    ended = [
        following.ended
        for each, following in itertools.pairwise(published)
        if each.digest == one.digest and following.ended <= one.began
    ]
    started = [each.began for each in published if each.digest == one.digest and each.began <= one.ended]
    if not ended or (started and started[-1] > ended[-1]):
        return None
    return one.began - ended[-1]


def was_current(one: Asked, published: Sequence[Published]) -> bool:
    """Whether its table was the current one at some time from 2 s before the request to its end."""
    until = [following.ended for _, following in itertools.pairwise(published)] + [float("inf")]
    return any(
        each.digest == one.digest and each.began <= one.ended and one.began - PROMISED_S <= end
        for each, end in zip(published, until, strict=True)
    )


def agreed(turn: int, published: Sequence[Published], asked: Sequence[Asked]) -> float:
    """Seconds from the answer of a publication to the beginning of the last request that either replica
    answered by another table.
    """
    this = published[turn]
    until = published[turn + 1].began if turn + 1 < len(published) else float("inf")
    stale = [
        one.began
        for one in asked
        if one.status == 201
        and this.ended <= one.began < until
        and one.digest != this.digest
        # One that ends after the next publication began may be the next one's already.
        and one.ended < until
    ]
    return max((began - this.ended for began in stale), default=0.0)


if __name__ == "__main__":
    sys.exit(main())
