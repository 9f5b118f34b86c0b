"""Merkle trees over records (RFC 9162 section 2.1, SHA-256): root, inclusion proof, and the chain of sealed
roots.

A tree is grown leaf by leaf and keeps one hash a level, so that a root over millions of records needs no more
memory than a root over ten.
"""

import hashlib
from collections.abc import Iterable, Sequence
from typing import Any

from coldcase.proof.canonical import canonical_json

LEAF, NODE = b"\x00", b"\x01"
"""What is put before a leaf and before a pair, so that neither can be passed off as the other."""

EMPTY = hashlib.sha256(b"").digest()
"""The root of a tree without leaves."""


def leaf_hash(entry: bytes) -> bytes:
    """The hash of one entry, 32 bytes."""
    return hashlib.sha256(LEAF + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """The hash of two subtrees side by side."""
    return hashlib.sha256(NODE + left + right).digest()


class Tree:
    """A tree that grows at its right edge. `count` is the number of leaves."""

    def __init__(self) -> None:
        self.count = 0
        self._peaks: list[bytes] = []

    def add(self, leaf: bytes) -> None:
        """Adds a leaf's hash: each complete pair of subtrees becomes one."""
        size = self.count
        while size & 1:
            leaf = node_hash(self._peaks.pop(), leaf)
            size >>= 1
        self._peaks.append(leaf)
        self.count += 1

    def root(self) -> bytes:
        """The root over all leaves so far; more may be added afterwards."""
        if not self._peaks:
            return EMPTY
        found = self._peaks[-1]
        for peak in reversed(self._peaks[:-1]):
            found = node_hash(peak, found)
        return found


def root(leaves: Iterable[bytes]) -> bytes:
    """The root over leaf hashes in this order."""
    tree = Tree()
    for leaf in leaves:
        tree.add(leaf)
    return tree.root()


def inclusion_proof(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """The hashes that lead from the leaf at `index` to the root, the nearest first. Raises `IndexError`."""
    if not 0 <= index < len(leaves):
        raise IndexError(index)
    if len(leaves) == 1:
        return []
    split = 1 << (len(leaves) - 1).bit_length() - 1
    if index < split:
        return [*inclusion_proof(leaves[:split], index), root(leaves[split:])]
    return [*inclusion_proof(leaves[split:], index - split), root(leaves[:split])]


def proves(leaf: bytes, index: int, count: int, proof: Sequence[bytes], expected: bytes) -> bool:
    """Whether the proof leads from this leaf, at `index` of `count`, to the expected root (RFC 9162 section
    2.1.3.2).
    """
    if not 0 <= index < count:
        return False
    place, last, found = index, count - 1, leaf
    for step in proof:
        if last == 0:
            return False
        if place & 1 or place == last:
            found = node_hash(step, found)
            while not place & 1 and place:
                place, last = place >> 1, last >> 1
        else:
            found = node_hash(found, step)
        place, last = place >> 1, last >> 1
    return last == 0 and found == expected


def head(seal: dict[str, Any]) -> bytes:
    """The hash that stands for a seal and, since `previous` is among its members, for all seals before it."""
    return hashlib.sha256(canonical_json(seal)).digest()
