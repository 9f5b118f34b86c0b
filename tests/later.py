"""The tests under a moved clock: what passes today must pass in six weeks and after the next New Year but
one.

python -m tests.later [DAYS …] [-- PYTEST ARGUMENTS]
"""

import argparse
import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

DAYS = (45, 400)


def main() -> int:
    """Exit 0 if every run was green."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "days", nargs="*", type=int, default=DAYS, help="how many days ahead, one run each (default: 45 400)"
    )
    given = sys.argv[1:]
    end = given.index("--") if "--" in given else len(given)
    codes = {days: run(days, given[end + 1 :]) for days in parser.parse_args(given[:end]).days}
    for days, code in codes.items():
        print(f"{days:+} days: {'green' if code == 0 else f'red, pytest ended with {code}'}")
    return int(any(codes.values()))


def run(days: int, arguments: list[str]) -> int:
    """Pytest's exit code under a clock that is so many days ahead; PostgreSQL and every other process it
    starts have that clock too."""
    environ = {**os.environ, **moved(days)}
    print(
        f"{days:+} days:",
        subprocess.check_output(["date", "-u", "+%F %T"], env=environ, text=True).strip(),
        flush=True,
    )
    return subprocess.call([sys.executable, "-m", "pytest", "-q", *arguments], env=environ)


def moved(days: int) -> dict[str, str]:
    """The environment in which a process, and all that it starts, has a clock that is so many days ahead.
    Exits if that cannot be had."""
    library = preload()
    if library is None:
        sys.exit("The moved clock needs the extra `later`: pip install -e '.[dev,later]'")
    return {
        "LD_PRELOAD": str(library),
        "FAKETIME": f"{days:+}d",
        # Timeouts go by the monotonic clock and must not be moved; nor should the ages of files.
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        "NO_FAKE_STAT": "1",
        # Shared memory between processes is for clocks that stand still or run fast.
        "FAKETIME_DISABLE_SHM": "1",
    }


def preload() -> Path | None:
    """The shared library that moves the clock, out of the package `libfaketime`, which itself is not
    imported; None if it is not there."""
    spec = find_spec("libfaketime")
    if spec is None or spec.origin is None:
        return None
    library = Path(spec.origin).with_name("vendor") / "libfaketime" / "src" / "libfaketime.so.1"
    return library if library.is_file() else None


if __name__ == "__main__":
    sys.exit(main())
