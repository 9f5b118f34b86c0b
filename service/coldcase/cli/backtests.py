"""`coldcase backtests`: works off the backtests and proposals that wait; the service starts one such process
by itself.
"""

import argparse
import asyncio
import os
import signal
import sys
from collections.abc import Mapping

import msgspec

from coldcase.backtesting.running import Pace, work_off
from coldcase.backtesting.supervising import BUSY, Orders
from coldcase.cli import database
from coldcase.cli.console import Commands, command, first_line, say
from coldcase.logs import start_logging
from coldcase.processes import collect_rarely
from coldcase.proposing.working import work_off_proposals
from coldcase.settings import Settings

POLITE = 10
"""By how much the process lets others go before it (nice)."""


def add_backtest_commands(commands: Commands) -> None:
    """Adds `backtests`."""
    added = command(
        commands,
        "backtests",
        run_backtests,
        "Work off the backtests and proposals that wait, unless another process does. `serve` does it by "
        "itself.",
    )
    added.add_argument(
        "--supervised", action="store_true", help="take orders from standard input, as `serve` gives them"
    )
    database.add_flags(added)


def run_backtests(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Works until nothing waits, or until it is told to stop; what is not finished goes on next time."""
    collect_rarely()
    if args.supervised:
        orders = msgspec.json.decode(first_line(), type=Orders)
        start_logging(orders.log_level)
        os.nice(POLITE)
        return asyncio.run(_supervised(orders))
    chosen = database.read_settings(args, environ)
    with database.reading_url(chosen) as url:
        ended = asyncio.run(_alone(url, chosen))
    say(f"coldcase: {ended[0] or 'no'} backtests and {ended[1] or 'no'} proposals ended")
    return 0


async def _alone(url: str, chosen: Settings) -> tuple[int, int]:
    pace = Pace(chosen.backtest_share)
    _stop_by_signal(pace)
    return await work_off(url, pace, chosen.backtest_processes), await work_off_proposals(url, pace)


async def _supervised(orders: Orders) -> int:
    # Until the service has said otherwise: it does so a moment later.
    lately = [True]
    pace = Pace(orders.share, busy=lambda: lately[0])
    _stop_by_signal(pace)
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)

    async def listen_to_the_service() -> None:
        while line := await reader.readline():
            lately[0] = line == BUSY
        pace.stopping.set()

    listening = asyncio.create_task(listen_to_the_service())
    try:
        await work_off(orders.database_url, pace, orders.jobs)
        await work_off_proposals(orders.database_url, pace)
    finally:
        listening.cancel()
    return 0


def _stop_by_signal(pace: Pace) -> None:
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, pace.stopping.set)
