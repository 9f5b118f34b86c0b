"""Taking a year of decisions out, and erasing words: what only the owner of the database may do."""

from collections.abc import AsyncIterator
from datetime import datetime
from uuid import UUID

from sqlalchemy import insert, text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.core.leaves import ERASED, WORDS, DecisionRow
from coldcase.db.seals import DECISION, stream
from coldcase.db.tables import audit_archive


def partition(year: int) -> str:
    """The table that holds the decisions of a year."""
    return f"decision_{year:04}"


async def is_there(conn: AsyncConnection, year: int) -> bool:
    """Whether the year's decisions are a part of the record; if so, nothing is added to them for the rest of the transaction."""
    part = partition(year)
    found = await conn.scalar(
        text("SELECT EXISTS (SELECT FROM pg_inherits WHERE inhrelid = to_regclass(:part) AND inhparent = 'decision'::regclass)"),
        {"part": part},
    )
    if found:
        await conn.execute(text(f"LOCK TABLE {part} IN SHARE MODE"))
    return bool(found)


async def rows(conn: AsyncConnection, year: int) -> AsyncIterator[list[DecisionRow]]:
    """The decisions of a year, by id, some at a time."""
    async for batch in stream(conn, "decision", f"SELECT {DECISION} FROM {partition(year)} AS r ORDER BY r.id", ()):  # noqa: S608
        yield batch


async def take_out(conn: AsyncConnection, year: int, *, count: int, file_sha256: bytes, drop: bool, now: datetime) -> None:
    """Detaches the year's partition, and drops it if asked to; the record keeps what it was and in which file it is."""
    await conn.execute(insert(audit_archive).values(year=year, at=now, count=count, file_sha256=file_sha256))
    await conn.execute(text(f"ALTER TABLE decision DETACH PARTITION {partition(year)}"))
    if drop:
        await conn.execute(text(f"DROP TABLE {partition(year)}"))


LABELS = {"verdict": "person", "audit_event": "person", "rule_table_event": "person", "rule_table": "created_by"}


async def erase_person(conn: AsyncConnection, person: str) -> dict[str, int]:
    """Erases a person's label wherever it stands, with the other words of the same rows; how many records of each kind."""
    found = {kind: await _erase(conn, kind, f"{column} = :value", person) for kind, column in LABELS.items()}
    await conn.execute(text("UPDATE api_key SET person = :erased WHERE person = :person"), {"erased": ERASED, "person": person})
    return {kind: count for kind, count in found.items() if count}


async def erase_words(conn: AsyncConnection, verdict: UUID) -> dict[str, int]:
    """Erases note and person of a verdict."""
    count = await _erase(conn, "verdict", "id = :value", verdict)
    return {"verdict": count} if count else {}


async def _erase(conn: AsyncConnection, kind: str, where: str, value: str | UUID) -> int:
    # One salt serves a row's words, so they go together.
    changed = ", ".join(f"{word} = CASE WHEN {word} IS NULL THEN NULL ELSE '{ERASED}' END" for word in WORDS[kind])
    statement = text(f"UPDATE {kind} SET {changed}, salt = NULL WHERE {where} AND salt IS NOT NULL")  # noqa: S608 - our own names
    return (await conn.execute(statement, {"value": value})).rowcount
