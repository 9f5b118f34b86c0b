"""`coldcase classify`: one case through the engine, with no database and no server, nothing recorded.

Where a record is named, it is asked which rule table answers there; whether it can be reached or not, the
case is answered.
"""

import argparse
import sys
from collections.abc import Mapping

from sqlalchemy import make_url
from sqlalchemy.exc import SQLAlchemyError

from coldcase import classifying, governing
from coldcase.cli import database, render
from coldcase.cli.console import Commands, command, read_file, result, say
from coldcase.cli.tables import table_from
from coldcase.core.compiled_table import compile_table
from coldcase.core.diff_text import counted
from coldcase.core.diffing import diff_tables
from coldcase.core.rule_table import RuleTable, table_digest
from coldcase.db import rule_tables
from coldcase.db.engine import run_once
from coldcase.db.rule_tables import StoredTable
from coldcase.errors import ColdcaseError
from coldcase.settings import Settings

LONGEST_S = 3
"""How long a record may take to let the command in."""


def add_case_commands(commands: Commands) -> None:
    """Adds `classify`."""
    added = command(
        commands, "classify", run_classify, "Classify one case: no database, no server, nothing recorded."
    )
    added.add_argument("file", help="a case as JSON; - for standard input")
    added.add_argument(
        "--table",
        metavar="PATH",
        help="a rule table as a folder of TOML files or one JSON file; else the starter table",
    )
    added.add_argument(
        "--lenient", action="store_true", help="leave out what is wrong with the case and name it"
    )
    added.add_argument(
        "--json", action="store_true", help="print the answer as JSON, as the service sends it"
    )
    database.add_flags(added)


def run_classify(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints the answer to one case; and to whom it may concern by which table, and how that differs from the
    one of the record, if one is named.
    """
    chosen = database.read_settings(args, environ)
    table = table_from(args.table)
    compiled = compile_table(table, version=None, digest=table_digest(table))
    parsed = classifying.read_case(read_file(args.file), compiled, lenient=args.lenient)
    answer = classifying.answer_case(parsed, compiled)
    if args.json:
        result(classifying.encode_answer(answer).decode())
    else:
        render.show(answer, compiled, sys.stdout)
    say(f"coldcase: answered by {args.table or 'the starter table'}, {compiled.digest}")
    named = args.data_dir is not None or "COLDCASE_DATA_DIR" in environ
    if chosen.database_url is not None or named:
        say(f"coldcase: {_against_record(table, args.table or 'starter', chosen)}")
    return 0


def _against_record(table: RuleTable, name: str, chosen: Settings) -> str:
    """How the table that answered differs from the one that answers on record."""
    try:
        stored = _current(chosen)
    except (ColdcaseError, SQLAlchemyError) as error:
        why = error.detail if isinstance(error, ColdcaseError) else str(error).splitlines()[0]
        return f"which rule table answers on record cannot be told: {why}"
    there = f"on record rule table {stored.version} answers, {stored.digest}"
    if stored.digest == table_digest(table):
        return f"{there}: the same"
    diff = diff_tables(governing.shaped_table(stored), table)
    return f"{there}; against it {counted(diff)}: `coldcase table diff current {name}`"


def _current(chosen: Settings) -> StoredTable:
    if chosen.database_url is None:
        with database.reading_url(chosen) as url:
            return run_once(url, rule_tables.current_table)
    in_time = make_url(chosen.database_url).update_query_dict({"connect_timeout": str(LONGEST_S)})
    return run_once(in_time.render_as_string(hide_password=False), rule_tables.current_table)
