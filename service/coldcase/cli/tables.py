"""`coldcase table …`: rule tables as files."""

import argparse
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from coldcase.cli.talk import Commands, WrongUse, as_json, command, result
from coldcase.core.checking import flaws
from coldcase.core.compiled import Book, compile_table
from coldcase.core.rule_table import digest, from_document
from coldcase.core.starter import assemble
from coldcase.errors import BadRuleTable
from coldcase.shipped import starter_table


def add_commands(commands: Commands) -> None:
    """Adds `table`."""
    group = commands.add_parser("table", help="Rule tables as files.").add_subparsers(metavar="COMMAND", required=True)
    check = command(group, "check", check_table, "Say everything that is wrong with a rule table; exit 1 if anything is.")
    check.add_argument("path", help="a folder of TOML files, or one JSON file")
    check.add_argument("--json", action="store_true")


def check_table(args: argparse.Namespace, _: Mapping[str, str]) -> int:
    """Prints the digest of a sound table; raises `BadRuleTable` with every flaw of another."""
    document = read_document(args.path)
    found = tuple(flaws(document))
    if args.json:
        as_json({"digest": None if found else digest(from_document(document)), "flaws": found})
        return 1 if found else 0
    if found:
        raise BadRuleTable(found)
    result(digest(from_document(document)))
    return 0


def read_document(path: str) -> Any:
    """The document of a rule table on disk. Raises `WrongUse` if nothing there can be read as one."""
    place = Path(path)
    try:
        if place.is_dir():
            return assemble({file.relative_to(place).as_posix(): file.read_text("utf-8") for file in place.rglob("*.toml")})
        return msgspec.json.decode(place.read_bytes())
    except OSError as error:
        raise WrongUse(f"{path}: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, msgspec.DecodeError, UnicodeDecodeError, KeyError) as error:
        raise WrongUse(f"{path}: not a rule table: {error}") from error


def book_of(path: str | None) -> Book:
    """The book of a rule table on disk, or the starter's. Raises `BadRuleTable`."""
    if path is None:
        table = starter_table()
        return compile_table(table, version=None, digest=digest(table))
    document = read_document(path)
    if found := tuple(flaws(document)):
        raise BadRuleTable(found)
    table = from_document(document)
    return compile_table(table, version=None, digest=digest(table))
