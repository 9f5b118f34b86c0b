"""Counting the decisions that stand: the newest of each chain of supersedes, and what was established about
them.
"""

from collections.abc import AsyncIterator, Sequence
from typing import Any, Literal

import msgspec
from sqlalchemy import CTE, ColumnElement, Select, func, literal_column, select, text
from sqlalchemy.dialects.postgresql import distinct_on
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.answers import STORED_ANSWER, with_answers
from coldcase.db.decisions import DecisionFilter, conditions
from coldcase.db.engine import as_driver_takes, raw_connection
from coldcase.db.tables import client, decision, verdict
from coldcase.db.verdicts import Basis

GroupBy = Literal["month", "circuit", "refrigerant", "compressor_type", "client", "own_code"]

GROUP_COLUMNS: dict[str, ColumnElement[Any]] = {
    "circuit": decision.c.circuit,
    "refrigerant": decision.c.refrigerant,
    "compressor_type": decision.c.compressor_type,
    "own_code": decision.c.own_code,
    "client": client.c.name,
}


class Counted(msgspec.Struct, frozen=True):
    """How many standing decisions of a group name a cause; `total` counts all of the group."""

    group: str | None
    cause: str
    count: int
    total: int


def _standing(wanted: DecisionFilter) -> Sequence[ColumnElement[bool]]:
    return conditions(msgspec.structs.replace(wanted, stands=True))


async def causes(
    conn: AsyncConnection, group_by: GroupBy | None, wanted: DecisionFilter, *, most: int
) -> list[Counted]:
    """Causes within each of the `most` largest groups (of months: the latest), then by count; months in UTC
    by the search's time.
    """
    counted = _counted(group_by, wanted).cte("counted")
    totals = (
        select(counted.c.group, func.sum(counted.c.count).label("total"))
        .group_by(counted.c.group)
        .order_by(
            counted.c.group.desc() if group_by == "month" else func.sum(counted.c.count).desc(),
            counted.c.group,
        )
        .limit(most)
        .cte("totals")
    )
    largest = counted.c.group.desc() if group_by == "month" else totals.c.total.desc()
    query = (
        select(counted, totals.c.total)
        .join(totals, counted.c.group.is_not_distinct_from(totals.c.group))
        .order_by(largest, counted.c.group, counted.c.count.desc(), counted.c.cause)
    )
    return [Counted(row[0], row[1], row[2], int(row[3])) for row in await conn.execute(query)]


def _counted(group_by: GroupBy | None, wanted: DecisionFilter) -> Select[Any]:
    match group_by:
        case None:
            group: ColumnElement[Any] = literal_column("NULL::text")
        case "month":
            group = func.to_char(
                func.timezone(literal_column("'UTC'"), decision.c[wanted.by]), literal_column("'YYYY-MM'")
            )
        case _:
            group = GROUP_COLUMNS[group_by]
    query = select(group.label("group"), decision.c.cause, func.count().label("count")).where(
        *_standing(wanted)
    )
    if group_by == "client":
        query = query.join(client, client.c.id == decision.c.client_id)
    return query.group_by(text("1"), decision.c.cause)


class Coverage(msgspec.Struct, frozen=True):
    """How many decisions of one rule table, status and engine stand."""

    rule_table: int
    status: str
    engine: str
    count: int


async def standing(conn: AsyncConnection, wanted: DecisionFilter) -> list[Coverage]:
    """The decisions that match and stand, counted: what coverage by verdicts is a share of."""
    group = (decision.c.rule_table, decision.c.status, decision.c.engine)
    rows = await conn.execute(
        select(*group, func.count()).where(*_standing(wanted)).group_by(*group).order_by(*group)
    )
    return [Coverage(*row) for row in rows]


class JudgedDecision(msgspec.Struct, frozen=True):
    """A standing decision and the newest verdict on it or on one that it supersedes; `answer` is its text."""

    rule_table: int
    status: str
    engine: str
    cause: str | None
    basis: str
    answer: str


VERDICTS_AT_A_TIME = 500


async def judged_decisions(
    conn: AsyncConnection, wanted: DecisionFilter, basis: Basis | None
) -> AsyncIterator[Sequence[JudgedDecision]]:
    """Every decision that matches, stands and has a verdict, some at a time; with `basis` where the newest
    verdict rests on it.
    """
    raw = await raw_connection(conn)
    async with raw.cursor(name="judged", binary=True) as cursor:
        await cursor.execute(*as_driver_takes(_judged(wanted, basis)))
        while rows := await cursor.fetchmany(VERDICTS_AT_A_TIME):
            yield [JudgedDecision(*row) for row in await with_answers(conn, rows)]


def _judged(wanted: DecisionFilter, basis: Basis | None) -> Select[Any]:
    newest = newest_verdicts()
    columns = (
        decision.c.rule_table,
        decision.c.status,
        decision.c.engine,
        newest.c.cause,
        newest.c.basis,
        *STORED_ANSWER,
    )
    query = (
        select(*columns)
        .join(newest, newest.c.decision_id == decision.c.id)
        .where(*_standing(wanted))
        .order_by(decision.c.id)
    )
    return query if basis is None else query.where(newest.c.basis == basis)


def newest_verdicts() -> CTE:
    """From each verdict forward along the chain: a verdict on an earlier decision of a job holds for the one
    that stands now.
    """
    later = decision.alias("later")
    given = select(verdict.c.id.label("verdict_id"), verdict.c.decision_id).cte("reaches", recursive=True)
    reaches = given.union(
        select(given.c.verdict_id, later.c.id).join(later, later.c.supersedes == given.c.decision_id)
    )
    return (
        select(reaches.c.decision_id, verdict.c.cause, verdict.c.basis)
        .join(verdict, verdict.c.id == reaches.c.verdict_id)
        .ext(distinct_on(reaches.c.decision_id))
        .order_by(reaches.c.decision_id, verdict.c.recorded_at.desc(), verdict.c.id.desc())
        .cte("newest")
    )
