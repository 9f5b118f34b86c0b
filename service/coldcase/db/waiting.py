"""A request that waits for its commit, and what the failure of its row means to it."""

import asyncio
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from uuid import UUID

import asyncpg
import msgspec
import structlog

from coldcase.db.clock import DatabaseClock
from coldcase.db.decision_batch import LOST, BatchRow, IdempotencySlot, RecorderConnection
from coldcase.errors import ColdcaseError, KeyInFlight, NotRecordable, StoreAway, SupersedesUnknown
from coldcase.proof.decision_columns import NewDecision

_logger = structlog.get_logger()

WAIT_STATES = frozenset({"55P03", "57014"})  # lock_not_available, query_canceled
VALUE_AT_FAULT = frozenset(
    {"21", "22", "23", "54"}
)  # classes: cardinality, data exception, integrity constraint, program limit
NOTHING_TAKEN = frozenset({"53", "58"})  # classes: insufficient resources (the disk is full), system error
READ_ONLY = "25006"
CHECK_VIOLATION = "23514"
YEAR_10_000 = 253_402_300_800_000  # in milliseconds since 1970


class Recorded(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What stands on record: the answer's bytes, and whether they were there before (the key was used for the
    same case).
    """

    id: UUID
    answer: bytes
    replayed: bool


class WaitingRequest(msgspec.Struct, kw_only=True, gc=False, eq=False):
    """A request that waits for its commit."""

    new: NewDecision
    row: BatchRow
    slot: IdempotencySlot | None
    since: float
    future: "asyncio.Future[Recorded]"

    @property
    def waits_s(self) -> float:
        """For how many seconds it has waited."""
        return asyncio.get_running_loop().time() - self.since

    def answer(self, recorded: Recorded) -> None:
        """Lets the request go on; its caller may have gone away meanwhile."""
        if not self.future.done():
            self.future.set_result(recorded)

    def refuse(self, error: ColdcaseError) -> None:
        """Lets the request fail."""
        if not self.future.done():
            self.future.set_exception(error)


def refuse_all(batch: Iterable[WaitingRequest], error: type[ColdcaseError]) -> None:
    """Each with an error of its own: one exception object raised in many tasks would mix up their
    tracebacks.
    """
    for waiting in batch:
        waiting.refuse(error())


def year_of(id_: UUID) -> int | None:
    """The year that a UUIDv7 begins with, by which decisions are archived; None of any other UUID, or beyond
    the year 9999.
    """
    milliseconds = id_.int >> 80
    return (
        datetime.fromtimestamp(milliseconds / 1000, UTC).year
        if id_.version == 7 and milliseconds < YEAR_10_000
        else None
    )


def lost_with(error: asyncpg.PostgresError) -> bool:
    """Whether the server said that it is going away."""
    return isinstance(error, asyncpg.OperatorInterventionError) and error.sqlstate not in WAIT_STATES


def takes_nothing(error: asyncpg.PostgresError) -> bool:
    """Whether the server records nobody's decision now: its disk is full, or it is read-only."""
    state = error.sqlstate or ""
    return state[:2] in NOTHING_TAKEN or state == READ_ONLY


def is_untimely(error: asyncpg.PostgresError) -> bool:
    """Whether the database refuses a record for its time, which a policy does; or for want of a right."""
    return isinstance(error, asyncpg.InsufficientPrivilegeError)


async def refuse_untimely(
    batch: Sequence[WaitingRequest],
    conn: RecorderConnection,
    clock: DatabaseClock,
    error: asyncpg.PostgresError,
) -> None:
    """The database's clock was set, or this process stood still: what comes next bears the right time."""
    off_s = None
    with suppress(*LOST, asyncpg.PostgresError):
        await conn.read(clock)
        off_s = round((batch[0].new.recorded_at - clock.now()).total_seconds(), 1)
    _logger.error(
        "the database refuses to record: is a clock wrong?",
        off_s=off_s,
        decisions=len(batch),
        error=str(error),
    )
    refuse_all(batch, StoreAway)


async def refuse_superseding(batch: Sequence[WaitingRequest], conn: RecorderConnection) -> None:
    """There is no such decision; one of a year that was taken out may have been there."""
    try:
        archived = await conn.archived()
    except (*LOST, asyncpg.PostgresError) as error:
        _logger.warning("the archived years could not be read", error=str(error))
        return refuse_all(batch, SupersedesUnknown)
    for waiting in batch:
        year = None if waiting.new.supersedes is None else year_of(waiting.new.supersedes)
        gone = (
            f"`supersedes` names a decision of {year}, and that year was taken out of the record "
            "into an archive."
        )
        waiting.refuse(SupersedesUnknown(gone if year in archived else None))
    return None


def without_partition(error: asyncpg.PostgresError) -> bool:
    """Whether there is no partition for a decision's time. The server has no other sign of it than a check
    without a name.
    """
    return error.sqlstate == CHECK_VIOLATION and not error.constraint_name


def fault(error: asyncpg.PostgresError, waiting: WaitingRequest) -> ColdcaseError:
    """What the failure of a single row means to whoever sent it."""
    state = error.sqlstate or ""
    if state in WAIT_STATES and waiting.slot is not None:
        return KeyInFlight()
    if without_partition(error):
        _logger.error(
            "no partition for the time of a decision; is the clock right?",
            recorded_at=waiting.new.recorded_at.isoformat(),
        )
        return StoreAway()
    if state[:2] in VALUE_AT_FAULT:
        _logger.warning("a decision was not recorded", error=str(error), sqlstate=state)
        return NotRecordable()
    _logger.error("the database refuses to record", error=str(error), sqlstate=state)
    return StoreAway()


async def made_partitions(conn: RecorderConnection) -> bool:
    """Whether a partition was missing and is there now."""
    try:
        return await conn.make_partitions() > 0
    except (*LOST, asyncpg.PostgresError) as error:
        _logger.error("the partitions of the record could not be made", error=str(error))  # noqa: TRY400 - the message says it all
        return False
