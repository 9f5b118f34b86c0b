"""Use case: the record as it stands."""

from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db import decisions
from coldcase.db.decisions import Decision
from coldcase.errors import NotFound

LONGEST_CHAIN = 100


async def record(conn: AsyncConnection, id_: UUID) -> tuple[Decision, list[Decision]]:
    """A decision, and the chain it belongs to: each supersedes the one before. Raises NotFound."""
    found = await _find(conn, id_)
    chain = [found]
    while chain[0].supersedes is not None and len(chain) < LONGEST_CHAIN:
        chain.insert(0, await _find(conn, chain[0].supersedes))
    while chain[-1].superseded_by and len(chain) < LONGEST_CHAIN:
        chain.append(await _find(conn, chain[-1].superseded_by[-1]))
    return found, chain


async def _find(conn: AsyncConnection, id_: UUID) -> Decision:
    found = await decisions.find(conn, id_)
    if found is None:
        raise NotFound
    return found
