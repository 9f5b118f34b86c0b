"""`coldcase imports`: the process beside the service that works on imports; the service starts it itself."""

import argparse
import os
import socket
import sys
from collections.abc import Mapping
from contextlib import closing
from functools import partial
from typing import Any

from coldcase.cli.console import Commands, WrongUse, command
from coldcase.errors import ColdcaseError, Flawed, as_told
from coldcase.importing.hands import ImportPool
from coldcase.importing.working import work_on_imports
from coldcase.logs import start_logging
from coldcase.web.problems import problem

NICE = 19
"""By how much the process lets others go before it (nice), and those that it begins: all the way. On a busy
machine live cases waited 1.4 times as long beside an import, with 10 it was 3.1 times.
"""


def add_import_commands(commands: Commands) -> None:
    """Adds `imports`."""
    added = command(
        commands,
        "imports",
        run_imports,
        "Work on the imports that `serve` hands over; it starts this by itself.",
    )
    added.add_argument("--log-level", choices=("debug", "info", "warning", "error"), default="info")
    added.add_argument("--jobs", type=int, default=1, help="how many processes answer a large one (1)")


def run_imports(args: argparse.Namespace, _: Mapping[str, str]) -> int:
    """Works until the service is gone."""
    try:
        channel = socket.socket(fileno=os.dup(sys.stdin.fileno()))
    except OSError as error:
        raise WrongUse("`coldcase serve` starts this command; to import, use `coldcase bulk`.") from error
    start_logging(args.log_level)
    os.nice(NICE)
    # Those that it begins are as nice as this one is.
    pool = ImportPool(args.jobs, partial(start_logging, args.log_level), problem_of)
    with channel, closing(pool):
        work_on_imports(channel, problem_of, pool)
    return 0


def problem_of(error: ColdcaseError) -> Any:
    """A refusal as a problem document."""
    return problem(error.code, error.detail, as_told(error.flaws) if isinstance(error, Flawed) else ())
