"""`coldcase report`: the report of a decision as a file of its own, for whoever has the record at hand."""

import argparse
from collections.abc import Mapping
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase import decision_record, governing
from coldcase.cli import database
from coldcase.cli.console import Commands, WrongUse, command, result
from coldcase.core.answer import Answer
from coldcase.db import decisions, rule_tables
from coldcase.db.engine import run_once
from coldcase.web import pages


def add_report_command(commands: Commands) -> None:
    """Adds `report`."""
    says = (
        "Print the report of a decision as a page that needs nothing else: coldcase report ID > report.html."
    )
    added = command(commands, "report", run_report, says)
    added.add_argument("id", help="of the decision, as its answer has it")
    database.add_flags(added)


def run_report(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints the page; whoever reads the record needs no key."""
    try:
        id_ = UUID(args.id)
    except ValueError:
        raise WrongUse(f"'{args.id[:64]}' is no id of a decision.") from None

    async def page(conn: AsyncConnection) -> str:
        await decisions.view_as(conn, 0, reads_all=True)
        record = await decision_record.decision_in_context(conn, id_)
        found = record.decision
        stored = await rule_tables.get_table(conn, found.rule_table)
        # What is counted of verdicts is the client's own, as on the page that the service shows.
        await decisions.view_as(conn, found.client_id)
        around = await decision_record.surroundings_of(conn, found)
        answer = msgspec.json.decode(found.answer, type=Answer)
        case = msgspec.json.decode(found.case)
        return pages.report(answer, case, governing.compile_stored(stored), record, around=around)

    with database.reading_url(database.read_settings(args, environ)) as url:
        result(run_once(url, page))
    return 0
