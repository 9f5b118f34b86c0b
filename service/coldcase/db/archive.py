"""Taking a year of decisions out, and erasing personal texts: what only the owner of the database may do."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from uuid import UUID

import msgspec
import psycopg
from sqlalchemy import func, insert, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.seals import DECISION, stream
from coldcase.db.tables import audit_archive
from coldcase.proof.decision_columns import StoredDecision
from coldcase.proof.leaves import ERASED_TEXT, PERSONAL_TEXTS, SALT_BYTES

LOCK_MILLISECONDS = 200
"""How long a try to detach a year waits: less than half of what the recorder does."""

DETACH_TRIES, DETACH_PAUSE_S = 30, 1.0

TextsToErase = Mapping[str, tuple[str, tuple[str, ...]]]
"""What to erase: of each kind of records the condition (SQL, with one parameter `value`) and the personal
texts."""


def partition(year: int) -> str:
    """The table that holds the decisions of a year."""
    return f"decision_{year:04}"


async def is_there(conn: AsyncConnection, year: int) -> bool:
    """Whether the year's decisions are a part of the record; if so, nothing is added to them for the rest of
    the transaction.
    """
    part = partition(year)
    found = await conn.scalar(
        text(
            "SELECT EXISTS (SELECT FROM pg_inherits WHERE inhrelid = to_regclass(:part) AND inhparent "
            "= 'decision'::regclass)"
        ),
        {"part": part},
    )
    if found:
        await conn.execute(text(f"LOCK TABLE {part} IN SHARE MODE"))
    return bool(found)


async def decisions_of_year(conn: AsyncConnection, year: int) -> AsyncIterator[list[StoredDecision]]:
    """The decisions of a year, by id, some at a time."""
    async for batch in stream(
        conn,
        "decision",
        f"SELECT {DECISION} FROM {partition(year)} AS r ORDER BY r.id",  # noqa: S608
        (),
    ):
        yield batch


async def this_year(conn: AsyncConnection) -> int:
    """The year that the database is in."""
    return int(await conn.scalar(text("SELECT extract(year FROM now() AT TIME ZONE 'UTC')")) or 0)


async def note_archive(conn: AsyncConnection, year: int, *, count: int, file_sha256: bytes) -> None:
    """Lists the year as taken out, so that whoever asks for a decision of it can be told."""
    await conn.execute(
        insert(audit_archive).values(
            year=year, at=func.clock_timestamp(), count=count, file_sha256=file_sha256
        )
    )


async def take_out(conn: AsyncConnection, year: int, *, drop: bool) -> bool:
    """Detaches the year's partition, and drops it if asked to; whether its lock could be had. Commit at once
    after it.

    Until that lock is had, everything else queues behind it; so each try gives up before a recording would.
    """
    await conn.execute(text(f"SET LOCAL lock_timeout = '{LOCK_MILLISECONDS}ms'"))
    for attempt in range(DETACH_TRIES):
        if attempt:
            await asyncio.sleep(DETACH_PAUSE_S)
        try:
            async with conn.begin_nested():
                await conn.execute(text(f"ALTER TABLE decision DETACH PARTITION {partition(year)}"))
                if drop:
                    await conn.execute(text(f"DROP TABLE {partition(year)}"))
        except OperationalError as error:
            if not isinstance(error.orig, psycopg.errors.LockNotAvailable):
                raise
        else:
            return True
    return False


LABEL_COLUMNS = {
    "verdict": "person",
    "audit_event": "person",
    "rule_table_event": "person",
    "rule_table": "created_by",
}
"""Where a person's label stands among the personal texts of sealed records."""


class Erasable(msgspec.Struct, frozen=True):
    """What can be erased from the records of one kind: how many records lose each text, how many records
    there are, and how many of them go `whole`.

    Those are of the first releases: one salt serves all their texts, so that they go together.
    """

    kind: str
    texts: dict[str, int]
    records: int
    whole: int


def is_erased(kind: str, word: str) -> str:
    """SQL: whether a personal text of a row has been erased."""
    first = SALT_BYTES * PERSONAL_TEXTS[kind].index(word) + 1
    zeros = f"substr(salt, {first}, {SALT_BYTES}) = decode(repeat('00', {SALT_BYTES}), 'hex')"
    return f"({word}_sha256 IS NOT NULL AND (salt IS NULL OR ({_own_salts(kind)} AND {zeros})))"


def _own_salts(kind: str) -> str:
    return f"octet_length(salt) = {SALT_BYTES * len(PERSONAL_TEXTS[kind])}"


def of_person(*, addresses: bool) -> TextsToErase:
    """A person's label wherever it stands, and with `addresses` the network addresses beside it."""
    return {
        kind: (f"{label} = :value", (label, "remote") if addresses and kind == "audit_event" else (label,))
        for kind, label in LABEL_COLUMNS.items()
    }


def of_verdict() -> TextsToErase:
    """What was written in a verdict."""
    return {"verdict": ("id = :value", ("note",))}


async def erasable_texts(conn: AsyncConnection, wanted: TextsToErase, value: str | UUID) -> list[Erasable]:
    """What of it there is to erase still; as the owner."""
    found = []
    for kind, (where, names) in wanted.items():
        goes = {word: "true" if word in names else f"NOT {_own_salts(kind)}" for word in PERSONAL_TEXTS[kind]}
        wholes = [
            "true",
            f"NOT {_own_salts(kind)}",
            *(f"{_is_left(kind, word)} AND {goes[word]}" for word in PERSONAL_TEXTS[kind]),
        ]
        counts = ", ".join(f"count(*) FILTER (WHERE {condition})" for condition in wholes)
        statement = f"SELECT {counts} FROM {kind} WHERE {_still(kind, where, names)}"  # noqa: S608 - our own names
        records, whole, *lost = (await conn.execute(text(statement), {"value": value})).one()
        if records:
            found.append(Erasable(kind, dict(zip(PERSONAL_TEXTS[kind], lost, strict=True)), records, whole))
    return found


async def erase_texts(conn: AsyncConnection, wanted: TextsToErase, value: str | UUID) -> list[Erasable]:
    """Erases it; what was erased."""
    found = await erasable_texts(conn, wanted, value)
    for kind in (one.kind for one in found):
        where, names = wanted[kind]
        still = _still(kind, where, names)
        await conn.execute(
            text(_erasure(kind, PERSONAL_TEXTS[kind], f"NOT {_own_salts(kind)} AND {still}")),
            {"value": value},
        )
        await conn.execute(text(_erasure(kind, names, f"{_own_salts(kind)} AND {still}")), {"value": value})
    return found


def _still(kind: str, where: str, names: tuple[str, ...]) -> str:
    return f"{where} AND salt IS NOT NULL AND ({' OR '.join(_is_left(kind, word) for word in names)})"


def _is_left(kind: str, word: str) -> str:
    return f"({word} IS NOT NULL AND NOT {is_erased(kind, word)})"


def _erasure(kind: str, names: tuple[str, ...], where: str) -> str:
    changed = [f"{word} = CASE WHEN {word} IS NULL THEN NULL ELSE '{ERASED_TEXT}' END" for word in names]
    salt = "salt"
    for word in names:
        place = SALT_BYTES * PERSONAL_TEXTS[kind].index(word) + 1
        salt = f"overlay({salt} PLACING decode(repeat('00', {SALT_BYTES}), 'hex') FROM {place})"
    salt = "NULL" if names == PERSONAL_TEXTS[kind] else salt
    return f"UPDATE {kind} SET {', '.join(changed)}, salt = {salt} WHERE {where}"  # noqa: S608 - our own names


async def keys_of(conn: AsyncConnection, person: str) -> int:
    """How many API keys bear a person's label."""
    return int(
        await conn.scalar(text("SELECT count(*) FROM api_key WHERE person = :person"), {"person": person})
        or 0
    )


async def established_by(conn: AsyncConnection, person: str) -> int:
    """How many verdicts say that this person established them."""
    query = text("SELECT count(*) FROM verdict WHERE established_by = :person")
    return int(await conn.scalar(query, {"person": person}) or 0)


async def erase_establisher(conn: AsyncConnection, person: str) -> None:
    """Erases who established a verdict, where it is this person. It has no salt: the fingerprint holds it."""
    query = "UPDATE verdict SET established_by = :erased WHERE established_by = :person"
    await conn.execute(text(query), {"erased": ERASED_TEXT, "person": person})


async def erase_keys_label(conn: AsyncConnection, person: str) -> None:
    """Erases a person's label from API keys."""
    await conn.execute(
        text("UPDATE api_key SET person = :erased WHERE person = :person"),
        {"erased": ERASED_TEXT, "person": person},
    )
