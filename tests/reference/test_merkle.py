"""The tree of hashes against published values.

Source: transparency-dev/merkle, testonly/constants.go (leaves, node hashes, roots) and
proof/proof_test.go (which nodes a proof consists of), both read. They go back to RFC 6962, whose
hashing RFC 9162 keeps; the RFC's own text was not read.
"""

from hashlib import sha256

import pytest

from longsoak.core.merkle import (
    Frontier,
    consistency_holds,
    consistency_proof,
    inclusion_holds,
    inclusion_proof,
    leaf_hash,
)

ENTRIES = [
    bytes.fromhex(entry)
    for entry in (
        "", "00", "10", "2021", "3031", "40414243", "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]  # fmt: skip
NODES = [
    [
        "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7",
        "07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7",
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "4271a26be0d8a84f0bd54c8c302e7cb3a3b5d1fa6780a40bcce2873477dab658",
        "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
        "46f6ffadd3d06a09ff3c5860d2755c8b9819db7df44251788c7d8e3180de8eb1",
    ],
    [
        "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
    ],
    [
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ],
    ["5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328"],
]
ROOTS = [
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

# Nodes as (level, index). Several in one pair of brackets are hashed together from the right: the
# source lists what a proof is made of, and says which of it stands for a node that is not stored.
Node = tuple[int, int]
INCLUSIONS: list[tuple[int, int, list[list[Node]]]] = [
    (1, 0, []),
    (2, 0, [[(0, 1)]]),
    (2, 1, [[(0, 0)]]),
    (3, 1, [[(0, 0)], [(0, 2)]]),
    (7, 0, [[(0, 1)], [(1, 1)], [(0, 6), (1, 2)]]),
    (7, 1, [[(0, 0)], [(1, 1)], [(0, 6), (1, 2)]]),
    (7, 2, [[(0, 3)], [(1, 0)], [(0, 6), (1, 2)]]),
    (7, 3, [[(0, 2)], [(1, 0)], [(0, 6), (1, 2)]]),
    (7, 4, [[(0, 5)], [(0, 6)], [(2, 0)]]),
    (7, 5, [[(0, 4)], [(0, 6)], [(2, 0)]]),
    (7, 6, [[(1, 2)], [(2, 0)]]),
    (4, 2, [[(0, 3)], [(1, 0)]]),
    (5, 3, [[(0, 2)], [(1, 0)], [(0, 4)]]),
    (6, 3, [[(0, 2)], [(1, 0)], [(1, 2)]]),
    (6, 4, [[(0, 5)], [(2, 0)]]),
    (15, 10, [[(0, 11)], [(1, 4)], [(0, 14), (1, 6)], [(3, 0)]]),
    (31, 24, [[(0, 25)], [(1, 13)], [(0, 30), (1, 14)], [(3, 2)], [(4, 0)]]),
    (
        95, 81,
        [[(0, 80)], [(1, 41)], [(2, 21)], [(0, 94), (1, 46), (2, 22)], [(4, 4)], [(6, 0)]],
    ),
]  # fmt: skip
CONSISTENCIES: list[tuple[int, int, list[list[Node]]]] = [
    (1, 2, [[(0, 1)]]),
    (1, 4, [[(0, 1)], [(1, 1)]]),
    (1, 6, [[(0, 1)], [(1, 1)], [(1, 2)]]),
    (2, 3, [[(0, 2)]]),
    (2, 8, [[(1, 1)], [(2, 1)]]),
    (3, 7, [[(0, 2)], [(0, 3)], [(1, 0)], [(0, 6), (1, 2)]]),
    (4, 7, [[(0, 6), (1, 2)]]),
    (5, 7, [[(0, 4)], [(0, 5)], [(0, 6)], [(2, 0)]]),
    (6, 7, [[(1, 2)], [(0, 6)], [(2, 0)]]),
    (7, 8, [[(0, 6)], [(0, 7)], [(1, 2)], [(2, 0)]]),
    (2, 2, []),
    (7, 7, []),
    (8, 8, []),
    (2, 4, [[(1, 1)]]),
    (3, 5, [[(0, 2)], [(0, 3)], [(1, 0)], [(0, 4)]]),
    (3, 6, [[(0, 2)], [(0, 3)], [(1, 0)], [(1, 2)]]),
    (4, 6, [[(1, 2)]]),
    (1, 7, [[(0, 1)], [(1, 1)], [(0, 6), (1, 2)]]),
    (10, 15, [[(1, 4)], [(1, 5)], [(0, 14), (1, 6)], [(3, 0)]]),
    (24, 31, [[(3, 2)], [(0, 30), (1, 14), (2, 6)], [(4, 0)]]),
    (
        81, 95,
        [[(0, 80)], [(0, 81)], [(1, 41)], [(2, 21)], [(0, 94), (1, 46), (2, 22)], [(4, 4)],
         [(6, 0)]],
    ),
]  # fmt: skip


def leaves(size: int) -> list[bytes]:
    return [leaf_hash(n.to_bytes(2)) for n in range(size)]


def hashes(nodes: list[list[Node]], of: list[bytes]) -> tuple[bytes, ...]:
    """The nodes' hashes, by SHA-256 alone."""

    def at(level: int, index: int) -> bytes:
        if level == 0:
            return of[index]
        return sha256(b"\x01" + at(level - 1, 2 * index) + at(level - 1, 2 * index + 1)).digest()

    found = []
    for together in nodes:
        right = at(*together[0])
        for node in together[1:]:
            right = sha256(b"\x01" + at(*node) + right).digest()
        found.append(right)
    return tuple(found)


@pytest.mark.parametrize("size", range(len(ROOTS)))
def test_the_roots_are_the_published_ones(size: int) -> None:
    assert Frontier(map(leaf_hash, ENTRIES[:size])).root().hex() == ROOTS[size]


def test_the_nodes_of_a_proof_are_the_published_ones() -> None:
    of = [leaf_hash(entry) for entry in ENTRIES]
    assert [leaf.hex() for leaf in of] == NODES[0]
    assert [node.hex() for node in inclusion_proof(0, of)] == [
        NODES[0][1], NODES[1][1], NODES[2][1],
    ]  # fmt: skip
    assert [node.hex() for node in consistency_proof(6, of)] == [
        NODES[1][2], NODES[1][3], NODES[2][0],
    ]  # fmt: skip


@pytest.mark.parametrize(("size", "index", "nodes"), INCLUSIONS)
def test_a_leaf_is_proved_by_the_published_nodes(
    size: int, index: int, nodes: list[list[Node]]
) -> None:
    of = leaves(size)
    proof = hashes(nodes, of)
    assert inclusion_proof(index, of) == proof
    assert inclusion_holds(index, size, leaf=of[index], proof=proof, root=Frontier(of).root())


@pytest.mark.parametrize(("old", "size", "nodes"), CONSISTENCIES)
def test_growth_is_proved_by_the_published_nodes(
    old: int, size: int, nodes: list[list[Node]]
) -> None:
    of = leaves(size)
    proof = hashes(nodes, of)
    assert consistency_proof(old, of) == proof
    assert consistency_holds(
        old,
        size,
        old_root=Frontier(of[:old]).root(),
        new_root=Frontier(of).root(),
        proof=proof,
    )
