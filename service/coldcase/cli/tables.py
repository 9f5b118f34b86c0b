"""`coldcase table …`: rule tables as files."""

import argparse
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from coldcase.cli.console import Commands, WrongUse, as_json, command, result
from coldcase.core import checking
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.rule_table import table_digest
from coldcase.core.table_files import assemble
from coldcase.errors import BadRuleTable
from coldcase.shipped import starter_table


def add_table_commands(commands: Commands) -> None:
    """Adds `table`."""
    group = commands.add_parser("table", help="Rule tables as files.").add_subparsers(
        metavar="COMMAND", required=True
    )
    check = command(
        group,
        "check",
        run_check_table,
        "Say everything that is wrong with a rule table; exit 1 if anything is.",
    )
    check.add_argument(
        "path", help="a folder of TOML files, or one JSON file, also as `GET /v1/rule-tables/…` answers it"
    )
    check.add_argument("--json", action="store_true")


def run_check_table(args: argparse.Namespace, _: Mapping[str, str]) -> int:
    """Prints the digest of a sound table; raises `BadRuleTable` with every flaw of another."""
    try:
        named = table_digest(checking.read_table(read_document(args.path)))
    except BadRuleTable as error:
        if not args.json:
            raise
        as_json({"digest": None, "flaws": error.flaws})
        return 1
    if args.json:
        as_json({"digest": named, "flaws": []})
    else:
        result(named)
    return 0


def read_document(path: str) -> Any:
    """The document of a rule table on disk. Raises `WrongUse` if nothing there can be read as one."""
    place = Path(path)
    try:
        if place.is_dir():
            return assemble(
                {
                    file.relative_to(place).as_posix(): file.read_text("utf-8")
                    for file in place.rglob("*.toml")
                }
            )
        document = msgspec.json.decode(place.read_bytes())
        # As the service hands it out: the table stands under `content`, beside its number and state.
        return (
            document["content"]
            if isinstance(document, dict) and isinstance(document.get("content"), dict)
            else document
        )
    except OSError as error:
        raise WrongUse(f"{path}: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, msgspec.DecodeError, UnicodeDecodeError, KeyError) as error:
        raise WrongUse(f"{path}: not a rule table: {error}") from error


def compiled_from(path: str | None) -> CompiledTable:
    """A rule table on disk, or the starter's, compiled. Raises `BadRuleTable`."""
    table = starter_table() if path is None else checking.read_table(read_document(path))
    return compile_table(table, version=None, digest=table_digest(table))
