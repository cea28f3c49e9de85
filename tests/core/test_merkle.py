"""The tree of hashes: what must hold whatever is in it."""

from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.merkle import (
    Frontier,
    consistency_holds,
    consistency_proof,
    inclusion_holds,
    inclusion_proof,
    leaf_hash,
    node_hash,
)


def leaves(count: int) -> list[bytes]:
    return [leaf_hash(str(n).encode()) for n in range(count)]


def by_definition(hashes: list[bytes]) -> bytes:
    """MTH as the RFC defines it: split at the largest power of two below the size."""
    if len(hashes) == 1:
        return hashes[0]
    k = max(2**n for n in range(len(hashes)) if 2**n < len(hashes))
    return node_hash(by_definition(hashes[:k]), by_definition(hashes[k:]))


@pytest.mark.parametrize("size", [*range(1, 40), 64, 100, 127, 128, 129])
def test_adding_one_by_one_gives_the_root_of_the_definition(size: int) -> None:
    assert Frontier(leaves(size)).root() == by_definition(leaves(size))


def test_a_tree_of_nothing_has_the_hash_of_nothing() -> None:
    assert Frontier().root() == sha256(b"").digest()


def test_a_copy_grows_apart() -> None:
    tree = Frontier(leaves(5))
    copy = tree.copy()
    copy.add(leaf_hash(b"more"))
    assert tree.root() == by_definition(leaves(5))
    assert (tree.size, copy.size) == (5, 6)
    assert copy.root() == by_definition([*leaves(5), leaf_hash(b"more")])


@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n - 1))))
def test_every_leaf_is_proved_and_no_other_passes_for_it(sizes: tuple[int, int]) -> None:
    size, index = sizes
    all_leaves = leaves(size)
    root, proof = Frontier(all_leaves).root(), inclusion_proof(index, all_leaves)
    assert inclusion_holds(index, size, leaf=all_leaves[index], proof=proof, root=root)
    other = leaf_hash(b"another")
    assert not inclusion_holds(index, size, leaf=other, proof=proof, root=root)
    assert not inclusion_holds(index, size, leaf=all_leaves[index], proof=proof, root=other)
    if size > 1:
        moved = (index + 1) % size
        assert not inclusion_holds(moved, size, leaf=all_leaves[index], proof=proof, root=root)
        assert not inclusion_holds(index, size, leaf=all_leaves[index], proof=proof[:-1], root=root)
    longer = (*proof, other)
    assert not inclusion_holds(index, size, leaf=all_leaves[index], proof=longer, root=root)


@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.just(n), st.integers(1, n))))
def test_a_tree_that_grew_is_told_from_one_that_was_rewritten(sizes: tuple[int, int]) -> None:
    size, old_size = sizes
    all_leaves = leaves(size)
    old_root = Frontier(all_leaves[:old_size]).root()
    new_root = Frontier(all_leaves).root()
    proof = consistency_proof(old_size, all_leaves)
    assert consistency_holds(old_size, size, old_root=old_root, new_root=new_root, proof=proof)

    rewritten = [leaf_hash(b"rewritten"), *all_leaves[1:]]
    forged = Frontier(rewritten).root()
    for shown in (proof, consistency_proof(old_size, rewritten)):
        assert not consistency_holds(
            old_size, size, old_root=old_root, new_root=forged, proof=shown
        )
    other = leaf_hash(b"another")
    assert not consistency_holds(
        old_size, size, old_root=old_root, new_root=new_root, proof=(*proof, other)
    )
    if proof:
        assert not consistency_holds(
            old_size, size, old_root=old_root, new_root=new_root, proof=proof[:-1]
        )


@pytest.mark.parametrize(("index", "size"), [(-1, 3), (3, 3), (0, 0)])
def test_there_is_no_proof_of_a_leaf_that_is_not_there(index: int, size: int) -> None:
    with pytest.raises(IndexError):
        inclusion_proof(index, leaves(size))
    assert not inclusion_holds(index, size, leaf=b"", proof=(), root=b"")


@pytest.mark.parametrize(("old_size", "size"), [(0, 3), (4, 3)])
def test_no_tree_is_proved_to_begin_with_nothing_or_with_a_larger_one(
    old_size: int, size: int
) -> None:
    with pytest.raises(IndexError):
        consistency_proof(old_size, leaves(size))
    assert not consistency_holds(old_size, size, old_root=b"", new_root=b"", proof=())
