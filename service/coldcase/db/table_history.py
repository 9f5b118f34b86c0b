"""What was done to a rule table: drafted, edited, approved, published, withdrawn; when, by whom, and why."""

from datetime import datetime
from typing import Literal

import msgspec
from sqlalchemy import select
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import rule_table_event


class TableEvent(msgspec.Struct, frozen=True):
    """One thing that was done; `person` and `reason` are None where nobody is named, or it is erased."""

    kind: Literal["draft", "edit", "approve", "publish", "withdraw"]
    at: datetime
    person: str | None
    reason: str | None


async def table_events(conn: AsyncConnection, version: int, *, most: int) -> list[TableEvent]:
    """The last `most` events of a version, the oldest of them first."""
    columns = [rule_table_event.c[name] for name in TableEvent.__struct_fields__]
    rows = await conn.execute(
        select(*columns)
        .where(rule_table_event.c.version == version)
        .order_by(rule_table_event.c.id.desc())
        .limit(most)
    )
    return [TableEvent(*row) for row in rows][::-1]
