"""A decision as it stands: the chain it belongs to, its verdicts, and what failed on the same circuit before."""

from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db import decisions, verdicts
from coldcase.db.decisions import Decision, Link, Row, Search
from coldcase.db.verdicts import StoredVerdict
from coldcase.errors import NotFound

LONGEST_CHAIN = 100
MOST_EARLIER = 10


class Record(msgspec.Struct, frozen=True, kw_only=True):
    """A decision with what belongs to it: verdicts the newest first, earlier decisions on its circuit the newest first."""

    decision: Decision
    chain: list[Link]
    verdicts: list[StoredVerdict]
    earlier: list[Row]


async def record(conn: AsyncConnection, id_: UUID) -> Record:
    """A decision, and the chain it belongs to: each supersedes the one before. Raises NotFound."""
    found = await find(conn, id_)
    chain = await decisions.chain(conn, id_, most=LONGEST_CHAIN)
    links = {link.id for link in chain}
    return Record(
        decision=found,
        chain=chain,
        verdicts=await verdicts.of(conn, id_),
        earlier=[row for row in await _earlier(conn, found) if row.id not in links][:MOST_EARLIER],
    )


async def _earlier(conn: AsyncConnection, found: Decision) -> list[Row]:
    if found.circuit is None:
        return []
    same = Search(client_id=found.client_id, circuit=found.circuit, stands=True)
    return await decisions.search(conn, same, after=(found.at, found.id), limit=MOST_EARLIER + 1)


async def find(conn: AsyncConnection, id_: UUID) -> Decision:
    """One decision. Raises NotFound where there is none or it may not be seen."""
    found = await decisions.find(conn, id_)
    if found is None:
        raise NotFound
    return found
