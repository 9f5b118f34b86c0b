"""All performance figures, as ratios against their baselines in the same run.

    python -m tests.bench [--only NAME ...] [--quick] [--json FILE]

Each is a median over rounds, with the least and the most, and says how it was measured. Whole sizes take
about half an hour on two quiet cores, `--quick` a few minutes: good enough to see that something broke, not
to quote. Exit 1 if a figure could not be measured; one that is not as wanted says so.
"""

import argparse
import os
import platform
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from coldcase.logs import start_logging
from tests.bench import (
    backtesting,
    batch,
    beside_import,
    disk,
    drivers,
    exporting,
    importing,
    load,
    ranking,
    recording,
    report,
    stages,
    two_workers,
)
from tests.bench.figure import FULL, QUICK, Figure, Sizes

FIGURES: dict[str, Callable[[Sizes], Iterator[Figure]]] = {
    "recording": recording.measure,
    "stages": stages.measure,
    "workers": two_workers.measure,
    "ranking": ranking.measure,
    "batch": batch.measure,
    "import": importing.measure,
    "export": exporting.measure,
    "disk": disk.measure,
    "backtest": backtesting.measure,
    "beside-import": beside_import.measure,
    "report": report.measure,
    "drivers": drivers.measure,
}


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--only", action="append", choices=FIGURES, help="one of them; may be said again")
    parser.add_argument("--quick", action="store_true", help="small sizes")
    parser.add_argument("--json", type=Path, metavar="FILE", help="all of it for a program")
    given = parser.parse_args()
    start_logging("warning")
    sizes = QUICK if given.quick else FULL
    told: dict[str, Any] = {**machine(), "sizes": msgspec.structs.asdict(sizes), "figures": [], "failed": []}
    print(", ".join(f"{name} {value}" for name, value in machine().items()), flush=True)
    for name in given.only or FIGURES:
        began = time.monotonic()
        try:
            for figure in FIGURES[name](sizes):
                print(figure.text(), flush=True)
                told["figures"].append({"of": name, **figure.plain()})
        except Exception as error:  # noqa: BLE001 - the others are measured all the same
            traceback.print_exc()
            print(f"{name}: NOT MEASURED: {error}", flush=True)
            told["failed"].append(name)
        print(f"    [{name}: {time.monotonic() - began:.0f} s]", flush=True)
        if given.json is not None:
            given.json.write_bytes(msgspec.json.format(msgspec.json.encode(told), indent=2) + b"\n")
    missed = [one["name"] for one in told["figures"] if one["reached"] is False]
    print(f"not reached: {', '.join(missed) or 'none'}")
    return 1 if told["failed"] else 0


def machine() -> dict[str, str]:
    """When and where."""
    found = subprocess.run(
        ["git", "describe", "--always", "--dirty"], capture_output=True, text=True, check=False
    )
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1024**3
    busy, _, _ = os.getloadavg()
    return {
        "date": f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC",
        "commit": found.stdout.strip() or "unknown",
        "cores": f"{len(os.sched_getaffinity(0))}, load at the beginning {busy:.1f}",
        "memory": f"{memory:.0f} GiB",
        "python": platform.python_version(),
        "load": load.how(),
    }


if __name__ == "__main__":
    sys.exit(main())
