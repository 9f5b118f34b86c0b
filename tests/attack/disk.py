"""A full disk under the record: refused in words, nothing lost, and over when there is room again."""

import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from coldcase.db import embedded
from coldcase.db.embedded import Embedded
from tests.attack import load
from tests.attack.kills import compare
from tests.attack.load import Call, Kept
from tests.attack.network import first_good, slow_or_odd, steady_after
from tests.attack.report import Outcome, attack
from tests.attack.stage import MIB, Stage, command, key, kill_all, plain, server_processes, wait_for

SIZE_MIB = 1200
BACK_SECONDS = 10
NOTICED_SECONDS = 10


@attack("disk", seconds=15)
def disk(stage: Stage, seconds: float) -> Iterator[Outcome]:
    """A data folder on a small file system that is filled up under load."""
    place = stage.folder / "small"
    place.mkdir()
    promise = "a full disk: 503 meanwhile, nothing lost, over when there is room"
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MIB}m,mode=0711", "none", str(place)],
        capture_output=True,
        text=True,
        check=False,
    )
    if mounted.returncode != 0:
        yield Outcome(
            promise,
            "a small file system",
            not_tried=f"none may be mounted here ({mounted.stderr.strip()[:80]})",
        )
        return
    folder = place / "data"
    folder.mkdir(mode=0o711)
    service = stage.service("--data-dir", str(folder), seal_seconds=2)
    try:
        service.start()
        with Embedded.start(folder) as server:
            secret = key(server.owner_url)
        with (
            load.running(load.keyed, ports=[service.port], secret=secret, workers=8) as callers,
            load.running(
                load.well_behaved, port=service.port, secret=secret, kinds=("record", "preview")
            ) as steady,
        ):
            time.sleep(2)
            fill_up(place / "ballast")
            full = wait_for(lambda: not service.recording(), seconds + NOTICED_SECONDS)
            time.sleep(seconds if full is not None else 0)
            ready = service.ready()
            (place / "ballast").unlink()
            freed = time.time()
            time.sleep(BACK_SECONDS + 5)
            calls: list[Call] = steady.finish()
            kept: Kept = callers.finish()
        with Embedded.start(folder) as server:
            lost = compare(plain(server.url(embedded.SUPERUSER)), kept)
        checked = command("verify", "--data-dir", str(folder))
        yield from _outcomes(promise, calls, kept, freed, full, ready, lost, checked)
    finally:
        if service.process is not None:
            service.stop()
        kill_all(server_processes(folder))
        time.sleep(0.5)
        subprocess.run(["umount", "--lazy", str(place)], check=False)


def fill_up(file: Path) -> None:
    """Takes all the room there is."""
    with file.open("wb", buffering=0) as ballast, suppress(OSError):
        while True:
            ballast.write(os.urandom(MIB // 16))


def _outcomes(
    promise: str,
    calls: list[Call],
    kept: Kept,
    freed: float,
    full: float | None,
    ready: dict[str, object] | None,
    lost: list[str],
    checked: subprocess.CompletedProcess[str],
) -> Iterator[Outcome]:
    if full is None and all(call.status in (200, 201) for call in calls):
        yield Outcome(
            promise, "a small file system", not_tried="the server found room for as long as this looked"
        )
        return
    meanwhile = [call for call in calls if call.at < freed]
    slowest = max(call.seconds for call in meanwhile)
    refused = sum(call.status == 503 for call in meanwhile)
    yield Outcome(
        "a full disk: 201 or 503 with Retry-After within 2 s",
        "a file system filled up under load",
        len(meanwhile),
        slow_or_odd(meanwhile),
        f"{refused} x 503, slowest {slowest:.2f} s",
    )
    wrong = (
        [] if full is not None and (ready or {}).get("recording") is False else [f"readiness said {ready}"]
    )
    yield Outcome(
        "a full disk: readiness says recording: false",
        "asked while it was full",
        1,
        wrong,
        "" if full is None else f"noticed after {full:.1f} s",
    )
    back, steady = first_good(calls, "record", freed), steady_after(calls, "record", freed)
    wrong = (
        []
        if back is not None and max(back, steady) <= BACK_SECONDS
        else [f"first after {back}, last failure {steady:.1f} s"]
    )
    yield Outcome(
        f"a full disk: recording is back within {BACK_SECONDS} s of room",
        "the file removed",
        1,
        wrong,
        f"first after {back or -1:.1f} s, no failure after {steady:.1f} s",
    )
    wrong = [
        *lost,
        *([] if checked.returncode == 0 else [f"verify: {checked.stdout[-200:]}{checked.stderr[-200:]}"]),
    ]
    yield Outcome(
        "a full disk: nothing acknowledged is lost, the record verified good",
        "compared afterwards",
        len(kept.acknowledged),
        wrong,
    )
