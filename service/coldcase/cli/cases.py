"""`coldcase classify`: one case through the engine, with no database and no server, nothing recorded."""

import argparse
import sys
from collections.abc import Mapping

from coldcase import classifying
from coldcase.cli import render
from coldcase.cli.console import Commands, command, read_file, result
from coldcase.cli.tables import compiled_from


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


def run_classify(args: argparse.Namespace, _: Mapping[str, str]) -> int:
    """Prints the answer to one case."""
    compiled = compiled_from(args.table)
    parsed = classifying.read_case(read_file(args.file), compiled, lenient=args.lenient)
    answer = classifying.answer_case(parsed, compiled)
    if args.json:
        result(classifying.encode_answer(answer).decode())
    else:
        render.show(answer, compiled, sys.stdout)
    return 0
