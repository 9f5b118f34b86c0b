"""`coldcase table …`: rule tables as files, and between files and the record."""

import argparse
import re
import tomllib
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase import governing
from coldcase.backtesting.comparing import ComparisonTally, result_of
from coldcase.backtesting.result_text import result_text
from coldcase.backtesting.trying import compare_library
from coldcase.cli import database
from coldcase.cli.console import Commands, WrongUse, as_json, command, result, say
from coldcase.cli.learning import add_learning_parsers
from coldcase.cli.sheets import read_sheets, write_sheets
from coldcase.core import checking, diffing
from coldcase.core.compiled_table import CompiledTable, compile_table
from coldcase.core.diff_text import diff_text
from coldcase.core.learning import LearnedNumber, with_confirmed
from coldcase.core.rule_table import RuleTable, canonical_table, digest_of, table_digest
from coldcase.core.table_files import assemble
from coldcase.db import rule_tables, table_changes
from coldcase.db.engine import run_once
from coldcase.db.proposals import proposed_numbers
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
    add_learning_parsers(group)


def add_record_parsers(group: Commands) -> None:
    """Adds those of the commands that know the record."""
    export = command(
        group, "export", run_export_table, "Print a rule table as JSON, the same bytes for the same table."
    )
    export.add_argument("version", help="its number on the record, `current`, or `starter`")
    export.add_argument("--sheets", metavar="FOLDER", help="three CSV files for a spreadsheet instead")
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
    added.add_argument("path", nargs="?", help="as for `check`, or `starter`; it may be flawed")
    added.add_argument("--sheets", metavar="FOLDER", help="edited sheets in the place of a path")
    added.add_argument(
        "--base", metavar="TABLE", help="what the sheets were made of: a path, a number, `current`, `starter`"
    )
    added.add_argument("--dry-run", action="store_true", help="print the document, record nothing")
    added.add_argument("--person", help="whose draft it is")
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
    if args.sheets is not None:
        write_sheets(document, args.sheets)
        say(f"coldcase: sheets of {args.version}, {digest_of(document)}")
        return 0
    result(msgspec.json.format(document, indent=2).decode())
    return 0


def run_diff_tables(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints the difference; raises `BadRuleTable` for a table whose shape is wrong."""
    documents = [_document(name, args, environ) for name in (args.old, args.new)]
    old, new = (governing.shaped_document(document) for document in documents)
    found = diffing.diff_tables(old, new)
    if (numbers := _learned_numbers(args.new, args, environ)) is not None:
        found = with_confirmed(found, msgspec.json.decode(numbers, type=list[LearnedNumber]))
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
    """Makes a draft; prints its number. Raises `BadTableRequest` with every cell of a sheet that cannot be
    read.
    """
    if (args.path is None) == (args.sheets is None) or (args.sheets is None) != (args.base is None):
        raise WrongUse(
            "Name a path, or edited sheets by --sheets with the table they were made of by --base."
        )
    if not (args.dry_run or (args.person or "").strip()):
        raise WrongUse("--person names whoever made the draft.")
    base = None
    if args.sheets is None:
        document = _document(args.path, args, environ, on_record=False)
    else:
        base = _base(args, environ)
        document = governing.edited_by_sheets(base.document, read_sheets(args.sheets))
    if args.dry_run:
        say(f"coldcase: it would be {digest_of(document)}; nothing is recorded")
        result(msgspec.json.format(document, indent=2).decode())
        return 0
    actor = msgspec.structs.replace(database.command_line_actor(), person=args.person.strip())

    async def make(conn: AsyncConnection) -> StoredTable:
        on = args.based_on or (base and base.published) or await rule_tables.current_version(conn)
        version = await table_changes.add_draft(
            conn, based_on=on, note=args.note, document=document, actor=actor
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


class _Base(NamedTuple):
    """What sheets were made of, and the published version that it is, or that it is based on, if any."""

    document: bytes
    published: int | None


def _base(args: argparse.Namespace, environ: Mapping[str, str]) -> _Base:
    name: str = args.base
    if name == "starter" or not NUMBERED.fullmatch(name) or Path(name).exists():
        return _Base(_document(name, args, environ, on_record=False), None)
    if args.dry_run and database.read_settings(args, environ).owner_url is None:
        stored = _stored(name, args, environ)
    else:
        stored = database.as_owner(args, environ, _named(name))
    return _Base(stored.document, stored.version if stored.immutable else stored.based_on)


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
    return _stored(name, args, environ).document


def _stored(name: str, args: argparse.Namespace, environ: Mapping[str, str]) -> StoredTable:
    with database.reading_url(database.read_settings(args, environ)) as url:
        return run_once(url, _named(name))


def _learned_numbers(name: str, args: argparse.Namespace, environ: Mapping[str, str]) -> str | None:
    """Where the numbers of a version on record come from, if it was proposed from verdicts."""
    if not name.isdecimal() or Path(name).exists():
        return None
    with database.reading_url(database.read_settings(args, environ)) as url:
        return run_once(url, lambda conn: proposed_numbers(conn, int(name)))


def _named(name: str) -> Callable[[AsyncConnection], Awaitable[StoredTable]]:
    async def stored(conn: AsyncConnection) -> StoredTable:
        version = await rule_tables.current_version(conn) if name == "current" else int(name)
        return await rule_tables.get_table(conn, version)

    return stored


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


def table_from(path: str | None) -> RuleTable:
    """A rule table on disk, or the starter's. Raises `BadRuleTable`."""
    return starter_table() if path is None else checking.read_table(read_document(path))


def compiled_from(path: str | None) -> CompiledTable:
    """The same, compiled."""
    table = table_from(path)
    return compile_table(table, version=None, digest=table_digest(table))
