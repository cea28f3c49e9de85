"""Hashes over an append-only list, so that its earlier state can be proved later.

The tree, its proofs and their verification are those of RFC 9162, section 2.1, with SHA-256. A leaf
is hashed behind a zero byte and a node behind a one byte, so that neither can pass for the other.
"""

from collections.abc import Iterable, Sequence
from hashlib import sha256


def leaf_hash(entry: bytes) -> bytes:
    """The hash of one entry of the list (RFC 9162, 2.1.1)."""
    return sha256(b"\x00" + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """The hash over two subtrees (RFC 9162, 2.1.1)."""
    return sha256(b"\x01" + left + right).digest()


class Frontier:
    """The tree's right edge: all that is needed to add leaves and to tell the root.

    Holds one hash for each complete subtree, the largest first: as many as the size has ones in
    binary.

    Parameters
    ----------
    leaves : iterable of bytes
        The hashes of the leaves that are there already.
    """

    def __init__(self, leaves: Iterable[bytes] = ()) -> None:
        self.size = 0
        self._complete: list[bytes] = []
        for leaf in leaves:
            self.add(leaf)

    def add(self, leaf: bytes) -> None:
        """Append the hash of one leaf."""
        grown, size = leaf, self.size
        while size & 1:
            grown = node_hash(self._complete.pop(), grown)
            size >>= 1
        self._complete.append(grown)
        self.size += 1

    def copy(self) -> "Frontier":
        """A frontier that grows apart from this one."""
        other = Frontier()
        other.size, other._complete = self.size, self._complete.copy()
        return other

    def root(self) -> bytes:
        """The Merkle Tree Hash of all leaves so far; of none, the hash of nothing."""
        if not self._complete:
            return sha256().digest()
        *others, root = self._complete
        for left in reversed(others):
            root = node_hash(left, root)
        return root


def inclusion_proof(index: int, leaves: Sequence[bytes]) -> tuple[bytes, ...]:
    """The hashes that lead from one leaf to the root (RFC 9162, 2.1.3.1).

    Parameters
    ----------
    index : int
        Which leaf, from 0.
    leaves : sequence of bytes
        The hashes of all leaves.

    Raises
    ------
    IndexError
        There is no such leaf.
    """
    if not 0 <= index < len(leaves):
        raise IndexError(f"leaf {index} of {len(leaves)}")
    proof: list[bytes] = []
    first, end = 0, len(leaves)
    while end - first > 1:
        middle = first + _largest_power_below(end - first)
        if index < middle:
            proof.append(_root(leaves[middle:end]))
            end = middle
        else:
            proof.append(_root(leaves[first:middle]))
            first = middle
    return tuple(reversed(proof))


def inclusion_holds(
    index: int, size: int, *, leaf: bytes, proof: Sequence[bytes], root: bytes
) -> bool:
    """Whether a proof leads from a leaf's hash to a root (RFC 9162, 2.1.3.2)."""
    if not 0 <= index < size:
        return False
    here, last, found = index, size - 1, leaf
    for beside in proof:
        if last == 0:
            return False
        if here & 1 or here == last:
            found = node_hash(beside, found)
            here, last = _up_to_a_right_child(here, last)
        else:
            found = node_hash(found, beside)
        here, last = here >> 1, last >> 1
    return last == 0 and found == root


def consistency_proof(old_size: int, leaves: Sequence[bytes]) -> tuple[bytes, ...]:
    """The hashes that show a tree to begin with an earlier one (RFC 9162, 2.1.4.1).

    Parameters
    ----------
    old_size : int
        How many leaves the earlier tree had, from 1.
    leaves : sequence of bytes
        The hashes of all leaves of the later one.

    Raises
    ------
    IndexError
        The earlier tree would be empty, or larger than the later one.
    """
    if not 0 < old_size <= len(leaves):
        raise IndexError(f"a tree of {old_size} in one of {len(leaves)}")
    proof: list[bytes] = []
    first, end, whole = 0, len(leaves), True
    while old_size < end:
        middle = first + _largest_power_below(end - first)
        if old_size <= middle:
            proof.append(_root(leaves[middle:end]))
            end = middle
        else:
            proof.append(_root(leaves[first:middle]))
            first, whole = middle, False
    if not whole:  # else it is the earlier root itself, which whoever checks has at hand
        proof.append(_root(leaves[first:end]))
    return tuple(reversed(proof))


def consistency_holds(
    old_size: int, new_size: int, *, old_root: bytes, new_root: bytes, proof: Sequence[bytes]
) -> bool:
    """Whether a proof shows a later tree to begin with an earlier one (RFC 9162, 2.1.4.2)."""
    if not 0 < old_size <= new_size:
        return False
    if old_size == new_size:
        return not proof and old_root == new_root
    path = [old_root, *proof] if old_size & (old_size - 1) == 0 else list(proof)
    if not proof:
        return False
    here, last = old_size - 1, new_size - 1
    while here & 1:
        here, last = here >> 1, last >> 1
    old = new = path[0]
    for beside in path[1:]:
        if last == 0:
            return False
        if here & 1 or here == last:
            old, new = node_hash(beside, old), node_hash(beside, new)
            here, last = _up_to_a_right_child(here, last)
        else:
            new = node_hash(new, beside)
        here, last = here >> 1, last >> 1
    return last == 0 and old == old_root and new == new_root


def _root(leaves: Sequence[bytes]) -> bytes:
    return Frontier(leaves).root()


def _largest_power_below(size: int) -> int:
    """The largest power of two smaller than `size`, which is 2 at least."""
    return int(1 << (size - 1).bit_length() - 1)


def _up_to_a_right_child(here: int, last: int) -> tuple[int, int]:
    """Climb the levels at which a node is alone and nothing is hashed."""
    while here and not here & 1:
        here, last = here >> 1, last >> 1
    return here, last
