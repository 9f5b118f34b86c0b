"""The standing adversary: what was ever tried against the promises to callers and is worth trying again.

python -m tests.attack [NAME …] [--seconds N] [--requests N] [--json FILE] [--list]

Starts what it needs by itself: PostgreSQL from the wheel, the service as a process, a proxy between the two.
Stops and removes all of it. Exit 1 if any promise is broken.
"""

import argparse
import signal
import sys
from pathlib import Path

from tests.attack import (  # noqa: F401 - each puts its attacks on the list
    disk,
    floods,
    hostile,
    isolation,
    kills,
    leavers,
    network,
    overload,
    replicas,
    restoring,
    tampering,
)
from tests.attack.report import REGISTRY, run, table, write
from tests.attack.stage import Stage


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.attack", description=__doc__.splitlines()[0])
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help=f"which: {', '.join(REGISTRY)} (default: all)"
    )
    parser.add_argument(
        "--seconds", type=float, help="how long each attack goes on, about (default: each its own)"
    )
    parser.add_argument(
        "--requests", type=int, default=100_000, help="mutated requests of `hostile` (default 100,000)"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="also write the outcomes there")
    parser.add_argument("--list", action="store_true", help="name the attacks and do nothing")
    arguments = parser.parse_args()
    if unknown := set(arguments.names) - set(REGISTRY):
        parser.error(f"no such attack: {', '.join(sorted(unknown))}")
    if arguments.list:
        print("\n".join(REGISTRY))
        return 0
    chosen = [one for name, one in REGISTRY.items() if not arguments.names or name in arguments.names]
    # A command that is told to stop removes what it made.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    with Stage(requests=arguments.requests) as stage:
        found = list(run(chosen, stage, arguments.seconds))
    print(table(found))
    if arguments.json:
        write(arguments.json, found)
    return int(any(outcome.broken for _, outcome in found))


if __name__ == "__main__":
    sys.exit(main())
