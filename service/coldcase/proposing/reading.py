"""Judged cases read from the record a page at a time, and a table learned from them."""

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence

from coldcase.backtesting.running import Pace
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.learning import Learned, PriorStrength
from coldcase.db import proposals
from coldcase.db.backtests import newest_decision, see_decisions_of
from coldcase.db.proposals import JudgedCase
from coldcase.db.transactions import Transaction
from coldcase.proposing.learner import Learner, Page, with_known_causes
from coldcase.proposing.summary import ProposalSummary

CASES_AT_A_TIME = 200

Told = Callable[[int, int], Awaitable[None]]
"""Takes notice of how far it is: readings of a case done, of all."""


async def nobody_told(_done: int, _total: int) -> None:
    """For where nobody asks how far it is."""


class StoppedEarly(Exception):
    """Whoever works was told to stop."""


class JudgedRecord:
    """The judged cases of one client, or of all (None)."""

    def __init__(self, begin: Transaction, client_id: int | None, pace: Pace) -> None:
        self._begin = begin
        self._client_id = client_id
        self._pace = pace

    async def cases(self) -> list[JudgedCase]:
        """All of them, without their texts."""
        async with self._begin() as conn:
            await see_decisions_of(conn, self._client_id)
            return await proposals.judged_cases(conn, self._client_id)

    async def pages(self, cases: Sequence[JudgedCase]) -> AsyncIterator[Page]:
        """The cases with their texts, rested after each page as the pace has it. One that was taken out of
        the record meanwhile is left out. Raises StoppedEarly.
        """
        for start in range(0, len(cases), CASES_AT_A_TIME):
            if self._pace.stopping.is_set():
                raise StoppedEarly
            some = cases[start : start + CASES_AT_A_TIME]
            async with self._begin() as conn:
                await see_decisions_of(conn, None)
                self._pace.recorded(await newest_decision(conn))
                await see_decisions_of(conn, self._client_id)
                texts = await proposals.case_texts(conn, [case.id for case in some])
            began = time.perf_counter()
            yield [(case, texts[case.id]) for case in some if case.id in texts]
            await self._pace.rest(self._pace.rest_after(time.perf_counter() - began))


async def learn(
    record: JudgedRecord, base: CompiledTable, strength: PriorStrength, told: Told = nobody_told
) -> tuple[Learned, ProposalSummary]:
    """What the judged cases make of a table; without numbers where nothing is to be proposed. Raises
    StoppedEarly.
    """
    cases, left_out = with_known_causes(await record.cases(), base)
    learner = Learner(base, cases, strength)

    async def read(work: Callable[[Page], None], done: int) -> None:
        async for page in record.pages(cases):
            await asyncio.to_thread(work, page)
            done += len(page)
            await told(done, 2 * len(cases))

    await read(learner.count, 0)
    if await asyncio.to_thread(learner.fit):
        await read(learner.try_out, len(cases))
    return await asyncio.to_thread(learner.result, left_out)
