"""The network before the database goes silent; a failover to another server."""

import os
import shutil
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx
import psycopg
from uuid_utils import compat

from coldcase.clock import now
from coldcase.db import embedded, keys, migrating
from coldcase.db.embedded import Embedded
from coldcase.db.engine import run_once
from tests.attack import load
from tests.attack.kills import compare
from tests.attack.load import Call, Kept
from tests.attack.report import Outcome, attack
from tests.attack.stage import EVERY_SCOPE, Service, Stage, kill_all, plain, server_processes, wait_for
from tests.proxy import Proxy, socket_of

PROMISED_SECONDS = 2.0
BACK_SECONDS = 5.0
SEAL_SECONDS = 2.0


def make_key(owner_url: str) -> tuple[str, Callable[[], object]]:
    """The secret of a new key, and a function that revokes it."""
    secret, id_ = keys.new_secret(), compat.uuid7()
    given: dict[str, Any] = {
        "client_name": "Tern Haven",
        "person": None,
        "scopes": EVERY_SCOPE,
        "secret_sha256": keys.secret_digest(secret),
        "now": now(),
    }
    run_once(owner_url, lambda conn: keys.create_key(conn, id_=id_, **given))
    return secret, lambda: run_once(owner_url, lambda conn: keys.revoke_key(conn, id_, now=now()))


def slow_or_odd(calls: Sequence[Call]) -> list[str]:
    """What is neither an answer nor a 503 with Retry-After within the two seconds promised."""
    wrong = [
        f"{call.kind} {call.status or call.error} after {call.seconds:.2f} s"
        for call in calls
        if call.seconds > PROMISED_SECONDS
    ]
    odd = [
        call for call in calls if not (call.status in (200, 201) or (call.status == 503 and call.retry_after))
    ]
    return summed(wrong) + summed([f"{call.kind} {call.status} {call.error}" for call in odd])


def summed(told: Sequence[str], most: int = 3) -> list[str]:
    return [*told[:most], *([f"and {len(told) - most} more"] if len(told) > most else [])]


def first_good(calls: Sequence[Call], kind: str, since: float) -> float | None:
    """Seconds from `since` until the first call of a kind was answered well."""
    ends = [
        call.at + call.seconds
        for call in calls
        if call.kind == kind and call.status in (200, 201) and call.at + call.seconds > since
    ]
    return min(ends) - since if ends else None


def steady_after(calls: Sequence[Call], kind: str, since: float) -> float:
    """Seconds from `since` after which no call of a kind failed any more."""
    failed = [
        call.at for call in calls if call.kind == kind and call.at > since and call.status not in (200, 201)
    ]
    return max(failed) - since if failed else 0.0


@attack("network", seconds=60)
def network(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """Silence for a minute, while five kinds of callers go on."""
    database = stage.database()
    with Proxy(socket_of(stage.postgres)) as proxy:
        url = proxy.url(embedded.SERVICE, database.name)
        secret, _ = make_key(database.owner_url)
        forgotten, revoke = make_key(database.owner_url)
        with stage.serving(url, seal_seconds=SEAL_SECONDS) as service, service.client(forgotten) as late:
            assert late.get(load.READS).status_code == 200
            kinds = ("record", "preview", "read")
            with load.running(
                load.well_behaved, port=service.port, secret=secret, kinds=kinds, every=0.05
            ) as callers:
                time.sleep(3)
                frozen = time.time()
                proxy.freeze()
                time.sleep(seconds)
                answers = [_timed(lambda: late.post("/v1/classifications", json=CASE)) for _ in range(5)]
                ready = service.ready() or {}
                proxy.thaw()
                thawed = time.time()
                time.sleep(12)
                calls: list[Call] = callers.finish()
            yield from _silence(calls, frozen, thawed, answers, ready)
            yield from _afterwards(service, database.owner_url, late, revoke, calls, thawed)
    stage.drop(database)


CASE = {"unit": {"compressor_type": "scroll", "motor": "three_phase"}}


def _timed(call: Callable[[], httpx.Response]) -> tuple[float, int]:
    began = time.monotonic()
    answer = call()
    return time.monotonic() - began, answer.status_code


def _silence(
    calls: Sequence[Call],
    frozen: float,
    thawed: float,
    late: Sequence[tuple[float, int]],
    ready: dict[str, object],
) -> Iterator[Outcome]:
    meanwhile = [call for call in calls if frozen <= call.at + call.seconds and call.at < thawed]
    for kinds, promise in (
        (("record",), "database away: recording gets 503 with Retry-After within 2 s, always"),
        (("read",), "database away: reading gets 503 with Retry-After within 2 s, always"),
    ):
        of_kind = [call for call in meanwhile if call.kind in kinds]
        slowest = max((call.seconds for call in of_kind), default=0.0)
        how = f"network silent for {thawed - frozen:.0f} s"
        yield Outcome(promise, how, len(of_kind), slow_or_odd(of_kind), f"slowest {slowest:.2f} s")
    wrong = [
        f"{status} after {seconds:.2f} s"
        for seconds, status in late
        if seconds > PROMISED_SECONDS or status != 503
    ]
    slowest = max(seconds for seconds, _ in late)
    how = "the same, a key last used when the silence began"
    yield Outcome(
        "database away: 503 within 2 s for a key not seen lately",
        how,
        len(late),
        wrong,
        f"slowest {slowest:.2f} s",
    )
    previews = [call for call in meanwhile if call.kind == "preview"]
    wrong = summed([f"{call.status} {call.error}" for call in previews if call.status != 200])
    figure = f"p99 {percentile([call.seconds for call in previews]) * 1000:.0f} ms"
    yield Outcome("database away: previews by known keys go on", "the same", len(previews), wrong, figure)
    wrong = [] if ready.get("recording") is False else [f"it says {ready}"]
    yield Outcome("readiness stays up and says recording: false", "asked at the end of the silence", 1, wrong)


def _afterwards(
    service: Service,
    owner_url: str,
    late: httpx.Client,
    revoke: Callable[[], object],
    calls: Sequence[Call],
    thawed: float,
) -> Iterator[Outcome]:
    for kind in ("record", "read"):
        yield _back(
            kind,
            calls,
            thawed,
            f"frozen connections: {kind} is back within {BACK_SECONDS:.0f} s",
            "old connections stay silent",
        )
    sealed = wait_for(lambda: everything_sealed(owner_url), 30)
    yield Outcome(
        "sealing comes back",
        "all decisions under a seal again",
        1,
        [] if sealed is not None else ["nothing was sealed within 30 s"],
        "" if sealed is None else f"{sealed:.1f} s after the check began",
    )
    revoke()
    refused = wait_for(lambda: late.get(load.READS).status_code == 401, 30)
    wrong = [] if refused is not None and refused <= PROMISED_SECONDS else [f"refused after {refused} s"]
    yield Outcome(
        "a revoked key is refused within 2 s again",
        "revoked after the silence",
        1,
        wrong,
        "never" if refused is None else f"{refused:.2f} s",
    )


def _back(kind: str, calls: Sequence[Call], since: float, promise: str, how: str) -> Outcome:
    first, last = first_good(calls, kind, since), steady_after(calls, kind, since)
    if first is None:
        return Outcome(promise, how, 1, ["never"])
    wrong = (
        []
        if max(first, last) <= BACK_SECONDS
        else [f"first after {first:.1f} s, last failure after {last:.1f} s"]
    )
    return Outcome(promise, how, 1, wrong, f"first after {first:.2f} s, no failure after {last:.2f} s")


def everything_sealed(owner_url: str) -> bool:
    """Whether no decision older than a few seconds is without a seal."""
    url = plain(owner_url).replace(f"//{embedded.OWNER}@", f"//{embedded.SUPERUSER}@")
    with psycopg.connect(url) as conn:
        (count,) = conn.execute(
            "SELECT count(*) FROM decision AS d WHERE NOT EXISTS (SELECT FROM audit_seal_member AS m "
            "WHERE m.record = d.id AND m.kind = 0)"
        ).fetchone()
    return bool(count == 0)


def percentile(values: Sequence[float], share: float = 0.99) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else 0.0


@attack("failover", seconds=10)
def failover(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """The first server stands still for ever and a second one with its data takes over, under load."""
    first, second = stage.folder / "first", stage.folder / "second"
    first.mkdir(mode=0o711)
    how = "the old server stopped for good and copied, the proxy switched to the copy"
    try:
        calls, kept, wrong, switched = _fail_over(stage, first, second, seconds)
    finally:
        for folder in (first, second):
            kill_all(server_processes(folder))
    yield _back("record", calls, switched, "failover: recording is back within 5 s", how)
    yield Outcome(
        "failover: nothing acknowledged is lost, doubled or different", how, len(kept.acknowledged), wrong
    )
    slowest = max(call.seconds for call in calls)
    yield Outcome(
        "failover: meanwhile 503 within 2 s", how, len(calls), slow_or_odd(calls), f"slowest {slowest:.2f} s"
    )


def _fail_over(
    stage: Stage, first: Path, second: Path, seconds: float
) -> tuple[list[Call], Kept, list[str], float]:
    """What callers saw, what they were told, what is not so on the second server, and when it took over."""
    server = Embedded.start(first)
    migrating.upgrade(server.owner_url)
    secret, _ = make_key(server.owner_url)
    with (
        Proxy(socket_of(server)) as proxy,
        stage.serving(proxy.url(embedded.SERVICE, embedded.DATABASE)) as service,
        load.running(load.keyed, ports=[service.port], secret=secret, workers=8) as callers,
        load.running(load.well_behaved, port=service.port, secret=secret, kinds=("record", "read")) as steady,
    ):
        time.sleep(seconds / 2)
        proxy.freeze()
        for process in server_processes(first):
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGSTOP)
        shutil.copytree(
            first,
            second,
            copy_function=_copy,
            ignore=shutil.ignore_patterns("run", "*.lock", "postmaster.pid"),
        )
        _same_owner(first, second)
        with Embedded.start(second) as successor:
            proxy.thaw(socket_of(successor))
            switched = time.time()
            time.sleep(seconds)
            calls: list[Call] = steady.finish()
            kept: Kept = callers.finish()
            wrong = compare(plain(successor.url(embedded.SUPERUSER)), kept)
            service.stop()
    return calls, kept, wrong, switched


def _copy(source: str, target: str) -> str:
    with suppress(FileNotFoundError):
        shutil.copy2(source, target)
    return target


def _same_owner(source: Path, target: Path) -> None:
    """As root: the copy belongs to whom the original belongs to."""
    for path in [target, *target.rglob("*")]:
        original = source / path.relative_to(target)
        if original.exists():
            os.chown(path, original.stat().st_uid, original.stat().st_gid)
            path.chmod(original.stat().st_mode & 0o7777)
