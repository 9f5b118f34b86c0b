"""Rule tables on record: immutable documents, the drafts beside them, and the events that make one of them
current.
"""

from datetime import datetime
from typing import Any, Literal

import msgspec
from sqlalchemy import RowMapping, Select, exists, func, literal, select, text, union_all
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import audit_event, rule_table, rule_table_draft, rule_table_event
from coldcase.errors import NotFound

TABLES_CHANGED = "coldcase_tables"
"""The channel on which the database tells that a table was drafted, approved, published or withdrawn."""

TableState = Literal["draft", "approved", "published", "withdrawn"]
STATES: dict[str, TableState] = {
    "draft": "draft",
    "edit": "draft",
    "approve": "approved",
    "publish": "published",
    "withdraw": "withdrawn",
}


class StoredTable(msgspec.Struct, frozen=True, kw_only=True):
    """A rule table on record; `document` is the canonical text that `digest` names.

    One that was published is `immutable`; any other is a draft that may change, be flawed, or be approved.
    """

    version: int
    digest: str
    state: TableState
    based_on: int | None
    note: str | None
    created_at: datetime
    created_by: str
    immutable: bool
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
    immutable: bool


SUMMARY = ("version", "digest", "based_on", "note", "created_at")
NOBODY = "nobody named"
"""Who made a draft whose key names no person."""


def is_draft(table: StoredTable | ListedTable) -> bool:
    """Whether it was never published: it is for those who make and approve drafts."""
    return not table.immutable or table.state == "draft"


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


async def current_version(conn: AsyncConnection) -> int:
    """The number of the table that answers: the one published last and not withdrawn since. Raises NotFound
    on a record without one.
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
    version: int | None = await conn.scalar(latest)
    if version is None:
        raise NotFound("No rule table is published.")
    return version


async def current_table(conn: AsyncConnection) -> StoredTable:
    """The table that answers. Raises NotFound on a record without one."""
    return await get_table(conn, await current_version(conn))


async def get_table(conn: AsyncConnection, version: int) -> StoredTable:
    """The table of this number. Raises NotFound."""
    row = (await conn.execute(select_tables(version))).mappings().one_or_none()
    if row is None:
        raise NotFound(f"There is no rule table {version}.")
    return StoredTable(**{**row, "state": STATES[row["state"]], "document": row["document"].encode()})


async def drafted_table(conn: AsyncConnection, version: int) -> ListedTable:
    """The draft of this number as it was when it was made, whatever became of it. Raises NotFound."""
    stored = await get_table(conn, version)
    # The event is under a seal, the draft is not.
    made = (
        select(audit_event.c.details)
        .where(audit_event.c.action == "rule_table.draft", audit_event.c.subject == str(version))
        .order_by(audit_event.c.id)
        .limit(1)
    )
    details = msgspec.json.decode((await conn.execute(made)).scalar_one())
    facts = {name: getattr(stored, name) for name in ListedTable.__struct_fields__}
    return ListedTable(**{**facts, "digest": details["digest"], "state": "draft", "immutable": False})


async def list_tables(conn: AsyncConnection) -> list[ListedTable]:
    """All tables and drafts, newest first, without their documents."""
    return [as_listed(row) for row in (await conn.execute(select_tables())).mappings()]


async def tables_mark(conn: AsyncConnection) -> str:
    """A mark that is another one once anything was done to any table."""
    # Both, because of two transactions the one with the higher number may be committed first.
    return str((await conn.execute(select(func.count(), func.max(rule_table_event.c.id)))).one())


def select_tables(version: int | None = None) -> Select[Any]:
    """The table or draft of a number with its document, or all without; with the kind of the last event of
    each, which is its state.
    """
    first = (
        select(rule_table_event.c.person)
        .where(rule_table_event.c.version == rule_table_draft.c.version, rule_table_event.c.kind == "draft")
        .order_by(rule_table_event.c.id)
        .limit(1)
    )
    by = func.coalesce(first.scalar_subquery(), NOBODY)
    one, other = rule_table.c, rule_table_draft.c
    tables = select(*(one[name] for name in SUMMARY), one.created_by, literal(True).label("immutable"))  # noqa: FBT003
    drafts = select(*(other[name] for name in SUMMARY), by.label("created_by"), literal(False))  # noqa: FBT003
    if version is not None:
        tables = tables.add_columns(one.document).where(one.version == version)
        drafts = drafts.add_columns(other.document).where(other.version == version)
    made = union_all(tables, drafts).subquery()
    last = (
        select(rule_table_event.c.kind)
        .where(rule_table_event.c.version == made.c.version)
        .order_by(rule_table_event.c.id.desc())
        .limit(1)
        .scalar_subquery()
    )
    return select(made, last.label("state")).order_by(made.c.version.desc())


def as_listed(row: RowMapping) -> ListedTable:
    """A row of `select_tables` as a value."""
    return ListedTable(**{**row, "state": STATES[row["state"]]})
