"""`coldcase pack`: the answers that a release before kept as text, packed beside a service that runs."""

import argparse
import asyncio
from collections.abc import Mapping

from sqlalchemy.ext.asyncio import create_async_engine

from coldcase import dictionaries
from coldcase.cli import database
from coldcase.cli.console import Commands, command, say
from coldcase.db.engine import driver_url
from coldcase.dictionaries import Progress
from coldcase.governing import compile_stored


def add_packing_command(commands: Commands) -> None:
    """Adds `pack`."""
    added = command(
        commands,
        "pack",
        run_pack,
        "As the owner: pack the answers that are kept as text; stopped, it goes on where it was.",
    )
    database.add_owner_flags(added)


def run_pack(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Packs until nothing is left; says how much that saved."""
    chosen = database.read_settings(args, environ)
    with database.owner_url(chosen, new=False) as url:
        database.check_database(url, data_dir=None if chosen.owner_url else chosen.data_dir)
        done = asyncio.run(_packed(url))
    saved = f", {done.before:,} bytes became {done.now:,}" if done.packed else ""
    say(f"coldcase: {done.packed:,} answers packed{saved}")
    return 0


async def _packed(url: str) -> Progress:
    engine = create_async_engine(
        driver_url(url), pool_size=2, connect_args={"application_name": "coldcase pack"}
    )
    progress = Progress()
    try:
        await dictionaries.pack_texts(engine, compile_stored, progress)
    finally:
        await engine.dispose()
    return progress
