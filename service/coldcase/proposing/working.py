"""Proposals worked off, one after another, by the process that works off backtests, and under its lock."""

import asyncio
import time
from functools import partial

import msgspec
import structlog

from coldcase import governing
from coldcase.backtesting.running import SAVE_SECONDS, Pace
from coldcase.core.learning import PriorStrength
from coldcase.core.rule_table import canonical_table
from coldcase.db import proposals, rule_tables
from coldcase.db.backtests import hold_turn
from coldcase.db.engine import BACKTESTS, make_engine
from coldcase.db.proposals import FinishedProposal, Proposal
from coldcase.db.transactions import Transaction, transaction
from coldcase.errors import Busy, ColdcaseError, OutcomeUnknown, StoreAway
from coldcase.proposing.reading import JudgedRecord, StoppedEarly, learn
from coldcase.proposing.summary import draft_note

_logger = structlog.get_logger(__name__)


async def work_off_proposals(url: str, pace: Pace) -> int:
    """Works off every proposal that waits, unless another process is at work; how many have ended.

    Raises StoreAway, Busy or OutcomeUnknown where the database is away; what was begun is begun again later.
    """
    engine, ended = make_engine(url, BACKTESTS, connections=3), 0
    try:
        async with engine.connect() as held:
            if not await hold_turn(held):
                return 0
            worker = _ProposalWorker(partial(transaction, engine, BACKTESTS), pace)
            while not pace.stopping.is_set() and (claimed := await worker.claim()) is not None:
                ended += await worker.work(claimed)
    finally:
        await engine.dispose()
    return ended


class _NotOurs(Exception):
    """The proposal was cancelled, or another process has taken it on."""


class _ProposalWorker:
    """Works on one proposal at a time."""

    def __init__(self, begin: Transaction, pace: Pace) -> None:
        self._begin = begin
        self._pace = pace
        self._saved_at = 0.0
        self._total = 0

    async def claim(self) -> Proposal | None:
        """The next one."""
        async with self._begin() as conn:
            return await proposals.claim_proposal(conn)

    async def work(self, mine: Proposal) -> bool:
        """Whether it has ended; else it is to be begun again later."""
        named = {"proposal": str(mine.id), "version": mine.rule_table}
        _logger.info("proposal begins", **named)
        try:
            found = await self._found(mine)
            async with self._begin() as conn:
                ended = await proposals.finish_proposal(conn, mine, found)
        except (StoppedEarly, _NotOurs):
            return False
        except (StoreAway, Busy, OutcomeUnknown):
            raise
        except Exception as error:
            # Of this proposal alone: those that wait for it are worked off all the same.
            _logger.exception("proposal failed", **named)
            why = error.detail if isinstance(error, ColdcaseError) else type(error).__name__
            async with self._begin() as conn:
                return await proposals.write_proposal(conn, mine, state="failed", failed_because=why)
        _logger.info("proposal ended", **named)
        return ended

    async def _found(self, mine: Proposal) -> FinishedProposal:
        self._total = 0
        async with self._begin() as conn:
            stored = await rule_tables.get_table(conn, mine.rule_table)
        base = await asyncio.to_thread(governing.compile_stored, stored)
        record = JudgedRecord(self._begin, mine.client_id, self._pace)
        strength = msgspec.json.decode(mine.strength, type=PriorStrength)
        learned, summary = await learn(record, base, strength, partial(self._save, mine))
        await self._write(mine, self._total, self._total)
        found = FinishedProposal(summary=msgspec.json.encode(summary).decode())
        if not learned.numbers:
            return found
        return msgspec.structs.replace(
            found,
            document=await asyncio.to_thread(canonical_table, learned.table),
            note=draft_note(summary, mine.rule_table),
            numbers=msgspec.json.encode(learned.numbers).decode(),
        )

    async def _save(self, mine: Proposal, done: int, total: int) -> None:
        """Writes how far it is, now and then. Raises _NotOurs."""
        self._total = total
        if time.monotonic() - self._saved_at >= SAVE_SECONDS:
            self._saved_at = time.monotonic()
            await self._write(mine, done, total)

    async def _write(self, mine: Proposal, done: int, total: int) -> None:
        async with self._begin() as conn:
            if not await proposals.write_proposal(conn, mine, done=done, total=total):
                raise _NotOurs
