"""What happens once a year: a dump restored into a fresh server, and an archive while the service records."""

import gzip
import subprocess
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import psycopg

from coldcase.db import embedded
from coldcase.db.embedded import Embedded
from tests.attack import load
from tests.attack.load import Call
from tests.attack.network import summed
from tests.attack.report import Outcome, attack
from tests.attack.stage import EVERY_SCOPE, Service, Stage, command, key, wait_for
from tests.attack.tampering import fill, verify
from tests.attack.wire import case
from tests.later import moved, preload

HEADERS = {"Content-Type": "application/json"}
RECORDING_SECONDS = 2.0
OLDER = """
DO $$ BEGIN FOR i IN 1..100000 LOOP PERFORM pg_current_xact_id(); COMMIT; END LOOP; END $$
"""
"""A server that has long been at work numbers its transactions higher than the one that the record is
restored into."""


def program(server: Embedded, name: str, *arguments: str) -> str:
    """What one of PostgreSQL's programs prints, run as the superuser of a server. Raises RuntimeError with
    what it complains of."""
    host = str(embedded.socket_folder(server.folder))
    args = [
        str(embedded.wheel_programs() / name),
        "--host",
        host,
        "--username",
        embedded.SUPERUSER,
        *arguments,
    ]
    done = subprocess.run(args, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{name}: {done.stderr[-600:]}")
    return done.stdout


@attack("restoring", seconds=60)
def restoring(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """Dumps a sealed record with its roles, restores it into a server that has seen nothing yet, and goes on
    there."""
    database = stage.database()
    with psycopg.connect(stage.superuser(database.name), autocommit=True) as conn:
        conn.execute(OLDER)
    record = fill(stage, database)
    dump, roles = stage.folder / "record.dump", stage.folder / "roles.sql"
    roles.write_text(program(stage.postgres, "pg_dumpall", "--roles-only"))
    program(stage.postgres, "pg_dump", "--format=custom", f"--file={dump}", database.name)
    stage.drop(database)
    with embedded.temporary() as fresh:
        wrong = _restore(fresh, roles, dump)
        found = verify(fresh.service_url, record.head)
        wrong += [] if found["good"] else [f"before new decisions: {_short(found)}"]
        with stage.serving(fresh.service_url, seal_seconds=1) as service:
            found = verify(fresh.service_url, record.head)
            wrong += [] if found["good"] else [f"with the service started: {_short(found)}"]
            wrong += _goes_on(service, fresh, record.head)
        found = verify(fresh.service_url, record.head)
        wrong += (
            []
            if found["good"] and not found.get("unsealed")
            else [f"after the service stopped: {_short(found)}"]
        )
    yield Outcome(
        "dump and restore: the record goes on, verified good",
        "pg_dumpall of roles, pg_dump, pg_restore, migrate, verify before and after",
        4,
        wrong,
    )


def _restore(fresh: Embedded, roles: Path, dump: Path) -> list[str]:
    # The fresh server has two of the roles already: that they cannot be made again is no error.
    program(fresh, "psql", "--quiet", f"--file={roles}", "postgres")
    wrong = []
    try:
        program(fresh, "pg_restore", f"--dbname={embedded.DATABASE}", str(dump))
    except RuntimeError as error:
        wrong.append(str(error))
    done = command("migrate", "--owner-url", fresh.owner_url)
    return wrong if done.returncode == 0 else [*wrong, f"migrate: {done.stderr[-400:]}"]


def _goes_on(service: Service, fresh: Embedded, head: str) -> list[str]:
    wrong: list[str] = []
    secret = key(fresh.owner_url)
    with service.client(secret) as caller:
        made = [
            caller.post("/v1/classifications", content=case(f"after-{number}"), headers=HEADERS)
            for number in range(20)
        ]
        wrong += [
            f"recording: {answer.status_code} {answer.text[:150]}"
            for answer in made
            if answer.status_code != 201
        ][:2]
        if not wrong:
            last = made[-1].json()["id"]
            if wait_for(lambda: caller.get(f"/v1/decisions/{last}/inclusion").status_code == 200, 20) is None:
                wrong.append("new decisions were not sealed within 20 s")
    found = verify(fresh.service_url, head)
    return wrong if found["good"] else [*wrong, f"after new decisions: {_short(found)}"]


def _short(found: Mapping[str, Any]) -> str:
    troubles = found.get("troubles") or [found.get("told")]
    return f"{found.get('wrong')} wrong, {found.get('unsealed')} unsealed, {str(troubles[:2])[:300]}"


@attack("archive", seconds=20)
def archive(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """Records on the last days of a year under a moved clock, and archives that year under load some days
    later, when its keys still live."""
    promise = "an archive stops nobody, and a retry is told of it"
    if preload() is None:
        yield Outcome(promise, "a moved clock", not_tried="the extra `later` is not installed")
        return
    year = datetime.now(UTC).year - 1
    away = (date(year, 12, 30) - datetime.now(UTC).date()).days
    with stage.data_dir() as folder:
        secret, old = _december(stage, folder, moved(away))
        yield from _january(stage, folder, moved(away + 6), year, secret, old)


@contextmanager
def _serving(stage: Stage, folder: Path, clock: Mapping[str, str]) -> Iterator[Service]:
    service = stage.service("--data-dir", str(folder), environ=clock, seal_seconds=1)
    try:
        yield service.start()
    finally:
        service.stop()


def _december(stage: Stage, folder: Path, clock: Mapping[str, str]) -> tuple[str, list[str]]:
    with _serving(stage, folder, clock) as service:
        scopes = [argument for scope in EVERY_SCOPE for argument in ("--scope", scope)]
        made = command(
            "keys", "create", "--client", "Tern Haven", *scopes, "--data-dir", str(folder), environ=clock
        )
        secret = made.stdout.strip()
        with service.client(secret) as caller:
            answers = [
                caller.post(
                    "/v1/classifications",
                    content=case(f"old-{number}"),
                    headers={**HEADERS, "Idempotency-Key": f"old-{number}"},
                )
                for number in range(200)
            ]
            ids = [answer.raise_for_status().json()["id"] for answer in answers]
            wait_for(lambda: caller.get(f"/v1/decisions/{ids[-1]}/inclusion").status_code == 200, 20)
    return secret, ids


def _january(
    stage: Stage, folder: Path, clock: Mapping[str, str], year: int, secret: str, old: list[str]
) -> Iterator[Outcome]:
    place = ("--data-dir", str(folder))
    with _serving(stage, folder, clock) as service, service.client(secret) as caller:
        kinds = ("record", "read", "record")
        with load.running(load.well_behaved, port=service.port, secret=secret, kinds=kinds) as callers:
            time.sleep(2)
            done = command("archive", str(year), "--to", str(stage.folder), *place, environ=clock)
            time.sleep(2)
            calls: list[Call] = callers.finish()
        wrong = [] if done.returncode == 0 else [f"archive: {done.stderr[-300:]}"]
        wrong += summed(
            [f"{call.kind} {call.status} {call.error}" for call in calls if call.status not in (200, 201)]
        )
        slowest = max(call.seconds for call in calls)
        wrong += [f"slowest call {slowest:.2f} s"] if slowest > RECORDING_SECONDS else []
        yield Outcome(
            "an archive under load stops nobody",
            f"{year} archived between calls",
            len(calls),
            wrong,
            f"slowest {slowest:.2f} s",
        )
        retries = Counter(
            caller.post(
                "/v1/classifications",
                content=case(f"old-{number}"),
                headers={**HEADERS, "Idempotency-Key": f"old-{number}"},
            ).status_code
            for number in range(len(old))
        )
        wrong = [] if set(retries) == {410} else [f"answers {dict(retries)}"]
        yield Outcome(
            "a retry after its year was archived gets 410",
            "keys still alive",
            retries.total(),
            wrong,
            f"{dict(retries)}",
        )
        yield _checked(done.stdout.strip(), place, clock)


def _checked(file: str, place: tuple[str, ...], clock: Mapping[str, str]) -> Outcome:
    wrong = []
    if not file:
        return Outcome(
            "an archived year is verified with its file", "no file", broken=["archive made no file"]
        )
    good = command("verify", "--archive", file, *place, environ=clock)
    wrong += (
        []
        if good.returncode == 0
        else [f"with the file: exit {good.returncode} {good.stdout[-200:]}{good.stderr[-200:]}"]
    )
    forged = Path(file).with_name("forged-" + Path(file).name)
    forged.write_bytes(
        gzip.compress(gzip.decompress(Path(file).read_bytes()).replace(b"moisture", b"moistur3", 1))
    )
    bad = command("verify", "--archive", str(forged), *place, environ=clock)
    wrong += [] if bad.returncode == 1 else [f"with a forged file: exit {bad.returncode}"]
    return Outcome(
        "an archived year is verified with its file", "the file, and one with a byte changed", 2, wrong
    )
