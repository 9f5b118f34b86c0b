"""Crosswalks on record: a client's own, each version kept; written by a function of the database's."""

from collections.abc import Collection
from datetime import datetime

import msgspec
from sqlalchemy import func, select
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.events import Actor
from coldcase.db.table_changes import call_as
from coldcase.db.tables import crosswalk


class ListedCrosswalk(msgspec.Struct, frozen=True):
    """A crosswalk's newest version, without its document."""

    name: str
    version: int
    digest: str
    recorded_at: datetime


class StoredCrosswalk(ListedCrosswalk, frozen=True):
    """A version of a crosswalk; `document` is its canonical text."""

    document: str


CROSSWALK_SUMMARY = [crosswalk.c[name] for name in ListedCrosswalk.__struct_fields__]
WHOLE_CROSSWALK = [crosswalk.c[name] for name in StoredCrosswalk.__struct_fields__]


async def put_crosswalk(
    conn: AsyncConnection,
    name: str,
    document: bytes,
    *,
    seen: Collection[str] | None,
    fresh: bool,
    actor: Actor,
) -> tuple[int, bool]:
    """Keeps a canonical document as the newest version; its number, and whether it stood there already.

    `fresh` for one that is not to be there yet, else `seen` are the digests that the newest may have, None
    for any. Raises PreconditionFailed, ScopeMissing.
    """
    query = (
        "SELECT json_build_object('made', made, 'again', again) FROM put_crosswalk(CAST(:key AS uuid), :name,"
        " CAST(:seen AS text[]), :fresh, :document)"
    )
    values = {
        "name": name,
        "seen": None if seen is None else list(seen),
        "fresh": fresh,
        "document": document.decode(),
    }
    made = await call_as(conn, query, values, actor)
    return made["made"], made["again"]


async def find_crosswalk(
    conn: AsyncConnection, client_id: int, name: str, version: int | None = None
) -> StoredCrosswalk | None:
    """A client's crosswalk, in its newest version or in this one; None if there is none."""
    query = select(*WHOLE_CROSSWALK).where(crosswalk.c.client_id == client_id, crosswalk.c.name == name)
    if version is not None:
        query = query.where(crosswalk.c.version == version)
    row = (await conn.execute(query.order_by(crosswalk.c.version.desc()).limit(1))).one_or_none()
    return None if row is None else StoredCrosswalk(**row._asdict())


async def list_crosswalks(
    conn: AsyncConnection, client_id: int, *, after: str | None = None, limit: int
) -> list[ListedCrosswalk]:
    """At most `limit` crosswalks of a client, each in its newest version, by name; those after one only."""
    newest = (
        select(crosswalk.c.name, func.max(crosswalk.c.version).label("version"))
        .where(crosswalk.c.client_id == client_id)
        .group_by(crosswalk.c.name)
        .order_by(crosswalk.c.name)
        .limit(limit)
    )
    if after is not None:
        newest = newest.where(crosswalk.c.name > after)
    found = newest.subquery("newest")
    query = (
        select(*CROSSWALK_SUMMARY)
        .join(found, (found.c.name == crosswalk.c.name) & (found.c.version == crosswalk.c.version))
        .where(crosswalk.c.client_id == client_id)
        .order_by(crosswalk.c.name)
    )
    return [ListedCrosswalk(**row._asdict()) for row in await conn.execute(query)]
