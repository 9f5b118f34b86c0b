"""Remarks on rule tables: what somebody disputes, and each step after it. Append-only, written by functions
of the database's.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Select, case, exists, func, select
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.events import Actor
from coldcase.db.table_changes import call_as
from coldcase.db.tables import api_key, client, remark, remark_step, rule_table, rule_table_event
from coldcase.errors import NotFound

RemarkState = Literal["open", "answered", "settled"]


class StoredStep(msgspec.Struct, frozen=True, kw_only=True):
    """What came after a remark: an answer, or the version that settles it."""

    kind: Literal["answer", "settle"]
    words: str | None
    settled_by: int | None
    at: datetime
    client_id: int | None
    client: str | None
    person: str | None


class StoredRemark(msgspec.Struct, frozen=True, kw_only=True):
    """A remark on record; `was_sha256` is of what stood at the pointer, in its canonical text, and `proposal`
    JSON.

    It is settled as long as a version that is said to settle it is not withdrawn.
    """

    id: UUID
    rule_table: int
    digest: str
    pointer: str
    was_sha256: str
    words: str
    proposal: str | None
    decision_id: UUID | None
    created_at: datetime
    client_id: int | None
    client: str | None
    person: str | None
    state: RemarkState
    steps: list[StoredStep] = []


class NewRemark(msgspec.Struct, frozen=True, kw_only=True):
    """A remark to be recorded, on the table that has this digest; `fingerprint` is what a retry is compared
    by.
    """

    id: UUID
    rule_table: int
    digest: str
    pointer: str
    was_sha256: str
    words: str
    proposal: str | None
    decision_id: UUID | None
    idempotency_key: str | None
    fingerprint: bytes


async def record_remark(conn: AsyncConnection, new: NewRemark, actor: Actor) -> tuple[UUID, bool]:
    """Records a remark, or finds the one that its key stands for; its id, and whether it did the latter.

    Raises NotFound, DigestStale where the table is another one by now, KeyReused.
    """
    query = (
        "SELECT json_build_object('made', made, 'again', again) FROM add_remark(CAST(:key AS uuid), :person,"
        " CAST(:id AS uuid), :rule_table, :digest, :pointer, :was_sha256, :words, :proposal,"
        " CAST(:decision_id AS uuid), :idempotency_key, :fingerprint)"
    )
    made = await call_as(conn, query, msgspec.structs.asdict(new), actor)
    return UUID(made["made"]), made["again"]


async def record_step(
    conn: AsyncConnection, of: UUID, *, id_: UUID, words: str | None, settled_by: int | None, actor: Actor
) -> None:
    """Records an answer, or that a version settles the remark. Raises NotFound, WrongState for one that is
    withdrawn.
    """
    query = (
        "SELECT add_remark_step(CAST(:key AS uuid), :person, CAST(:id AS uuid), CAST(:of AS uuid), :words,"
        " :settled_by)"
    )
    values = {"id": id_, "of": of, "words": words, "settled_by": settled_by}
    await call_as(conn, query, values, actor)


def _in_force() -> ColumnElement[bool]:
    """Whether the version of a step that settles is not withdrawn."""
    last = (
        select(rule_table_event.c.kind)
        .where(rule_table_event.c.version == remark_step.c.settled_by)
        .order_by(rule_table_event.c.id.desc())
        .limit(1)
        .scalar_subquery()
    )
    return last != "withdraw"


_STATE = case(
    (exists().where(remark_step.c.remark_id == remark.c.id, _in_force()), "settled"),
    (exists().where(remark_step.c.remark_id == remark.c.id, remark_step.c.kind == "answer"), "answered"),
    else_="open",
)
_OF_KEY = {"client_id": client.c.id, "client": client.c.name, "person": api_key.c.person}


def _selected() -> Select[Any]:
    columns = [
        _OF_KEY[name].label(name) if name in _OF_KEY else remark.c[name]
        for name in StoredRemark.__struct_fields__
        if name not in ("state", "steps")
    ]
    joined = remark.outerjoin(api_key, api_key.c.id == remark.c.by_key).outerjoin(
        client, client.c.id == api_key.c.client_id
    )
    return select(*columns, _STATE.label("state")).select_from(joined).order_by(remark.c.id.desc())


async def find_remark(conn: AsyncConnection, version: int, id_: UUID) -> StoredRemark:
    """The remark with this id on this version. Raises NotFound."""
    found = await _with_steps(conn, _selected().where(remark.c.id == id_, remark.c.rule_table == version))
    if not found:
        raise NotFound(f"There is no such remark on rule table {version}.")
    return found[0]


async def remarks_on(
    conn: AsyncConnection,
    version: int,
    *,
    state: RemarkState | None = None,
    below: str | None = None,
    before: UUID | None = None,
    limit: int,
) -> list[StoredRemark]:
    """At most `limit` remarks on a version, the newest first: in a state, at a pointer or below it, older
    than one.
    """
    query = _selected().where(remark.c.rule_table == version)
    if state is not None:
        query = query.where(_STATE.in_((state,)))
    if below is not None:
        query = query.where(func.starts_with(remark.c.pointer + "/", below + "/"))
    if before is not None:
        query = query.where(remark.c.id < before)
    return await _with_steps(conn, query.limit(limit))


async def remarks_between(
    conn: AsyncConnection, old: int, new: int, *, drafts: bool, limit: int
) -> tuple[list[StoredRemark], list[StoredRemark]]:
    """At most `limit` remarks each that the new version is said to settle, and that stand open or answered on
    either, the newest first; those on other drafts only if `drafts` may be seen.
    """
    by_new = exists().where(remark_step.c.remark_id == remark.c.id, remark_step.c.settled_by == new)
    settled_query, on_either = _selected().where(by_new), remark.c.rule_table.in_((old, new))
    if not drafts:
        published = exists().where(rule_table.c.version == remark.c.rule_table)
        settled_query = settled_query.where(published)
    unsettled = _selected().where(on_either, _STATE.in_(("open", "answered")), ~by_new)
    settled = await _with_steps(conn, settled_query.limit(limit))
    return settled, await _with_steps(conn, unsettled.limit(limit))


async def _with_steps(conn: AsyncConnection, query: Select[Any]) -> list[StoredRemark]:
    found = [StoredRemark(**row._asdict()) for row in await conn.execute(query)]
    steps = await _steps_of(conn, [one.id for one in found])
    return [msgspec.structs.replace(one, steps=steps.get(one.id, [])) for one in found]


async def _steps_of(conn: AsyncConnection, ids: Sequence[UUID]) -> dict[UUID, list[StoredStep]]:
    columns = [
        _OF_KEY[name].label(name) if name in _OF_KEY else remark_step.c[name]
        for name in StoredStep.__struct_fields__
    ]
    joined = remark_step.outerjoin(api_key, api_key.c.id == remark_step.c.by_key).outerjoin(
        client, client.c.id == api_key.c.client_id
    )
    query = (
        select(remark_step.c.remark_id, *columns)
        .select_from(joined)
        .where(remark_step.c.remark_id.in_(ids))
        .order_by(remark_step.c.id)
    )
    found: dict[UUID, list[StoredStep]] = {}
    for row in await conn.execute(query) if ids else ():
        members = row._asdict()
        found.setdefault(members.pop("remark_id"), []).append(StoredStep(**members))
    return found
