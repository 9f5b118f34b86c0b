"""`coldcase export`: the decisions on record as NDJSON, with case and answer."""

import argparse
import sys
from collections.abc import Mapping
from contextlib import aclosing

from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.cli import database
from coldcase.cli.console import Commands, command
from coldcase.db import export
from coldcase.db.decisions import DecisionFilter, view_as
from coldcase.db.engine import run_once
from coldcase.web.exports import ndjson_lines


def add_export_command(commands: Commands) -> None:
    """Adds `export`."""
    added = command(
        commands,
        "export",
        run_export,
        "Every decision of all clients as NDJSON, with case and answer; the last line says how many.",
    )
    database.add_flags(added)


def run_export(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Writes them to standard output, in the order of recording, in constant memory."""

    async def everything(conn: AsyncConnection) -> None:
        await view_as(conn, 0, reads_all=True)
        rows = export.export_rows(conn, DecisionFilter(), full=True)
        async with aclosing(ndjson_lines(rows, full=True)) as pieces:
            async for piece in pieces:
                sys.stdout.buffer.write(piece)
        sys.stdout.buffer.flush()

    with database.reading_url(database.read_settings(args, environ)) as url:
        run_once(url, everything)
    return 0
