"""The one event of an import, written by a function of the database's."""

import msgspec
from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.events import Actor, act_as


class ImportCounts(msgspec.Struct, frozen=True, kw_only=True):
    """What came of an import: its lines, of which each was recorded, on record already, or refused; the
    verdicts that were recorded with them; the rule table that answered; whether it came to its end.
    """

    lines: int
    recorded: int
    replayed: int
    refused: int
    verdicts: int
    rule_table: int
    finished: bool


async def note_import(conn: AsyncConnection, *, import_key: str, counts: ImportCounts, actor: Actor) -> None:
    """Tells of an import that has ended, or broke off."""
    await act_as(conn, actor)
    await conn.execute(
        text("SELECT note_import(CAST(:key AS uuid), :called, CAST(:told AS jsonb))"),
        {"key": str(actor.key), "called": import_key, "told": msgspec.json.encode(counts).decode()},
    )
