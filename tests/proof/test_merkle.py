"""Merkle trees: published roots and paths, and what must hold for every tree."""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.proof import merkle

# The test vectors of the Certificate Transparency reference implementation (certificate-transparency,
# cpp/merkletree/merkle_tree_test.cc; the same stand in transparency-dev/merkle, testonly/constants.go). RFC
# 9162 hashes as RFC 6962 does.
PUBLISHED_LEAVES = [
    bytes.fromhex(entry)
    for entry in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
PUBLISHED_ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
PUBLISHED_PATHS = {
    (0, 1): [],
    (0, 8): [
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ],
    (5, 8): [
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ],
    (2, 3): ["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"],
}


@pytest.mark.parametrize("count", range(9))
def test_the_published_roots_come_out(count):
    assert (
        merkle.root(merkle.leaf_hash(entry) for entry in PUBLISHED_LEAVES[:count]).hex()
        == PUBLISHED_ROOTS[count]
    )


@pytest.mark.parametrize(("index", "count"), PUBLISHED_PATHS)
def test_the_published_inclusion_paths_come_out(index, count):
    leaves = [merkle.leaf_hash(entry) for entry in PUBLISHED_LEAVES[:count]]
    assert [step.hex() for step in merkle.inclusion_proof(leaves, index)] == PUBLISHED_PATHS[index, count]


def by_definition(leaves: list[bytes]) -> bytes:
    """MTH as RFC 9162 section 2.1.1 writes it down: the largest power of two below n goes to the left."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return leaves[0]
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return hashlib.sha256(b"\x01" + by_definition(leaves[:k]) + by_definition(leaves[k:])).digest()


hashes = st.lists(st.binary(max_size=8).map(merkle.leaf_hash), max_size=70)
grown = hashes.filter(bool)


@given(hashes)
def test_growing_a_tree_gives_the_root_of_the_definition_at_every_size(leaves):
    tree = merkle.Tree()
    for size, leaf in enumerate(leaves):
        assert tree.root() == by_definition(leaves[:size])
        tree.add(leaf)
    assert tree.root() == by_definition(leaves)
    assert tree.count == len(leaves)


@given(grown, st.data())
def test_the_proof_of_every_leaf_holds_and_of_nothing_else(leaves, data):
    index = data.draw(st.integers(0, len(leaves) - 1))
    proof, root, count = merkle.inclusion_proof(leaves, index), merkle.root(leaves), len(leaves)
    assert merkle.proves(leaves[index], index, count, proof, root)
    assert not merkle.proves(merkle.leaf_hash(b"something else entirely"), index, count, proof, root)
    assert not merkle.proves(leaves[index], index, count, [*proof, root], root)
    assert not merkle.proves(leaves[index], count, count, proof, root)
    assert not merkle.proves(leaves[index], index, count, proof, merkle.leaf_hash(root))
    if proof:
        assert not merkle.proves(leaves[index], index, count, proof[:-1], root)


@given(st.lists(st.binary(max_size=8), min_size=2, max_size=40, unique=True), st.data())
def test_order_matters(entries, data):
    leaves = [merkle.leaf_hash(entry) for entry in entries]
    one, other = data.draw(st.lists(st.integers(0, len(leaves) - 1), min_size=2, max_size=2, unique=True))
    swapped = list(leaves)
    swapped[one], swapped[other] = leaves[other], leaves[one]
    assert merkle.root(swapped) != merkle.root(leaves)


def test_there_is_no_proof_of_a_leaf_that_is_not_there():
    with pytest.raises(IndexError):
        merkle.inclusion_proof([merkle.leaf_hash(b"only")], 1)


def test_a_leaf_cannot_be_passed_off_as_a_pair():
    left, right = merkle.leaf_hash(b"left"), merkle.leaf_hash(b"right")
    assert merkle.leaf_hash(left + right) != merkle.root([left, right])


def test_the_head_stands_for_all_that_a_seal_says():
    seal = {
        "number": 2,
        "previous": "aa" * 32,
        "root": "bb" * 32,
        "count": 3,
        "up_to_xid": "700",
        "at": "2026-03-02T16:40:00Z",
    }
    spelled = (
        b'{"at":"2026-03-02T16:40:00Z","count":3,"number":2,"previous":"'
        + b"aa" * 32
        + b'","root":"'
        + b"bb" * 32
        + b'","up_to_xid":"700"}'
    )
    assert merkle.head(seal) == hashlib.sha256(spelled).digest()
    for member in seal:
        assert merkle.head({**seal, member: "x"}) != merkle.head(seal)
