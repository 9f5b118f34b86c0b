"""`coldcase table evidence` and `coldcase table propose`: what verdicts on record say of a rule table."""

import argparse
import asyncio
import os
import sys
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import NamedTuple, TypeVar

import msgspec

from coldcase import governing
from coldcase.backtesting.running import Pace
from coldcase.cli import database
from coldcase.cli.console import Commands, WrongUse, as_json, command, result, say
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.learning import Learned, PriorStrength
from coldcase.core.rule_table import canonical_table, table_digest
from coldcase.core.verdict_counts import RowEvidence, SeenOutcome
from coldcase.db import rule_tables
from coldcase.db.engine import BACKTESTS, make_engine
from coldcase.db.rule_tables import StoredTable
from coldcase.db.transactions import Transaction, transaction
from coldcase.processes import collect_rarely
from coldcase.proposing.evidence import EvidenceOrders, TableEvidence, count_evidence
from coldcase.proposing.reading import JudgedRecord, learn
from coldcase.proposing.summary import ProposalSummary, draft_note

_Result = TypeVar("_Result")

POLITE_COUNT = 10
"""By how much the service's own count lets others go before it (nice)."""


def add_learning_parsers(group: Commands) -> None:
    """Adds them to those of `table`."""
    seen = command(
        group, "evidence", run_evidence, "Say how often verdicts on record saw each row of a rule table."
    )
    seen.add_argument("version", help="its number on the record, or `current`")
    seen.add_argument("--json", action="store_true")
    seen.add_argument(
        "--supervised", action="store_true", help="take orders from standard input, as `serve` gives them"
    )
    database.add_flags(seen)
    proposed = command(
        group,
        "propose",
        run_propose_table,
        "Print the rule table that verdicts on record make of another; exit 1 if nothing moves.",
    )
    proposed.add_argument(
        "version", nargs="?", default="current", help="its number on the record, or `current`"
    )
    proposed.add_argument(
        "--row-strength",
        type=_worth,
        default=PriorStrength().rows,
        metavar="CASES",
        help="what a row counts as",
    )
    proposed.add_argument(
        "--base-rate-strength",
        type=_worth,
        default=PriorStrength().base_rates,
        metavar="CASES",
        help="what the base rates count as",
    )
    proposed.add_argument("--keep-temperature", action="store_true", help="do not fit the temperature")
    proposed.add_argument(
        "--numbers", metavar="FILE", help="write where each number comes from, and how it was tried, as JSON"
    )
    database.add_flags(proposed)


def _worth(text: str) -> float:
    with suppress(ValueError):
        if 1 <= (value := float(text)) <= 1_000_000:
            return value
    raise argparse.ArgumentTypeError("a strength is from 1 to 1,000,000 cases")


def run_evidence(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints it, a row a line; raises `BadRuleTable` for a draft that is flawed."""
    if args.supervised:
        os.nice(POLITE_COUNT)
        orders = msgspec.json.decode(sys.stdin.buffer.readline(), type=EvidenceOrders)
        found = _with_record(orders.database_url, args.version, partial(_counted, orders.client_id))
        sys.stdout.buffer.write(msgspec.json.encode(found))
        return 0
    with database.reading_url(database.read_settings(args, environ)) as url:
        found = _with_record(url, args.version, partial(_counted, None))
    if args.json:
        as_json(found)
        return 0
    say(
        f"coldcase: {found.judged} judged cases"
        + "".join(f"; {why}: {n}" for why, n in found.left_out.items())
    )
    for row in found.rows:
        result(_row_line(row))
    return 0


def _row_line(row: RowEvidence) -> str:
    numbers = ", ".join(_number(one) for one in row.outcomes if one.looked)
    return f"{row.pointer}: judged {row.judged}" + (f"; seen {numbers}" if numbers else "")


def _number(one: SeenOutcome) -> str:
    unclear = f" (unclear {one.unclear})" if one.unclear else ""
    return f"{one.outcome} {one.seen} of {one.looked}{unclear}, table {one.per_hundred:g}"


def run_propose_table(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints the document, so that it can be reviewed as a file; nothing is recorded."""
    strength = PriorStrength(
        rows=args.row_strength,
        base_rates=args.base_rate_strength,
        fit_temperature=not args.keep_temperature,
    )

    async def learned(begin: Transaction, base: CompiledTable) -> _Proposed:
        return _Proposed(base, *await learn(JudgedRecord(begin, None, Pace(1.0)), base, strength))

    collect_rarely()
    with database.reading_url(database.read_settings(args, environ)) as url:
        found = _with_record(url, args.version, learned)
    if not found.learned.numbers:
        say(f"coldcase: nothing to propose from {found.summary.judged} verdicts that name a cause")
        return 1
    if args.numbers is not None:
        _write_numbers(args.numbers, found)
    say(f"coldcase: {draft_note(found.summary, found.base.version or 0)}")
    result(msgspec.json.format(canonical_table(found.learned.table), indent=2).decode())
    return 0


class _Proposed(NamedTuple):
    base: CompiledTable
    learned: Learned
    summary: ProposalSummary


def _write_numbers(name: str, found: _Proposed) -> None:
    told = {
        "base": found.base.digest,
        "digest": table_digest(found.learned.table),
        "summary": found.summary,
        "numbers": found.learned.numbers,
    }
    try:
        Path(name).write_bytes(msgspec.json.format(msgspec.json.encode(told), indent=2) + b"\n")
    except OSError as error:
        raise WrongUse(f"{name}: {error.strerror}") from error


async def _counted(client_id: int | None, begin: Transaction, compiled: CompiledTable) -> TableEvidence:
    return await count_evidence(JudgedRecord(begin, client_id, Pace(1.0)), compiled)


def _with_record(
    url: str, name: str, work: Callable[[Transaction, CompiledTable], Awaitable[_Result]]
) -> _Result:
    """What `work` makes of a version on record."""

    async def connected() -> _Result:
        engine = make_engine(url, BACKTESTS, connections=2)
        try:
            begin = partial(transaction, engine, BACKTESTS)
            return await work(begin, governing.compile_stored(await _stored(begin, name)))
        finally:
            await engine.dispose()

    return asyncio.run(connected())


async def _stored(begin: Transaction, name: str) -> StoredTable:
    async with begin() as conn:
        if name == "current":
            return await rule_tables.current_table(conn)
        if not name.isdecimal() or len(name) > 9:
            raise WrongUse(f"'{name}' is no rule table on record: name its number, or `current`.")
        return await rule_tables.get_table(conn, int(name))
