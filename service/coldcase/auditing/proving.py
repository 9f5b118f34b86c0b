"""Inclusion proofs without a whole seal in hand: of each sealed tree the upper part is kept, a hash for every
block of leaves.
"""

import asyncio

from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db import seals
from coldcase.db.seals import Seal
from coldcase.errors import ColdcaseError
from coldcase.proof import merkle

BLOCK = 1024
"""Leaves in a block, a power of two: so each block is a subtree of the whole, and the tree over the blocks'
roots is its upper part."""

MOST_KEPT = 1000


class NotAsSealed(ColdcaseError):
    """The record no longer matches its seal, so there is no proof that it is under it. A verification names
    what was changed.
    """

    code = "not_as_sealed"


class Trees:
    """The upper parts of sealed trees, 32 bytes for each `BLOCK` leaves; of the seals that were asked for
    last.
    """

    def __init__(self) -> None:
        self._kept: dict[bytes, list[bytes]] = {}

    async def path(self, conn: AsyncConnection, seal: Seal, position: int) -> list[bytes]:
        """The hashes that lead from the leaf at `position` to the seal's root, the nearest first.

        Reads one block of leaves; of a seal that is not kept all of them once, a block at a time, so that
        others come to their turn in between. Raises NotAsSealed where what stands there does not have that
        root.
        """
        upper = self._kept.pop(seal.head, None) or await _block_roots(conn, seal)
        if merkle.root(upper) != seal.root or not 0 <= position < seal.count:
            raise NotAsSealed
        self._kept[seal.head] = upper
        if len(self._kept) > MOST_KEPT:
            del self._kept[next(iter(self._kept))]
        place, within = divmod(position, BLOCK)
        block = await seals.leaves(conn, seal.number, first=place * BLOCK, most=BLOCK)
        if merkle.root(block) != upper[place]:
            raise NotAsSealed
        return [*merkle.inclusion_proof(block, within), *merkle.inclusion_proof(upper, place)]


async def _block_roots(conn: AsyncConnection, seal: Seal) -> list[bytes]:
    roots = []
    for first in range(0, seal.count, BLOCK):
        roots.append(merkle.root(await seals.leaves(conn, seal.number, first=first, most=BLOCK)))
        await asyncio.sleep(0)
    return roots
