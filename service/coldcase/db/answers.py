"""The answers of decisions as the record keeps them, packed or as text, and the dictionaries of them.

Whoever reads an answer selects `STORED_ANSWER` last and gets the text by `with_answers`.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple

from sqlalchemy import select, text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import answer_dictionary, decision
from coldcase.proof.packing import Packer, Unpackable

STORED_COLUMNS = ("answer_text", "answer_packed", "dictionary", "answer_sha256")
STORED_ANSWER = tuple(decision.c[name] for name in STORED_COLUMNS)
"""What the record holds of an answer, in the order of `StoredAnswer`."""


class StoredAnswer(NamedTuple):
    """An answer as it stands: its text, or packed with the dictionary of that number (or with none) and its
    32-byte SHA-256.
    """

    text: str | None
    packed: bytes | None
    dictionary: int | None
    sha256: bytes | None


class Packers:
    """What packs and unpacks, by the number of the dictionary, each made once. A number belongs to one
    content, so those of several records may be kept together.
    """

    def __init__(self) -> None:
        self._known: dict[int | None, Packer] = {None: Packer(None)}

    def missing(self, stored: Iterable[StoredAnswer]) -> set[int]:
        """The dictionaries that are needed for these and not yet known."""
        return {row.dictionary for row in stored if row.dictionary is not None} - self._known.keys()

    def add(self, dictionary: bytes) -> Packer:
        """Makes one known."""
        made = Packer(dictionary)
        return self._known.setdefault(made.dictionary_id, made)

    def text(self, stored: StoredAnswer) -> str:
        """The answer. Raises Unpackable, also where its dictionary is not known."""
        if stored.packed is None:
            return stored.text or ""
        packer = self._known.get(stored.dictionary) or self._known[None]
        return packer.unpack(stored.packed, stored.sha256 or b"").decode()


PACKERS = Packers()
"""Those of this process."""

DICTIONARIES = "SELECT content FROM answer_dictionary WHERE id = any($1::integer[])"
DICTIONARY_OF = "SELECT content FROM answer_dictionary WHERE rule_table = $1"


Rows = Sequence[Sequence[Any]]


async def with_answers(conn: AsyncConnection, rows: Rows, *, at: int | None = None) -> list[tuple[Any, ...]]:
    """Rows that end with `STORED_ANSWER`, with the text in its stead, or before the member that is `at` that
    place. Raises Unpackable.
    """
    return _put_in(rows, await stored_answers(conn, rows), PACKERS.text, at)


async def with_sound_answers(conn: AsyncConnection, rows: Rows, *, at: int) -> list[tuple[Any, ...]]:
    """As `with_answers`, for what looks whether the record is sound: an answer that cannot be unpacked is "",
    which is no answer at all.
    """
    return _put_in(rows, await stored_answers(conn, rows), _sound, at)


def _put_in(
    rows: Rows, stored: Sequence[StoredAnswer], text_of: Callable[[StoredAnswer], str], at: int | None
) -> list[tuple[Any, ...]]:
    end = -len(STORED_COLUMNS)
    return [
        (*row[: end if at is None else at], text_of(answer), *(() if at is None else row[at:end]))
        for row, answer in zip(rows, stored, strict=True)
    ]


def _sound(row: StoredAnswer) -> str:
    try:
        return PACKERS.text(row)
    except Unpackable:
        return ""


async def stored_answers(conn: AsyncConnection, rows: Rows) -> list[StoredAnswer]:
    """What rows end with, once every dictionary of it is known: for a reader who needs few of the texts."""
    stored = [StoredAnswer(*row[-len(STORED_COLUMNS) :]) for row in rows]
    await _learn(conn, stored)
    return stored


async def _learn(conn: AsyncConnection, rows: Sequence[StoredAnswer]) -> None:
    missing = PACKERS.missing(rows)
    if missing:
        query = select(answer_dictionary.c.content).where(answer_dictionary.c.id.in_(missing))
        for content in await conn.scalars(query):
            PACKERS.add(content)


async def learn_all(conn: AsyncConnection) -> None:
    """Makes every dictionary of the record known: for a reader whose connection is taken while it reads."""
    named = [
        StoredAnswer(None, None, id_, None) for id_ in await conn.scalars(select(answer_dictionary.c.id))
    ]
    await _learn(conn, named)


async def has_dictionary(conn: AsyncConnection, version: int) -> bool:
    """Whether a rule table has its dictionary."""
    query = select(answer_dictionary.c.id).where(answer_dictionary.c.rule_table == version)
    return await conn.scalar(query) is not None


async def dictionary_of(conn: AsyncConnection, version: int) -> bytes | None:
    """The dictionary of a rule table; None if it has none."""
    query = select(answer_dictionary.c.content).where(answer_dictionary.c.rule_table == version)
    content: bytes | None = await conn.scalar(query)
    return content


async def keep_dictionary(conn: AsyncConnection, version: int, dictionary: bytes) -> bool:
    """Gives a rule table on record its dictionary; False where it has one, or shares another's."""
    query = text("SELECT keep_dictionary(:version, :content)")
    return bool(await conn.scalar(query, {"version": version, "content": dictionary}))
