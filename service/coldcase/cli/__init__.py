"""The command line: one file a group of commands, errors to exit codes in one place.

Exit 0: done. 1: the answer is no. 2: wrong use. Results go to standard output, talk to standard error.
"""

import argparse
import sys
from collections.abc import Mapping, Sequence

from coldcase.cli import (
    backtests,
    bulk,
    cases,
    columns,
    demo,
    documents,
    exporting,
    importing,
    keys,
    packing,
    record,
    reporting,
    serving,
    tables,
)
from coldcase.cli.console import complain
from coldcase.errors import ColdcaseError
from coldcase.logs import log_for_people

COMMANDS = (
    demo.add_demo_commands,
    serving.add_serving_commands,
    keys.add_key_commands,
    cases.add_case_commands,
    tables.add_table_commands,
    record.add_record_commands,
    reporting.add_report_command,
    packing.add_packing_command,
    exporting.add_export_command,
    backtests.add_backtest_commands,
    importing.add_import_commands,
    bulk.add_bulk_commands,
    columns.add_column_commands,
    documents.add_document_commands,
)
WRONG_USE = frozenset(
    {"bad_settings", "data_dir_unusable", "no_embedded_database", "wrong_use", "no_such_file"}
)


def parser() -> argparse.ArgumentParser:
    """The parser of every command."""
    top = argparse.ArgumentParser(prog="coldcase", description="Says why a refrigeration compressor failed.")
    commands = top.add_subparsers(metavar="COMMAND", required=True)
    for add in COMMANDS:
        add(commands)
    return top


def main(args: Sequence[str], environ: Mapping[str, str]) -> int:
    """Runs one command; answers its exit code."""
    try:
        chosen = parser().parse_args(args)
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 2
    log_for_people()
    try:
        return int(chosen.run(chosen, environ))
    except ColdcaseError as error:
        complain(error)
        return 2 if error.code in WRONG_USE else 1
    except BrokenPipeError:
        sys.stderr.close()
        return 1
    except KeyboardInterrupt:
        return 130
