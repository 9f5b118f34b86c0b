"""Everything that was ever done to a sealed record behind its back, each on a copy of its own: what `verify`
says of it.

`KINDS` is the threat model as a table: who can do it, and whether it must be seen plainly, by whoever kept
the newest head, or is beyond what seals can show.
"""

import contextlib
import io
import json
import time
from collections import Counter
from collections.abc import Iterator
from typing import Any

import psycopg

from coldcase.cli import main
from tests.attack.report import Outcome, attack
from tests.attack.stage import Stage, key, wait_for
from tests.attack.tamperings import BEYOND, KINDS, PLAINLY, WITH_HEAD, Record
from tests.attack.wire import case

JSON = {"Content-Type": "application/json"}
CLIENTS = ("Tern Haven", "Butter Store")


@attack("tampering", seconds=150)
def tampering(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """Makes a record under several seals, and harms copies of it."""
    database = stage.database()
    record = fill(stage, database)
    untouched = verify(database.service_url, record.head)
    yield Outcome(
        "an untouched record is good",
        "verify --expect of the newest head",
        1,
        [] if untouched["good"] else [str(untouched)[:400]],
    )
    seen: dict[str, list[str]] = {PLAINLY: [], WITH_HEAD: [], BEYOND: []}
    tries, silent, until = Counter[str](), [], time.monotonic() + seconds
    for name, (expected, statements) in KINDS.items():
        if time.monotonic() > until:
            silent.append(f"no time left for {len(KINDS) - sum(tries.values())} kinds")
            break
        found = harm(stage, database.name, record, statements(record))
        tries[expected] += 1
        seen[expected].append(found)
        if expected == PLAINLY and found != PLAINLY:
            silent.append(f"{name}: {found}")
        elif expected == WITH_HEAD and found == BEYOND:
            silent.append(f"{name}: silent even with the newest head")
        elif found.startswith("failed"):
            silent.append(f"{name}: {found}")
    counts = Counter(found for of_kind in seen.values() for found in of_kind)
    figure = ", ".join(f"{count} {what}" for what, count in counts.items())
    how = (
        f"{tries[PLAINLY]} kinds to be seen plainly, {tries[WITH_HEAD]} with a kept head, "
        f"{tries[BEYOND]} beyond the threat model"
    )
    yield Outcome("a change behind its back is visible", how, sum(tries.values()), silent, figure)
    stage.drop(database)


def fill(stage: Stage, database: Any) -> Record:
    """Decisions and verdicts of two clients under three seals or more, made by the service itself; some rows
    not sealed yet."""
    secrets = [key(database.owner_url, client=client) for client in CLIENTS]
    ids: list[str] = []
    verdicts: list[str] = []

    def add(service: Any, count: int) -> None:
        for secret in secrets:
            with service.client(secret) as caller:
                for number in range(count):
                    answer = caller.post(
                        "/v1/classifications",
                        content=case(f"T-{number}"),
                        headers={**JSON, "Idempotency-Key": f"t{len(ids)}"},
                    )
                    ids.append(answer.json()["id"])
                given = {"cause": "moisture", "basis": "teardown", "note": "copper on the journals"}
                verdicts.append(caller.post(f"/v1/decisions/{ids[-1]}/verdicts", json=given).json()["id"])

    with stage.serving(database.service_url, seal_seconds=1) as service:
        for _ in range(3):
            add(service, 3)
            with service.client(secrets[-1]) as caller:
                wait_for(
                    lambda caller=caller: caller.get(f"/v1/decisions/{ids[-1]}/inclusion").status_code == 200,
                    15,
                )
    with stage.serving(database.service_url, seal_seconds=3600) as service:
        # A replica seals at its start and at its end; what comes between the two stays without a seal only if
        # it is killed.
        time.sleep(1)
        add(service, 1)
        service.kill()
    with psycopg.connect(stage.superuser(database.name)) as conn:
        conn.execute("SELECT set_config('coldcase.reads_all', 'on', true)")
        [(head, seals)] = conn.execute(
            "SELECT encode(head, 'hex'), number FROM audit_seal ORDER BY number DESC LIMIT 1"
        ).fetchall()
        sealed = {
            str(row[0])
            for row in conn.execute("SELECT record FROM audit_seal_member WHERE kind = 0").fetchall()
        }
    return Record(
        [id_ for id_ in ids if id_ in sealed],
        [id_ for id_ in ids if id_ not in sealed],
        verdicts[:-2],
        head,
        seals,
    )


def harm(stage: Stage, template: str, record: Record, statements: list[str]) -> str:
    """What `verify` says of a copy after these statements of a superuser with all triggers off: plainly, with
    the head, or nothing."""
    copy = stage.database(template)
    try:
        with psycopg.connect(stage.superuser(copy.name), autocommit=True) as conn:
            conn.execute("SET session_replication_role = replica")
            for statement in statements:
                if conn.execute(statement).rowcount == 0:
                    return f"failed: the statement harmed nothing: {statement[:120]}"
        if not verify(copy.service_url)["good"]:
            return PLAINLY
        return BEYOND if verify(copy.service_url, record.head)["good"] else WITH_HEAD
    except Exception as error:  # noqa: BLE001 - a verification that breaks off names nothing
        return f"failed: {type(error).__name__}: {error}"[:300]
    finally:
        stage.drop(copy)


def verify(url: str, head: str | None = None) -> dict[str, Any]:
    """What the command says, as JSON; one that fails is not good."""
    printed, told = io.StringIO(), io.StringIO()
    arguments = ["verify", "--json", "--database-url", url, *(["--expect", head] if head else [])]
    with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(told):
        code = main(arguments, {})
    try:
        found = dict(json.loads(printed.getvalue()))
    except ValueError:
        found = {"told": told.getvalue()}
    return {**found, "good": code == 0}
