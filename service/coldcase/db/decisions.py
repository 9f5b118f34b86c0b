"""Reading the decisions on record: one by its id, or a page of those that match.

Row-level security shows nothing until `view_as` has said, in the same transaction, whose rows may be seen.
"""

import base64
import binascii
import struct
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Select, exists, select, text, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.answers import STORED_ANSWER, with_answers
from coldcase.db.clock import UNIX_EPOCH
from coldcase.db.tables import client, decision, verdict
from coldcase.errors import BadCursor

Order = Literal["at", "recorded_at"]
"""`at` is when the job was closed, or else when the decision was recorded."""
DecisionOrigin = Literal["live", "bulk"]
"""How a decision came: one by one, or by an import."""


class Decision(msgspec.Struct, frozen=True, kw_only=True):
    """A decision as it stands on record. `case` and `answer` are the bytes that were hashed and sent."""

    id: UUID
    client_id: int
    client: str
    recorded_at: datetime
    at: datetime
    circuit: str | None
    cause: str
    confidence: int
    fingerprint: bytes
    case: bytes
    answer: bytes
    rule_table: int
    engine: str
    supersedes: UUID | None
    own_words: str | None
    origin: str
    own_code: str | None


class ListedDecision(msgspec.Struct, frozen=True, kw_only=True):
    """A decision in a list; `confidence` from 0 to 1."""

    id: UUID
    recorded_at: datetime
    at: datetime
    job_ref: str | None
    circuit: str | None
    closed_at: datetime | None
    cause: str
    status: str
    confidence: float
    compressor_type: str
    refrigerant: str | None
    rule_table: int
    engine: str
    supersedes: UUID | None
    origin: str
    own_code: str | None


class DecisionFilter(msgspec.Struct, frozen=True, kw_only=True):
    """What to look for: all that is given must match. `from_` is included, `to` is not; both go by the
    order's time.

    `stands` leaves out what a later decision supersedes. `client_id` makes the search quick for one client;
    who may see what is decided by `view_as` all the same.
    """

    client_id: int | None = None
    cause: str | None = None
    status: str | None = None
    job_ref: str | None = None
    circuit: str | None = None
    compressor_type: str | None = None
    refrigerant: str | None = None
    rule_table: int | None = None
    engine: str | None = None
    origin: str | None = None
    has_verdict: bool | None = None
    stands: bool = False
    from_: datetime | None = None
    to: datetime | None = None
    by: Order = "at"


CursorPosition = tuple[datetime, UUID]
"""Where a page ends: the last row's time, by the order, and id."""

EQUAL = [name for name in DecisionFilter.__struct_fields__ if name in decision.c]
"""What of a search names a column, whose value must be the one given."""

LISTED = [decision.c[name] for name in ListedDecision.__struct_fields__]
OTHERWISE_NAMED = {"client": client.c.name, "case": decision.c.case_text}
BESIDE_ANSWER = [name for name in Decision.__struct_fields__ if name != "answer"]
WHOLE_DECISION = [
    (OTHERWISE_NAMED[name] if name in OTHERWISE_NAMED else decision.c[name]).label(name)
    for name in BESIDE_ANSWER
]
TEN_THOUSANDTHS = 10_000


async def view_as(conn: AsyncConnection, client_id: int, *, reads_all: bool = False) -> None:
    """For the rest of this transaction, shows the rows of this client, or of all clients."""
    await conn.execute(
        text(
            "SELECT set_config('coldcase.client', :client, true), set_config('coldcase.reads_all', "
            ":all, true)"
        ),
        {"client": str(client_id), "all": "on" if reads_all else "off"},
    )


async def find_decision(conn: AsyncConnection, id_: UUID) -> Decision | None:
    """The decision with this id, None if there is none or it may not be seen."""
    query = (
        select(*WHOLE_DECISION, *STORED_ANSWER)
        .join(client, client.c.id == decision.c.client_id)
        .where(decision.c.id == id_)
    )
    row = (await conn.execute(query)).one_or_none()
    if row is None:
        return None
    [(*members, answer)] = await with_answers(conn, [tuple(row)])
    found = dict(zip(BESIDE_ANSWER, members, strict=True))
    return Decision(**{**found, "case": found["case"].encode(), "answer": answer.encode()})


class Link(msgspec.Struct, frozen=True):
    """One decision of a chain in which each supersedes the one before."""

    id: UUID
    recorded_at: datetime


# Each step is a look-up of its own by an index: joined, the planner might read all decisions for a chain of
# two.
CHAIN = text("""
WITH RECURSIVE before AS (
    SELECT id, recorded_at, supersedes, 0 AS step FROM decision WHERE id = :id
    UNION ALL
    SELECT one.id, one.recorded_at, one.supersedes, before.step - 1 FROM before
    CROSS JOIN LATERAL (SELECT id, recorded_at, supersedes FROM decision WHERE id = before.supersedes
        LIMIT 1) AS one
    WHERE before.step > 1 - :most
), after AS (
    SELECT id, recorded_at, 0 AS step FROM decision WHERE id = :id
    UNION ALL
    SELECT one.id, one.recorded_at, after.step + 1 FROM after
    CROSS JOIN LATERAL (SELECT id, recorded_at FROM decision WHERE supersedes = after.id ORDER BY id DESC
        LIMIT 1) AS one
    WHERE after.step < :most - 1
)
SELECT id, recorded_at FROM (SELECT id, recorded_at, step FROM before UNION SELECT id, recorded_at, step
    FROM after) AS links
ORDER BY step LIMIT :most
""")


async def chain(conn: AsyncConnection, id_: UUID, *, most: int) -> list[Link]:
    """The chain that a decision belongs to, the first first: those that it supersedes, itself, and of what
    supersedes it the newest.

    It begins where an earlier one is no longer on record, and has `most` links at most.
    """
    return [Link(*row) for row in await conn.execute(CHAIN, {"id": id_, "most": most})]


async def find_decisions(
    conn: AsyncConnection, wanted: DecisionFilter, *, after: CursorPosition | None = None, limit: int
) -> list[ListedDecision]:
    """At most `limit` decisions that match, newest first, those after `after` only."""
    rows = (await conn.execute(matching(wanted, after).limit(limit))).mappings()
    return [ListedDecision(**{**row, "confidence": row["confidence"] / TEN_THOUSANDTHS}) for row in rows]


def matching(wanted: DecisionFilter, after: CursorPosition | None = None) -> Select[Any]:
    """The query behind `find_decisions`, newest first. Rows that arrive between two pages neither shift nor
    repeat any.
    """
    time = decision.c[wanted.by]
    query = select(*LISTED).where(*conditions(wanted)).order_by(time.desc(), decision.c.id.desc())
    return query if after is None else query.where(tuple_(time, decision.c.id) < tuple_(*after))


def conditions(wanted: DecisionFilter) -> Sequence[ColumnElement[bool]]:
    """The search as conditions on the table of decisions."""
    time = decision.c[wanted.by]
    given = [decision.c[name] == value for name in EQUAL if (value := getattr(wanted, name)) is not None]
    if wanted.has_verdict is not None:
        known = exists().where(verdict.c.decision_id == decision.c.id)
        given.append(known if wanted.has_verdict else ~known)
    if wanted.stands:
        later = decision.alias("later")
        given.append(~exists().where(later.c.supersedes == decision.c.id))
    if wanted.from_ is not None:
        given.append(time >= wanted.from_)
    if wanted.to is not None:
        given.append(time < wanted.to)
    return given


CURSOR = struct.Struct(">cq16s")


def make_cursor(wanted: DecisionFilter, last: ListedDecision) -> str:
    """The place after `last`, for the caller to send back."""
    microseconds = (getattr(last, wanted.by) - UNIX_EPOCH) // timedelta(microseconds=1)
    return (
        base64.urlsafe_b64encode(CURSOR.pack(wanted.by[:1].encode(), microseconds, last.id.bytes))
        .decode()
        .rstrip("=")
    )


def read_cursor(wanted: DecisionFilter, sent: str) -> CursorPosition:
    """What `make_cursor` made, read back. Raises BadCursor if it did not make this, or for another order."""
    try:
        order, microseconds, id_ = CURSOR.unpack(
            base64.b64decode(sent + "=" * (-len(sent) % 4), altchars=b"-_", validate=True)
        )
        moment = UNIX_EPOCH + timedelta(microseconds=microseconds)
    except (binascii.Error, struct.error, ValueError, OverflowError) as bad:
        raise BadCursor from bad
    if order != wanted.by[:1].encode():
        raise BadCursor
    return moment, UUID(bytes=id_)
