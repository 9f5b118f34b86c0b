"""Counting the decisions that stand: the newest of each chain of supersedes, and what was established about
them.
"""

from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, Literal

import msgspec
from sqlalchemy import (
    CTE,
    ColumnElement,
    Integer,
    Select,
    Text,
    case,
    func,
    literal,
    literal_column,
    null,
    select,
    tuple_,
)
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
    return (await causes_by(conn, {group_by: most}, wanted))[group_by]


async def causes_by(
    conn: AsyncConnection, groups: Mapping[GroupBy | None, int], wanted: DecisionFilter
) -> dict[GroupBy | None, list[Counted]]:
    """As `causes`, by several things at once, of each so many groups: the decisions are looked at once."""
    counted = _counted(list(groups), wanted).cte("counted")
    by, group, total = counted.c.by, counted.c.group, func.sum(counted.c.count)
    months = case((by == list(groups).index("month"), group)) if "month" in groups else null()
    place = func.row_number().over(partition_by=by, order_by=(months.desc(), total.desc(), group))
    places = select(by, group, total.label("total"), place.label("place")).group_by(by, group).cte("places")
    most = case(dict(enumerate(groups.values())), value=places.c.by)
    query = (
        select(by, group, counted.c.cause, counted.c.count, places.c.total)
        .join(places, (by == places.c.by) & group.is_not_distinct_from(places.c.group))
        .where(places.c.place <= most)
        .order_by(by, places.c.place, counted.c.count.desc(), counted.c.cause)
    )
    found: dict[GroupBy | None, list[Counted]] = {name: [] for name in groups}
    for row in await conn.execute(query):
        found[list(groups)[row[0]]].append(Counted(row[1], row[2], row[3], int(row[4])))
    return found


def _counted(groups: Sequence[GroupBy | None], wanted: DecisionFilter) -> Select[Any]:
    """Decisions by cause within each thing to group by: `by` is its place in `groups`, `group` its value."""
    columns = {place: _group_column(name, wanted) for place, name in enumerate(groups) if name is not None}
    looked = select(
        decision.c.cause, *(column.label(f"group_{place}") for place, column in columns.items())
    ).where(*_standing(wanted))
    if "client" in groups:
        looked = looked.join(client, client.c.id == decision.c.client_id)
    rows = looked.subquery("looked")
    of = {place: rows.c[f"group_{place}"] for place in columns}
    sets = [tuple_(*([of[place]] if place in of else []), rows.c.cause) for place in range(len(groups))]
    whole = literal(groups.index(None) if None in groups else None, Integer)
    chosen = [(func.grouping(column) == 0, place) for place, column in of.items()]
    by = case(*chosen, else_=whole) if chosen else whole
    return select(
        by.label("by"),
        func.coalesce(*of.values(), literal(None, Text)).label("group"),
        rows.c.cause,
        func.count().label("count"),
    ).group_by(func.grouping_sets(*sets))


def _group_column(name: GroupBy, wanted: DecisionFilter) -> ColumnElement[Any]:
    if name == "month":
        return func.to_char(
            func.timezone(literal_column("'UTC'"), decision.c[wanted.by]), literal_column("'YYYY-MM'")
        )
    return GROUP_COLUMNS[name]


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
