"""What trainees said of cases, on record: one answer of a key to a case, never changed. Row-level security
shows a client its own (`decisions.view_as`).
"""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.keys import ApiKey
from coldcase.db.tables import api_key, training_answer

MOST_TRAINED = 2000
"""Of a trainee or a case, the newest, that are looked at."""


class TrainingAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """What one trainee said of one case: causes, the most likely first, and what to look at next (None:
    nothing more). `was_right` by what was established when it was said.
    """

    id: UUID
    client_id: int
    by_key: UUID
    case_name: str
    causes: list[str]
    next_check: str | None
    was_right: bool
    at: datetime


def _own(key: ApiKey) -> ColumnElement[bool]:
    """Answers of the person behind a key, whichever key of theirs they used; of a key without one its own."""
    mine = training_answer.c.by_key == key.id
    if key.person is None:
        return mine
    same = select(api_key.c.id).where(api_key.c.client_id == key.client_id, api_key.c.person == key.person)
    return or_(mine, training_answer.c.by_key.in_(same))


_COLUMNS = [training_answer.c[name] for name in TrainingAnswer.__struct_fields__]


async def add_training_answer(
    conn: AsyncConnection,
    key: ApiKey,
    *,
    id_: UUID,
    case_name: str,
    causes: Sequence[str],
    next_check: str | None,
    was_right: bool,
) -> None:
    """Records what a trainee says; of one who has said it before what was said first stays."""
    values = {
        "id": id_,
        "client_id": key.client_id,
        "by_key": key.id,
        "case_name": case_name,
        "causes": list(causes),
        "next_check": next_check,
        "was_right": was_right,
    }
    await conn.execute(insert(training_answer).values(**values).on_conflict_do_nothing())


async def answers_of_trainee(conn: AsyncConnection, key: ApiKey) -> dict[str, TrainingAnswer]:
    """What this person said, by case: of one who answered with two keys the first."""
    query = (
        select(*_COLUMNS)
        .where(training_answer.c.client_id == key.client_id, _own(key))
        .order_by(training_answer.c.id.desc())
        .limit(MOST_TRAINED)
    )
    found = [TrainingAnswer(**row._asdict()) for row in await conn.execute(query)]
    return {one.case_name: one for one in found}


async def answers_to_case(conn: AsyncConnection, client_id: int, case_name: str) -> list[TrainingAnswer]:
    """What all trainees of a client said of a case, the first first."""
    query = (
        select(*_COLUMNS)
        .where(training_answer.c.client_id == client_id, training_answer.c.case_name == case_name)
        .order_by(training_answer.c.id)
        .limit(MOST_TRAINED)
    )
    return [TrainingAnswer(**row._asdict()) for row in await conn.execute(query)]
