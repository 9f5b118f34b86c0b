"""Answers as the record keeps them, for tests that look at them or harm them with SQL."""

from collections.abc import Callable
from typing import Any

import psycopg
from psycopg import sql
from sqlalchemy.ext.asyncio import AsyncEngine
from uuid_utils.compat import uuid7

from coldcase.db.answers import STORED_COLUMNS, Packers, StoredAnswer
from coldcase.db.decisions import view_as
from coldcase.db.seals import DECISION, stored_decisions
from coldcase.proof.decision_columns import PACKED_COLUMNS, StoredDecision

COPIED = ", ".join(STORED_COLUMNS)
"""What a copy of a decision takes of its answer."""


def answer_of(conn: psycopg.Connection[Any], id_: object) -> str:
    """The answer of a decision, read by itself."""
    return answers_of(conn, "id = %s", [id_])[0][1]


def answers_of(
    conn: psycopg.Connection[Any], where: str, values: list[object] | None = None
) -> list[tuple[Any, str]]:
    """Ids and answers of the decisions of a condition."""
    packers = Packers()
    for (content,) in conn.execute("SELECT content FROM answer_dictionary").fetchall():
        packers.add(content)
    rows = conn.execute(f"SELECT id, {COPIED} FROM decision WHERE {where}", values).fetchall()
    return [(row[0], packers.text(StoredAnswer(*row[1:]))) for row in rows]


def rewriting(url: str, id_: object, change: Callable[[str], str], *more: str) -> str:
    """The statement that puts another text in the place of an answer, and `more` besides."""
    with psycopg.connect(url) as conn:
        changed = change(answer_of(conn, id_))
        text = sql.Literal(changed).as_string(conn)
    parts = (
        f"answer_text = {text}",
        "answer_packed = NULL",
        "answer_sha256 = NULL",
        "dictionary = NULL",
        *more,
    )
    return f"UPDATE decision SET {', '.join(parts)} WHERE id = '{id_}'"


async def decisions_of(engine: AsyncEngine, where: str = "true") -> list[StoredDecision]:
    """The decisions of a condition as a seal is compared with them."""
    async with engine.connect() as conn:
        await view_as(conn, 1, reads_all=True)
        rows = await conn.exec_driver_sql(f"SELECT {DECISION} FROM decision AS r WHERE {where} ORDER BY r.id")
        return await stored_decisions(conn, [tuple(row) for row in rows])


def copy_of(ledger: Any, *, xid: str, recorded_at: str = "recorded_at") -> str:
    """The statement that puts a copy of the first decision on record."""
    columns = ", ".join(
        name
        for name in (*StoredDecision.__struct_fields__, *PACKED_COLUMNS)
        if name not in ("id", "xid", "recorded_at")
    )
    return (
        f"INSERT INTO decision (id, xid, recorded_at, {columns})"
        f" SELECT '{uuid7()}', {xid}, {recorded_at}, {columns} FROM decision WHERE id = '{ledger.ids[0]}'"
    )
