"""Rule tables on record: immutable documents, and the events that make one of them current."""

from datetime import datetime
from typing import Any, Literal

import msgspec
from sqlalchemy import Column, RowMapping, Select, exists, func, select, text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import rule_table, rule_table_event
from coldcase.errors import NotFound

TABLES_CHANGED = "coldcase_tables"
"""The channel on which the database tells that a table was drafted, approved, published or withdrawn."""

TableState = Literal["draft", "approved", "published", "withdrawn"]
STATES: dict[str, TableState] = {
    "draft": "draft",
    "approve": "approved",
    "publish": "published",
    "withdraw": "withdrawn",
}


class StoredTable(msgspec.Struct, frozen=True, kw_only=True):
    """A rule table on record; `document` is the canonical text that `digest` names."""

    version: int
    digest: str
    state: TableState
    based_on: int | None
    note: str | None
    created_at: datetime
    created_by: str
    document: bytes


class ListedTable(msgspec.Struct, frozen=True, kw_only=True):
    """A rule table in a list."""

    version: int
    digest: str
    state: TableState
    based_on: int | None
    note: str | None
    created_at: datetime
    created_by: str


SUMMARY = ("version", "digest", "based_on", "note", "created_at", "created_by")


async def publish_first(conn: AsyncConnection, document: bytes, digest: str) -> bool:
    """On a record without any rule table, publishes this one as version 1; whether it did. Two replicas may
    try at once.

    The service's role may add no table by itself: a function of the database's does it, where there is none.
    """
    query = text("SELECT publish_first(:document, :digest)")
    return bool(await conn.scalar(query, {"document": document.decode(), "digest": digest}))


async def is_known(conn: AsyncConnection, digest: str) -> bool:
    """Whether a table with this digest is on record, whatever became of it."""
    return bool(await conn.scalar(select(exists().where(rule_table.c.digest == digest))))


async def current_table(conn: AsyncConnection) -> StoredTable:
    """The table that answers: the one published last and not withdrawn since. Raises NotFound on a record
    without one.
    """
    published, withdrawn = rule_table_event.alias("published"), rule_table_event.alias("withdrawn")
    since = exists().where(
        withdrawn.c.version == published.c.version,
        withdrawn.c.kind == "withdraw",
        withdrawn.c.id > published.c.id,
    )
    latest = (
        select(published.c.version)
        .where(published.c.kind == "publish", ~since)
        .order_by(published.c.id.desc())
        .limit(1)
    )
    row = (
        (
            await conn.execute(
                select_tables(rule_table.c.document).where(rule_table.c.version == latest.scalar_subquery())
            )
        )
        .mappings()
        .one_or_none()
    )
    if row is None:
        raise NotFound("No rule table is published.")
    return as_table(row)


async def get_table(conn: AsyncConnection, version: int) -> StoredTable:
    """The table of this number. Raises NotFound."""
    row = (
        (await conn.execute(select_tables(rule_table.c.document).where(rule_table.c.version == version)))
        .mappings()
        .one_or_none()
    )
    if row is None:
        raise NotFound(f"There is no rule table {version}.")
    return as_table(row)


async def list_tables(conn: AsyncConnection) -> list[ListedTable]:
    """All tables, newest first, without their documents."""
    rows = (await conn.execute(select_tables().order_by(rule_table.c.version.desc()))).mappings()
    return [ListedTable(**{**row, "state": STATES[row["state"]]}) for row in rows]


async def tables_mark(conn: AsyncConnection) -> str:
    """A mark that is another one once anything was done to any table."""
    # Both, because of two transactions the one with the higher number may be committed first.
    return str((await conn.execute(select(func.count(), func.max(rule_table_event.c.id)))).one())


def select_tables(*more: Column[Any]) -> Select[Any]:
    """Tables with the kind of the last event of each, which is its state."""
    last = (
        select(rule_table_event.c.kind)
        .where(rule_table_event.c.version == rule_table.c.version)
        .order_by(rule_table_event.c.id.desc())
        .limit(1)
        .scalar_subquery()
    )
    return select(*(rule_table.c[name] for name in SUMMARY), last.label("state"), *more)


def as_table(row: RowMapping) -> StoredTable:
    """A row of `select_tables` with its document as a value."""
    return StoredTable(**{**row, "state": STATES[row["state"]], "document": row["document"].encode()})
