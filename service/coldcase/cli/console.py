"""How commands talk: results to standard output, everything else to standard error."""

import argparse
import os
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import msgspec

from coldcase.errors import ColdcaseError, Flawed

Run = Callable[[argparse.Namespace, Mapping[str, str]], int]
Commands = Any
"""What `ArgumentParser.add_subparsers` gives back; argparse keeps the class private."""


class WrongUse(ColdcaseError):
    """The command was not used as it should be."""

    code = "wrong_use"


def say(line: str) -> None:
    """A line of talk."""
    print(line, file=sys.stderr, flush=True)


def result(line: str) -> None:
    """A line of result."""
    print(line, flush=True)


def confirmed(question: str) -> bool:
    """Whether a person at the terminal says yes. Raises WrongUse where nobody can be asked."""
    if not sys.stdin.isatty():
        raise WrongUse("Nobody can be asked here: say --yes, or --dry-run.")
    print(f"{question} [y/N] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def as_json(value: Any) -> None:
    """A result that a program may read."""
    result(msgspec.json.format(msgspec.json.encode(value), indent=2).decode())


def complain(error: ColdcaseError) -> None:
    """What went wrong, with every flaw."""
    say(f"coldcase: {error.detail}")
    for flaw in error.flaws if isinstance(error, Flawed) else ():
        meant = f" Did you mean '{flaw.suggestion}'?" if flaw.suggestion else ""
        say(f"  {flaw.pointer or '/'}: {flaw.detail}{meant}")


def command(commands: Commands, name: str, run: Run, says: str) -> argparse.ArgumentParser:
    """Adds one command."""
    added: argparse.ArgumentParser = commands.add_parser(name, help=says, description=says)
    added.set_defaults(run=run)
    return added


def first_line() -> bytes:
    """The first line of standard input, and not a byte of what comes after it."""
    line = b""
    while not line.endswith(b"\n") and (byte := os.read(sys.stdin.fileno(), 1)):
        line += byte
    return line


def read_file(name: str) -> bytes:
    """A file's bytes, or those of standard input for `-`."""
    if name == "-":
        return sys.stdin.buffer.read()
    try:
        return Path(name).read_bytes()
    except OSError as error:
        raise WrongUse(f"{name}: {error.strerror}") from error
