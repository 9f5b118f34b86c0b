"""What verdicts have seen of each row of a rule table; counted in a process beside the service."""

import asyncio
import sys
import time
from asyncio.subprocess import PIPE, Process
from contextlib import suppress
from functools import partial

import msgspec
import structlog

from coldcase.core.compiled_table import CompiledTable
from coldcase.core.verdict_counts import RowEvidence, VerdictCounts, row_evidence
from coldcase.errors import Busy
from coldcase.proposing.learner import count_page, with_known_causes
from coldcase.proposing.reading import JudgedRecord

_logger = structlog.get_logger(__name__)

WAIT_SECONDS = 20.0
"""How long a caller waits for the count; then he is told to ask again."""

KEPT_SECONDS = 60.0
"""For how long a count is good enough."""

LONGEST_SECONDS = 900.0
MOST_COUNTS = 4
"""Counts that are kept, and that may wait."""


class TableEvidence(msgspec.Struct, frozen=True, kw_only=True):
    """What verdicts have seen of the table with this digest: `judged` cases count, `left_out` counts cases,
    and single observations, that do not, by reason. `rows` has each row of which a case was judged.
    """

    digest: str
    judged: int
    left_out: dict[str, int]
    rows: list[RowEvidence]


async def count_evidence(record: JudgedRecord, compiled: CompiledTable) -> TableEvidence:
    """The count of all judged cases of a record."""
    cases, left_out = with_known_causes(await record.cases(), compiled)
    counts = VerdictCounts()
    by_id = dict.fromkeys([case.id for case in cases], counts)
    async for page in record.pages(cases):
        await asyncio.to_thread(count_page, page, compiled, by_id)
    return TableEvidence(
        digest=compiled.digest,
        judged=counts.judged.total(),
        left_out=dict(sorted({**counts.left_out, **left_out}.items())),
        rows=row_evidence(compiled.table, counts),
    )


class EvidenceOrders(msgspec.Struct, frozen=True):
    """What the process is told by its standard input: its record, and whose verdicts (null: all clients')."""

    database_url: str
    client_id: int | None


class _Count(msgspec.Struct, frozen=True):
    at: float
    found: TableEvidence


class EvidenceDesk:
    """Has evidence counted, one count at a time, and keeps the last few."""

    def __init__(self, database_url: str) -> None:
        self._url = database_url
        self._one_at_a_time = asyncio.Lock()
        self._kept: dict[tuple[str, int | None], _Count] = {}
        self._running: dict[tuple[str, int | None], asyncio.Task[TableEvidence]] = {}

    async def evidence(self, version: int, digest: str, client_id: int | None) -> TableEvidence:
        """What verdicts of a client, or of all, have seen of a version that has this digest. Raises Busy
        where it takes long: then it is counted on, to be asked for again.
        """
        name = digest, client_id
        kept = self._kept.get(name)
        if kept is not None and time.monotonic() - kept.at < KEPT_SECONDS:
            return kept.found
        if name not in self._running:
            if len(self._running) >= MOST_COUNTS:
                raise Busy("Other verdicts are being counted: ask again in a moment.")
            task = asyncio.create_task(self._count(name, version), name=f"evidence of rule table {version}")
            task.add_done_callback(partial(self._ended, name))
            self._running[name] = task
        done, _ = await asyncio.wait({self._running[name]}, timeout=WAIT_SECONDS)
        if not done:
            raise Busy("The verdicts are still being counted: ask again in a moment.")
        return done.pop().result()

    def _ended(self, name: tuple[str, int | None], task: asyncio.Task[TableEvidence]) -> None:
        del self._running[name]
        if not task.cancelled() and (error := task.exception()) is not None:
            # Whoever asked may be gone.
            _logger.warning("verdicts could not be counted", why=str(error))

    async def close(self) -> None:
        """Ends what is being counted."""
        running = list(self._running.values())
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)

    async def _count(self, name: tuple[str, int | None], version: int) -> TableEvidence:
        async with self._one_at_a_time:
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "coldcase", "table", "evidence", str(version), "--supervised"),
                stdin=PIPE,
                stdout=PIPE,
            )
            try:
                orders = msgspec.json.encode(EvidenceOrders(self._url, name[1]))
                async with asyncio.timeout(LONGEST_SECONDS):
                    counted, _ = await process.communicate(orders + b"\n")
            except TimeoutError:
                raise Busy("The verdicts could not be counted in time.") from None
            finally:
                _end(process)
        if process.returncode:
            raise Busy("The verdicts could not be counted just now: ask again in a moment.")
        found = await asyncio.to_thread(msgspec.json.decode, counted, type=TableEvidence)
        if found.digest != name[0]:
            raise Busy("The draft was edited meanwhile: ask again.")
        self._kept.pop(name, None)
        while len(self._kept) >= MOST_COUNTS:
            del self._kept[next(iter(self._kept))]
        self._kept[name] = _Count(time.monotonic(), found)
        return found


def _end(process: Process) -> None:
    if process.returncode is None:
        with suppress(ProcessLookupError):
            process.kill()
