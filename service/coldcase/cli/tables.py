"""`coldcase table …`: rule tables as files, and between files and the record."""

import argparse
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase import governing
from coldcase.backtesting.comparing import ComparisonTally, result_of
from coldcase.backtesting.result_text import result_text
from coldcase.backtesting.trying import compare_library
from coldcase.cli import database
from coldcase.cli.console import Commands, WrongUse, as_json, command, result, say
from coldcase.core import checking, diffing
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.diff_text import diff_text
from coldcase.core.rule_table import canonical_table, table_digest
from coldcase.core.table_files import assemble
from coldcase.db import rule_tables, table_changes
from coldcase.db.engine import run_once
from coldcase.db.rule_tables import StoredTable
from coldcase.errors import BadRuleTable
from coldcase.shipped import LIBRARIES, case_library, starter_table


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
    tried = command(
        group,
        "backtest",
        run_backtest_table,
        "Say what a rule table would code otherwise of a library of cases; exit 1 if anything.",
    )
    tried.add_argument("path", help="as for `check`")
    tried.add_argument("--against", metavar="PATH", help="the table to compare with (default: the starter)")
    tried.add_argument("--library", choices=list(LIBRARIES), default="worked")
    tried.add_argument("--json", action="store_true")
    add_record_parsers(group)


def add_record_parsers(group: Commands) -> None:
    """Adds those of the commands that know the record."""
    export = command(
        group, "export", run_export_table, "Print a rule table as JSON, the same bytes for the same table."
    )
    export.add_argument("version", help="its number on the record, `current`, or `starter`")
    database.add_flags(export)
    diff = command(
        group,
        "diff",
        run_diff_tables,
        "Say what the second has otherwise than the first; exit 1 if anything.",
    )
    for name in ("old", "new"):
        diff.add_argument(name, help="a path, a number on the record, `current`, or `starter`")
    diff.add_argument("--json", action="store_true")
    database.add_flags(diff)
    added = command(
        group,
        "import",
        run_import_table,
        "As the owner: make a rule table a draft on the record; another person approves it.",
    )
    added.add_argument("path", help="as for `check`, or `starter`; it may be flawed")
    added.add_argument("--person", required=True, help="whose draft it is")
    added.add_argument("--note", help="why it is made")
    added.add_argument(
        "--based-on", type=int, metavar="VERSION", help="a published one (default: the current)"
    )
    database.add_owner_flags(added)


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


def run_backtest_table(args: argparse.Namespace, _: Mapping[str, str]) -> int:
    """Prints what changes; raises `BadRuleTable` with every flaw of a table that has any."""
    base, draft, tally = compiled_from(args.against), compiled_from(args.path), ComparisonTally()
    compare_library(case_library(args.library), base, draft, tally)
    found = result_of(tally)
    if args.json:
        named = {"before": base.digest, "after": draft.digest, "library": args.library}
        as_json({**named, "result": found})
    else:
        result(result_text(found).rstrip("\n"))
    return 1 if found.changed or found.unreadable else 0


NUMBERED = re.compile("current|[1-9][0-9]{0,8}")


def run_export_table(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints the document."""
    if args.version != "starter" and not NUMBERED.fullmatch(args.version):
        raise WrongUse(f"'{args.version}' is no rule table: name its number, `current` or `starter`.")
    document = _document(args.version, args, environ, on_record=True)
    result(msgspec.json.format(document, indent=2).decode())
    return 0


def run_diff_tables(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints the difference; raises `BadRuleTable` for a table whose shape is wrong."""
    documents = [_document(name, args, environ) for name in (args.old, args.new)]
    old, new = (governing.shaped_document(document) for document in documents)
    found = diffing.diff_tables(old, new)
    if args.json:
        named = {
            side: {"name": name, "digest": table_digest(table)}
            for side, name, table in (("old", args.old, old), ("new", args.new, new))
        }
        as_json({**named, "diff": found})
    else:
        result(diff_text(found, args.old, args.new).rstrip("\n"))
    return 1 if found.stations else 0


def run_import_table(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Makes a draft; prints its number."""
    if not args.person.strip():
        raise WrongUse("--person names whoever made the draft.")
    document = _document(args.path, args, environ, on_record=False)
    actor = msgspec.structs.replace(database.command_line_actor(), person=args.person.strip())

    async def make(conn: AsyncConnection) -> StoredTable:
        base = args.based_on or await rule_tables.current_version(conn)
        version = await table_changes.add_draft(
            conn, based_on=base, note=args.note, document=document, actor=actor
        )
        return await rule_tables.get_table(conn, version)

    made = database.as_owner(args, environ, make)
    flaws = len(governing.flaws_of(made))
    say(
        f"coldcase: draft {made.version}, based on {made.based_on}, {made.digest}; {flaws or 'no'} flaws; "
        f"see `coldcase table diff {made.based_on} {made.version}`"
    )
    result(str(made.version))
    return 0


def _document(
    name: str, args: argparse.Namespace, environ: Mapping[str, str], *, on_record: bool | None = None
) -> bytes:
    """The canonical document of a table on disk, on the record (either, where `on_record` does not say), or
    of the starter.
    """
    if name == "starter":
        return canonical_table(starter_table())
    if on_record is None:
        on_record = bool(NUMBERED.fullmatch(name)) and not Path(name).exists()
    if not on_record:
        return governing.draft_document(read_document(name))

    async def stored(conn: AsyncConnection) -> StoredTable:
        version = await rule_tables.current_version(conn) if name == "current" else int(name)
        return await rule_tables.get_table(conn, version)

    with database.reading_url(database.read_settings(args, environ)) as url:
        return run_once(url, stored).document


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
