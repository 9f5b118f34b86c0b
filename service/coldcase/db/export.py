"""The decisions that match, all of them, in constant memory: as rows from a cursor on the server, or as CSV
straight from it.
"""

from collections.abc import AsyncGenerator
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, Double, Select, Text, case, func, literal_column, select, true
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.answers import PACKERS, STORED_ANSWER, STORED_COLUMNS, StoredAnswer, learn_all, with_answers
from coldcase.db.decisions import DecisionFilter, conditions
from coldcase.db.engine import as_driver_takes, raw_connection
from coldcase.db.tables import client, decision, verdict

EXPORTED_AT_A_TIME = 500

EXPORT_COLUMNS: dict[str, type] = {
    "id": UUID,
    "client": str,
    "recorded_at": datetime,
    "closed_at": datetime,
    "job_ref": str,
    "circuit": str,
    "compressor_type": str,
    "refrigerant": str,
    "cause": str,
    "status": str,
    "confidence": float,
    "rule_table": int,
    "engine": str,
    "supersedes": UUID,
    "verdict_cause": str,
    "verdict_not_determinable": bool,
    "verdict_basis": str,
    "verdict_at": datetime,
    "origin": str,
    "own_code": str,
}
"""What every export has of a decision and of its newest verdict; `confidence` from 0 to 1."""

FULL_EXPORT_COLUMNS: dict[str, type] = {"case": str, "answer": str}
"""What a full export has besides: the stored texts, the answer last."""

Exported = tuple[Any, ...]
"""A row, in the order of the columns."""


def columns(*, full: bool) -> dict[str, type]:
    """The columns of an export, in their order, with the type of their values; any but the first three may be
    None.
    """
    return EXPORT_COLUMNS | FULL_EXPORT_COLUMNS if full else EXPORT_COLUMNS


def export_query(wanted: DecisionFilter, *, full: bool) -> Select[Any]:
    """The decisions that match, in the order of their ids, which is that of recording; an answer as it is
    stored, last.
    """
    newest = (
        select(verdict.c.cause, verdict.c.not_determinable, verdict.c.basis, verdict.c.recorded_at)
        .where(verdict.c.decision_id == decision.c.id)
        .order_by(verdict.c.recorded_at.desc(), verdict.c.id.desc())
        .limit(1)
        .lateral("newest")
    )
    named = {
        "client": client.c.name,
        "confidence": (decision.c.confidence / literal_column("10000.0")).cast(Double),
        "verdict_cause": newest.c.cause,
        "verdict_not_determinable": newest.c.not_determinable,
        "verdict_basis": newest.c.basis,
        "verdict_at": newest.c.recorded_at,
        "case": decision.c.case_text,
    }
    beside = [name for name in columns(full=full) if name != "answer"]
    asked: list[ColumnElement[Any]] = [
        (named[name] if name in named else decision.c[name]).label(name) for name in beside
    ]
    asked += [*STORED_ANSWER] if full else []
    joined = decision.join(client, client.c.id == decision.c.client_id).outerjoin(newest, true())
    return select(*asked).select_from(joined).where(*conditions(wanted)).order_by(decision.c.id)


RFC_3339: ColumnElement[str] = literal_column('\'YYYY-MM-DD"T"HH24:MI:SS.US"Z"\'')


FORMULA = "^[=+@\t\r-]"
"""How a cell begins that a spreadsheet would run."""


def spelled(rows: Select[Any], *, full: bool, safe: bool) -> Select[Any]:
    """The same rows with times and truth values in the words that JSON has for them; if `safe`, no text
    begins a formula.
    """
    table = rows.subquery("exported")

    def spell(column: ColumnElement[Any], kind: type) -> ColumnElement[Any]:
        if kind is datetime:
            return func.to_char(func.timezone(literal_column("'UTC'"), column), RFC_3339)
        if kind is str and safe:
            return case(
                (column.regexp_match(FORMULA), literal_column("chr(39)", Text).concat(column)), else_=column
            )
        return column.cast(Text) if kind is bool else column

    beside = {name: kind for name, kind in columns(full=full).items() if name != "answer"}
    stored = [table.c[name] for name in STORED_COLUMNS] if full else []
    return select(
        *(spell(table.c[name], kind).label(name) for name, kind in beside.items()), *stored
    ).order_by(table.c.id)


def statement(wanted: DecisionFilter, *, full: bool = False) -> tuple[str, dict[str, Any]]:
    """The query as the driver takes it."""
    return as_driver_takes(export_query(wanted, full=full))


async def export_rows(
    conn: AsyncConnection, wanted: DecisionFilter, *, full: bool
) -> AsyncGenerator[list[Exported], None]:
    """The decisions, some at a time."""
    raw = await raw_connection(conn)
    async with raw.cursor(name="export", binary=True) as cursor:
        await cursor.execute(*statement(wanted, full=full))
        while batch := await cursor.fetchmany(EXPORTED_AT_A_TIME):
            yield await with_answers(conn, batch) if full else batch


async def export_csv(
    conn: AsyncConnection, wanted: DecisionFilter, *, full: bool, safe: bool = False
) -> AsyncGenerator[bytes, None]:
    """The decisions as CSV (RFC 4180) with a header, a record at a time, for so the server sends them.

    If `safe`, a text that a spreadsheet would run as a formula begins with an apostrophe.
    """
    if full:
        # While the server sends records the connection can be asked for nothing else.
        await learn_all(conn)
    raw = await raw_connection(conn)
    sql, values = as_driver_takes(spelled(export_query(wanted, full=full), full=full, safe=safe))
    async with (
        raw.cursor() as cursor,
        cursor.copy(f"COPY ({sql}) TO STDOUT (FORMAT csv)", values) as copy,
    ):
        yield ",".join(columns(full=full)).encode() + b"\r\n"
        async for record in copy:
            line = bytes(record[:-1])
            yield (_with_answer(line) if full else line) + b"\r\n"


def _with_answer(record: bytes) -> bytes:
    """A record of CSV whose last fields are those of `StoredAnswer`, with the answer in their place."""
    rest, packed, dictionary, sha256 = record.rsplit(b",", 3)
    if not packed:
        return rest
    stored = StoredAnswer(None, _bytes(packed), int(dictionary) if dictionary else None, _bytes(sha256))
    return rest + b'"' + PACKERS.text(stored).encode().replace(b'"', b'""') + b'"'


def _bytes(spelled_hex: bytes) -> bytes:
    """A `bytea` as the server spells it: two characters to say so, then hexadecimal digits."""
    return bytes.fromhex(spelled_hex[2:].decode())
