"""Proposals on record: rule tables learned from verdicts, one row each, started and ended by functions of the
database's, worked off by one process at a time; and the judged decisions that they read.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec
from sqlalchemy import Row, Select, exists, func, select, update
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.backtests import MOST_ATTEMPTS
from coldcase.db.decisions import DecisionFilter, conditions
from coldcase.db.events import Actor
from coldcase.db.statistics import newest_verdicts
from coldcase.db.table_changes import call_as
from coldcase.db.tables import api_key, decision, proposal, verdict
from coldcase.errors import NotFound

ProposalState = Literal["waiting", "running", "finished", "cancelled", "failed"]


class Proposal(msgspec.Struct, frozen=True, kw_only=True):
    """A proposal on record. `client_id` says whose verdicts it is learned from, None for all clients';
    `strength` is what the table's own numbers are worth, as JSON, `person` who stands behind the key that
    asked, `asker` whose client's it is. `draft` is the version that was made, `summary` what was found.
    """

    id: UUID
    rule_table: int
    digest: str
    client_id: int | None
    strength: str
    state: ProposalState
    created_at: datetime
    by_key: UUID
    started_at: datetime | None
    ended_at: datetime | None
    attempts: int
    total: int | None
    done: int
    draft: int | None
    summary: str | None
    failed_because: str | None
    person: str | None
    asker: int


class NewProposal(msgspec.Struct, frozen=True, kw_only=True):
    """A proposal to be started, based on a published version; the client may have so many open drafts. Once
    for one `idempotency_key`, of which `fingerprint` is what was asked for.
    """

    id: UUID
    rule_table: int
    client_id: int | None
    strength: str
    most_drafts: int
    idempotency_key: str | None
    fingerprint: bytes


class FinishedProposal(msgspec.Struct, frozen=True, kw_only=True):
    """What a proposal ends with: what was found; and, unless there was nothing to propose, the draft's
    canonical document, its note, and where each of its numbers comes from.
    """

    summary: str
    document: bytes | None = None
    note: str | None = None
    numbers: str | None = None


OF_ASKER = {"person": api_key.c.person, "asker": api_key.c.client_id.label("asker")}
PROPOSAL_COLUMNS = [
    OF_ASKER[name] if name in OF_ASKER else proposal.c[name] for name in Proposal.__struct_fields__
]


def _selected() -> Select[Any]:
    return select(*PROPOSAL_COLUMNS).select_from(proposal.join(api_key, api_key.c.id == proposal.c.by_key))


def _proposal(row: Row[Any]) -> Proposal:
    return Proposal(**row._asdict())


async def start_proposal(conn: AsyncConnection, new: NewProposal, actor: Actor) -> tuple[UUID, bool]:
    """Records a proposal that waits, or finds the one that its key stands for; its id, and whether it did the
    latter. Raises NotFound, KeyReused, ScopeMissing, or Busy where many wait.
    """
    query = (
        "SELECT json_build_object('made', made, 'again', again) FROM start_proposal_once(CAST(:key AS uuid),"
        " :person, CAST(:id AS uuid), :rule_table, :client_id, :strength, :most_drafts, :idempotency_key,"
        " :fingerprint)"
    )
    made = await call_as(conn, query, msgspec.structs.asdict(new), actor)
    return UUID(made["made"]), made["again"]


async def record_proposal_cancelled(conn: AsyncConnection, id_: UUID, actor: Actor) -> None:
    """Ends a proposal before its time. Raises NotFound, or WrongState for one that has ended."""
    query = "SELECT cancel_proposal(CAST(:key AS uuid), :person, CAST(:id AS uuid))"
    await call_as(conn, query, {"id": id_}, actor)


async def proposals_on(
    conn: AsyncConnection, version: int, *, state: ProposalState | None, before: UUID | None, limit: int
) -> list[Proposal]:
    """At most `limit` proposals that are based on a version, the newest first; those in a state, and before
    an id, only.
    """
    query = _selected().where(proposal.c.rule_table == version).order_by(proposal.c.id.desc()).limit(limit)
    if state is not None:
        query = query.where(proposal.c.state == state)
    if before is not None:
        query = query.where(proposal.c.id < before)
    return [_proposal(row) for row in await conn.execute(query)]


async def find_proposal(conn: AsyncConnection, id_: UUID) -> Proposal:
    """The proposal with this id. Raises NotFound."""
    row = (await conn.execute(_selected().where(proposal.c.id == id_))).one_or_none()
    if row is None:
        raise NotFound("There is no such proposal.")
    return _proposal(row)


async def proposed_numbers(conn: AsyncConnection, version: int) -> str | None:
    """Where the numbers of a version come from, as JSON, if it was proposed."""
    found: str | None = await conn.scalar(select(proposal.c.numbers).where(proposal.c.draft == version))
    return found


async def has_numbers(conn: AsyncConnection, version: int) -> bool:
    """Whether numbers of a version were counted from verdicts."""
    numbered = proposal.c.draft == version, proposal.c.numbers.is_not(None)
    return bool(await conn.scalar(select(exists().where(*numbered))))


async def claim_proposal(conn: AsyncConnection) -> Proposal | None:
    """The next one to be worked off, None if none is left. What kills every process that takes it on has
    failed.
    """
    gone = update(proposal).where(proposal.c.state == "running", proposal.c.attempts >= MOST_ATTEMPTS)
    why = f"{MOST_ATTEMPTS} processes ended while they worked on it"
    await conn.execute(gone.values(state="failed", failed_because=why, ended_at=func.now()))
    following = (
        select(proposal.c.id)
        .where(proposal.c.state.in_(("waiting", "running")))
        .order_by(proposal.c.attempts, proposal.c.id)
        .limit(1)
        .with_for_update()
    )
    id_ = await conn.scalar(following)
    if id_ is None:
        return None
    began = {"state": "running", "attempts": proposal.c.attempts + 1, "started_at": func.now(), "done": 0}
    await conn.execute(update(proposal).where(proposal.c.id == id_).values(began))
    return await find_proposal(conn, id_)


async def write_proposal(conn: AsyncConnection, mine: Proposal, **values: Any) -> bool:
    """Writes members of a proposal that this process works on; whether it still is its own."""
    if values.get("state") == "failed":
        values["ended_at"] = func.now()
    held = (proposal.c.id == mine.id, proposal.c.state == "running", proposal.c.attempts == mine.attempts)
    return (await conn.execute(update(proposal).where(*held).values(**values))).rowcount == 1


async def finish_proposal(conn: AsyncConnection, mine: Proposal, found: FinishedProposal) -> bool:
    """Ends a proposal with its draft, in the name of whoever asked for it; whether it still was its own.

    Raises ScopeMissing where the key is no longer good, TooManyDrafts.
    """
    query = "SELECT finish_proposal(CAST(:id AS uuid), :attempt, :note, :document, :numbers, :summary)"
    values = {
        "id": mine.id,
        "attempt": mine.attempts,
        "note": found.note,
        "document": None if found.document is None else found.document.decode(),
        "numbers": found.numbers,
        "summary": found.summary,
    }
    return bool(await call_as(conn, query, values, Actor(key=mine.by_key, person=mine.person)))


class JudgedCase(msgspec.Struct, frozen=True, gc=False):
    """A decision that stands, with the cause by the newest verdict on it or on one that it supersedes; None
    where nobody could say one.
    """

    id: UUID
    client_id: int
    circuit: str | None
    at: datetime
    cause: str | None


async def judged_cases(conn: AsyncConnection, client_id: int | None) -> list[JudgedCase]:
    """All that may be seen, of one client or of all, in the order of their ids."""
    newest = newest_verdicts()
    columns: list[Any] = [decision.c[name] for name in ("id", "client_id", "circuit", "at")]
    query: Select[Any] = (
        select(*columns, newest.c.cause)
        .join(newest, newest.c.decision_id == decision.c.id)
        .where(*conditions(DecisionFilter(client_id=client_id, stands=True)))
        .order_by(decision.c.id)
    )
    return [JudgedCase(*row) for row in await conn.execute(query)]


async def count_judged(conn: AsyncConnection, client_id: int | None, *, most: int) -> int:
    """How many decisions have a verdict that names a cause; `most` where there are more."""
    named = select(verdict.c.decision_id).where(verdict.c.cause.is_not(None)).distinct().limit(most)
    if client_id is not None:
        named = named.where(verdict.c.client_id == client_id)
    return int(await conn.scalar(select(func.count()).select_from(named.subquery())) or 0)


async def case_texts(conn: AsyncConnection, ids: Sequence[UUID]) -> dict[UUID, str]:
    """The cases of decisions as they stand on record, by id."""
    query = select(decision.c.id, decision.c.case_text).where(decision.c.id.in_(ids))
    return {row[0]: row[1] for row in await conn.execute(query)}
