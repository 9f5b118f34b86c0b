"""`coldcase classify`: one case through the engine, with no database and no server, nothing recorded."""

import argparse
import sys
from collections.abc import Mapping

from coldcase import classifying
from coldcase.cli import paper
from coldcase.cli.tables import book_of
from coldcase.cli.talk import Commands, command, read_file, result


def add_commands(commands: Commands) -> None:
    """Adds `classify`."""
    added = command(commands, "classify", classify, "Classify one case: no database, no server, nothing recorded.")
    added.add_argument("file", help="a case as JSON; - for standard input")
    added.add_argument("--table", metavar="PATH", help="a rule table as a folder of TOML files or one JSON file; else the starter table")
    added.add_argument("--lenient", action="store_true", help="leave out what is wrong with the case and name it")
    added.add_argument("--json", action="store_true", help="print the answer as JSON, as the service sends it")


def classify(args: argparse.Namespace, _: Mapping[str, str]) -> int:
    """Prints the answer to one case."""
    book = book_of(args.table)
    taken = classifying.read(read_file(args.file), book, lenient=args.lenient)
    answer = classifying.explain(taken, book)
    if args.json:
        result(classifying.encode(answer).decode())
    else:
        paper.show(answer, book, sys.stdout)
    return 0
