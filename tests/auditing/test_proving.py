"""Inclusion proofs from blocks of leaves: the same as from all of them, and a second one reads a block."""

import pytest

from coldcase.auditing import proving
from coldcase.auditing.proving import Trees
from coldcase.db import seals
from coldcase.proof import merkle

pytestmark = pytest.mark.anyio
BLOCK = 4


@pytest.fixture
def read(monkeypatch):
    """Small blocks, and the places where one was read from."""
    found: list[int] = []
    leaves = seals.leaves

    async def noted(conn, seal, *, first, most):
        found.append(first)
        return await leaves(conn, seal, first=first, most=most)

    monkeypatch.setattr(proving, "BLOCK", BLOCK)
    monkeypatch.setattr(seals, "leaves", noted)
    return found


async def test_a_proof_from_a_block_is_that_from_all_leaves(ledger, read):
    trees = Trees()
    async with ledger.engine.begin() as conn, seals.as_auditor(conn):
        found = await seals.list_seals_after(conn)
        assert max(seal.count for seal in found) > 2 * BLOCK
        for seal in found:
            leaves = await seals.leaves(conn, seal.number, first=0, most=seal.count)
            for place in range(seal.count):
                path = await trees.path(conn, seal, place)
                assert path == merkle.inclusion_proof(leaves, place)
                assert merkle.proves(leaves[place], place, seal.count, path, seal.root)


async def test_a_second_proof_under_a_seal_reads_one_block(ledger, read):
    trees = Trees()
    async with ledger.engine.begin() as conn, seals.as_auditor(conn):
        seal = max(await seals.list_seals_after(conn), key=lambda seal: seal.count)
        await trees.path(conn, seal, 0)
        read.clear()
        await trees.path(conn, seal, BLOCK + 1)
        assert read == [BLOCK]


@pytest.mark.parametrize("count", [1, 2, 7, 8, 9, 15, 16, 17, 31, 33, 63, 64, 65, 70])
def test_the_tree_over_the_roots_of_blocks_is_the_upper_part_of_the_whole(count):
    leaves = [merkle.leaf_hash(bytes([number])) for number in range(count)]
    blocks = [leaves[first : first + 8] for first in range(0, count, 8)]
    roots = [merkle.root(block) for block in blocks]
    assert merkle.root(roots) == merkle.root(leaves)
    for place in range(count):
        block, within = divmod(place, 8)
        path = [*merkle.inclusion_proof(blocks[block], within), *merkle.inclusion_proof(roots, block)]
        assert path == merkle.inclusion_proof(leaves, place)
