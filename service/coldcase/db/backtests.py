"""Backtests on record: one row each, started and cancelled by functions of the database's, worked off by one
process at a time; and the decisions that they read.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Row, Select, func, literal_column, select, text, update
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.answers import PACKERS, STORED_ANSWER, StoredAnswer, stored_answers
from coldcase.db.decisions import DecisionFilter, conditions, view_as
from coldcase.db.events import Actor
from coldcase.db.table_changes import call_as
from coldcase.db.tables import api_key, backtest, decision
from coldcase.errors import NotFound

BacktestState = Literal["waiting", "running", "finished", "cancelled", "failed"]
UNFINISHED = ("waiting", "running")

MOST_ATTEMPTS = 5
"""Processes that may die over a backtest before it counts as failed."""

SAMPLE_PARTS = 1_000_000
"""A sample takes decisions by a hash of their id, of which so many values are told apart."""


class Backtest(msgspec.Struct, frozen=True, kw_only=True):
    """A backtest on record. `client_id` says whose decisions it is tried on, None for all clients'; `asked`
    is the search as JSON, `person` who stands behind the key that started it, `asker` whose client's it is.
    `tally` is what was counted so far, or in the end.
    """

    id: UUID
    rule_table: int
    digest: str
    client_id: int | None
    asked: str
    sample: int | None
    library: str | None
    state: BacktestState
    created_at: datetime
    started_at: datetime | None
    ended_at: datetime | None
    attempts: int
    up_to: UUID | None
    total: int | None
    done: int
    place: UUID | None
    failed_because: str | None
    person: str | None
    asker: int | None
    tally: str | None = None


class NewBacktest(msgspec.Struct, frozen=True, kw_only=True):
    """A backtest to be started, of the table that has this digest; once for one `idempotency_key`, of which
    `fingerprint` is what was asked for.
    """

    id: UUID
    rule_table: int
    digest: str
    client_id: int | None
    asked: str
    sample: int | None
    library: str | None
    idempotency_key: str | None
    fingerprint: bytes


OF_KEY = {"person": api_key.c.person, "asker": api_key.c.client_id.label("asker")}
LISTED_COLUMNS = [
    OF_KEY[name] if name in OF_KEY else backtest.c[name]
    for name in Backtest.__struct_fields__
    if name != "tally"
]


def _selected(*more: ColumnElement[Any]) -> Select[Any]:
    joined = backtest.outerjoin(api_key, api_key.c.id == backtest.c.by_key)
    return select(*LISTED_COLUMNS, *more).select_from(joined)


def _backtest(row: Row[Any]) -> Backtest:
    return Backtest(**row._asdict())


async def started_before(
    conn: AsyncConnection,
    kind: Literal["backtest", "proposal"],
    idempotency_key: str | None,
    fingerprint: bytes,
    actor: Actor,
) -> UUID | None:
    """What the client has started with this key, if anything. Raises KeyReused, ScopeMissing."""
    query = "SELECT started_before(CAST(:key AS uuid), :person, :kind, :idempotency_key, :fingerprint)"
    values = {"kind": kind, "idempotency_key": idempotency_key, "fingerprint": fingerprint}
    found: UUID | None = await call_as(conn, query, values, actor)
    return found


async def record_start(conn: AsyncConnection, new: NewBacktest, actor: Actor) -> tuple[UUID, bool]:
    """Records a backtest that waits, or finds the one that its key stands for; its id, and whether it did the
    latter. Raises NotFound, DigestStale, KeyReused, ScopeMissing, or Busy where many wait.
    """
    query = (
        "SELECT json_build_object('made', made, 'again', again) FROM start_backtest_once(CAST(:key AS uuid),"
        " :person, CAST(:id AS uuid), :rule_table, :digest, :client_id, :asked, :sample, :library,"
        " :idempotency_key, :fingerprint)"
    )
    made = await call_as(conn, query, msgspec.structs.asdict(new), actor)
    return UUID(made["made"]), made["again"]


async def record_cancelled(conn: AsyncConnection, id_: UUID, actor: Actor) -> None:
    """Ends a backtest before its time. Raises NotFound, or WrongState for one that has ended."""
    query = "SELECT cancel_backtest(CAST(:key AS uuid), :person, CAST(:id AS uuid))"
    await call_as(conn, query, {"id": id_}, actor)


async def find_backtest(conn: AsyncConnection, id_: UUID) -> Backtest:
    """The backtest with this id, with its tally. Raises NotFound."""
    counted = func.coalesce(backtest.c.result, backtest.c.tally).label("tally")
    row = (await conn.execute(_selected(counted).where(backtest.c.id == id_))).one_or_none()
    if row is None:
        raise NotFound("There is no such backtest.")
    return _backtest(row)


async def backtests_of(
    conn: AsyncConnection, version: int, *, before: UUID | None, limit: int
) -> list[Backtest]:
    """At most `limit` backtests of a rule table, the newest first, those before an id only."""
    query = _selected().where(backtest.c.rule_table == version).order_by(backtest.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(backtest.c.id < before)
    return [_backtest(row) for row in await conn.execute(query)]


async def nobody_works(conn: AsyncConnection) -> bool:
    """Whether a backtest or proposal waits for a process and none is at work, here or elsewhere."""
    query = text(
        "SELECT (EXISTS (SELECT FROM backtest WHERE state IN ('waiting', 'running'))"
        " OR EXISTS (SELECT FROM proposal WHERE state IN ('waiting', 'running')))"
        " AND pg_try_advisory_xact_lock(hashtext('coldcase backtests'))"
    )
    return bool(await conn.scalar(query))


async def hold_turn(conn: AsyncConnection) -> bool:
    """Whether this connection is from now on, until it is closed, the one whose process works backtests
    off.
    """
    taken = bool(await conn.scalar(text("SELECT pg_try_advisory_lock(hashtext('coldcase backtests'))")))
    await conn.commit()
    return taken


async def claim_backtest(conn: AsyncConnection) -> Backtest | None:
    """The next one to be worked off, one that was begun before first; None if none is left. What kills every
    process that takes it on has failed.
    """
    gone = update(backtest).where(backtest.c.state == "running", backtest.c.attempts >= MOST_ATTEMPTS)
    why = f"{MOST_ATTEMPTS} processes ended while they worked on it"
    await conn.execute(gone.values(state="failed", failed_because=why, ended_at=func.now()))
    following = (
        select(backtest.c.id)
        .where(backtest.c.state.in_(UNFINISHED))
        .order_by(backtest.c.started_at.asc().nulls_last(), backtest.c.id)
        .limit(1)
        .with_for_update()
    )
    id_ = await conn.scalar(following)
    if id_ is None:
        return None
    began = func.coalesce(backtest.c.started_at, func.now())
    await conn.execute(
        update(backtest)
        .where(backtest.c.id == id_)
        .values(state="running", attempts=backtest.c.attempts + 1, started_at=began)
    )
    return await find_backtest(conn, id_)


async def write_progress(conn: AsyncConnection, mine: Backtest, **values: Any) -> bool:
    """Writes members of a backtest that this process works on; whether it still is its own: nobody cancelled
    it, and no other process took it on.
    """
    held = (
        backtest.c.id == mine.id,
        backtest.c.state == "running",
        backtest.c.attempts == mine.attempts,
    )
    if values.get("state") in ("finished", "failed"):
        values["ended_at"] = func.now()
    done = await conn.execute(update(backtest).where(*held).values(**values))
    return done.rowcount == 1


class Tried(msgspec.Struct, frozen=True):
    """The decisions that a backtest is tried on: a search, up to an id, and how many of a million of them."""

    wanted: DecisionFilter
    up_to: UUID | None
    parts: int = SAMPLE_PARTS

    def conditions(self) -> list[ColumnElement[bool]]:
        """The same as conditions on the table of decisions."""
        given = [*conditions(self.wanted)]
        if self.up_to is not None:
            given.append(decision.c.id <= self.up_to)
        if self.parts < SAMPLE_PARTS:
            hashed: ColumnElement[int] = literal_column(
                "(hashtextextended(decision.id::text, 0) & 2147483647)"
            )
            given.append(hashed % SAMPLE_PARTS < self.parts)
        return given


async def see_decisions_of(conn: AsyncConnection, client_id: int | None) -> None:
    """For the rest of this transaction, shows the decisions of a client, or of all."""
    await view_as(conn, client_id or 0, reads_all=client_id is None)


async def newest_decision(conn: AsyncConnection) -> UUID | None:
    """The id of the newest decision that may be seen."""
    found: UUID | None = await conn.scalar(select(decision.c.id).order_by(decision.c.id.desc()).limit(1))
    return found


async def count_decisions(conn: AsyncConnection, tried: Tried) -> int:
    """How many there are."""
    return int(await conn.scalar(select(func.count()).select_from(decision).where(*tried.conditions())) or 0)


class RecordedRow(msgspec.Struct, gc=False):
    """What a backtest reads of a decision; `confidence` in ten-thousandths, `rule_table` and `engine` those
    that answered.
    """

    id: UUID
    client_id: int
    case_text: str
    cause: str
    status: Literal["coded", "provisional", "undetermined"]
    confidence: int
    rule_table: int
    engine: str
    stored: StoredAnswer
    _unpacked: str | None = None

    @property
    def answer_text(self) -> str:
        """The answer, unpacked when it is first asked for: of most nobody does. Raises Unpackable."""
        if self._unpacked is None:
            self._unpacked = PACKERS.text(self.stored)
        return self._unpacked


READ_COLUMNS = [decision.c[name] for name in RecordedRow.__struct_fields__[:-2]]


def recorded_rows(tried: Tried, after: UUID | None, limit: int | None) -> Select[Any]:
    """The query for the next decisions, in the order of their ids."""
    return _after(select(*READ_COLUMNS, *STORED_ANSWER), tried, after).limit(limit)


def _after(query: Select[Any], tried: Tried, after: UUID | None) -> Select[Any]:
    query = query.where(*tried.conditions()).order_by(decision.c.id)
    return query if after is None else query.where(decision.c.id > after)


async def _walk_ids(conn: AsyncConnection) -> None:
    """For the rest of this transaction, lets what comes in the order of ids be read along their index.

    The server believes that of decisions, which a policy guards, one in two hundred may be seen: it would
    read and sort all that are left for the sake of the next few. Pieces are parts of one walk, which takes
    no longer than to count them.
    """
    await conn.execute(
        text("SELECT set_config('enable_sort', 'off', true), set_config('enable_seqscan', 'off', true)")
    )


async def last_of_next(conn: AsyncConnection, tried: Tried, *, after: UUID | None, most: int) -> UUID | None:
    """The id of the last of the next `most` decisions after an id, or of all that are left; None where none
    is.
    """
    await _walk_ids(conn)
    following = _after(select(decision.c.id), tried, after).limit(most).subquery()
    found: UUID | None = await conn.scalar(select(following.c.id).order_by(following.c.id.desc()).limit(1))
    return found


async def read_recorded(
    conn: AsyncConnection, tried: Tried, *, after: UUID | None, limit: int | None = None
) -> list[RecordedRow]:
    """The decisions after an id, at most `limit` of them."""
    await _walk_ids(conn)
    rows = (await conn.execute(recorded_rows(tried, after, limit))).all()
    own, answers = len(READ_COLUMNS), await stored_answers(conn, rows)
    with_stored = [(*row[:own], stored) for row, stored in zip(rows, answers, strict=True)]
    return [RecordedRow(*row) for row in with_stored]


ESTABLISHED = text("""
WITH RECURSIVE back AS (
    SELECT id AS standing, id FROM unnest(CAST(:ids AS uuid[])) AS id
    UNION
    SELECT back.standing, earlier.supersedes FROM back JOIN decision AS earlier ON earlier.id = back.id
    WHERE earlier.supersedes IS NOT NULL
)
SELECT DISTINCT ON (standing) standing, verdict.cause FROM back JOIN verdict ON verdict.decision_id = back.id
ORDER BY standing, verdict.recorded_at DESC, verdict.id DESC
""")


async def established_causes(conn: AsyncConnection, ids: Sequence[UUID]) -> dict[UUID, str | None]:
    """Of those decisions on which, or on one that they supersede, there is a verdict, the newest: a cause, or
    None where none can be determined.
    """
    return {row[0]: row[1] for row in await conn.execute(ESTABLISHED, {"ids": list(ids)})}
