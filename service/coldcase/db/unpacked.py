"""Decisions whose answers are kept as text still, and what packs them; as the owner of the database.

The database takes this one change of a decision (`only_pack`): the text for something packed, and beside it
the digest of the text, which it works out itself. Nothing else of the row may change.
"""

from collections.abc import Sequence
from uuid import UUID

import msgspec
from sqlalchemy import bindparam, select, text
from sqlalchemy.dialects.postgresql import ARRAY, BYTEA, INTEGER
from sqlalchemy.dialects.postgresql import UUID as SQL_UUID
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import decision


class UnpackedAnswer(msgspec.Struct, frozen=True):
    """A decision's answer as text, and the rule table that gave it."""

    id: UUID
    rule_table: int
    answer: str


class PackedAnswer(msgspec.Struct, frozen=True):
    """The same packed; `dictionary` is the number of what it is packed with, or None."""

    id: UUID
    packed: bytes
    dictionary: int | None


async def unpacked_answers(conn: AsyncConnection, *, after: UUID, limit: int) -> list[UnpackedAnswer]:
    """At most `limit` of them after an id, in the order of their ids."""
    query = (
        select(decision.c.id, decision.c.rule_table, decision.c.answer_text)
        .where(decision.c.id > after, decision.c.answer_text.is_not(None))
        .order_by(decision.c.id)
        .limit(limit)
    )
    return [UnpackedAnswer(*row) for row in await conn.execute(query)]


PACK = text("""
UPDATE decision SET answer_text = NULL, answer_packed = made.packed, dictionary = made.dictionary,
    answer_sha256 = sha256(convert_to(answer_text, 'UTF8'))
FROM unnest(:ids, :frames, :dictionaries) AS made (id, packed, dictionary)
WHERE decision.id = made.id AND decision.answer_text IS NOT NULL
""").bindparams(
    bindparam("ids", type_=ARRAY(SQL_UUID)),
    bindparam("frames", type_=ARRAY(BYTEA)),
    bindparam("dictionaries", type_=ARRAY(INTEGER)),
)


async def pack_answers(conn: AsyncConnection, made: Sequence[PackedAnswer]) -> int:
    """Puts them in the place of the texts; how many. What somebody else has packed meanwhile stays."""
    values = {
        "ids": [one.id for one in made],
        "frames": [one.packed for one in made],
        "dictionaries": [one.dictionary for one in made],
    }
    return int((await conn.execute(PACK, values)).rowcount)


async def reuse_space(conn: AsyncConnection) -> None:
    """Gives the space of the texts to what comes, and what lies at a file's end to the disk. On a connection
    that is in no transaction; holds nobody up.
    """
    await conn.execute(text("VACUUM decision"))
