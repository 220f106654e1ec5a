"""The Merkle tree over the feed, by RFC 9162, 2.1: roots, proofs, and the right edge by which it grows.

Pure. A leaf's data are the 32 raw bytes of one envelope's hash, in the order of the feed. Whoever keeps a tree
hands in `Subtrees`, by which a complete subtree is looked up; nothing here knows where it is kept.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

EMPTY_ROOT = hashlib.sha256().digest()
"""RFC 9162, 2.1.1: the hash of an empty list is the hash of an empty string."""
LARGEST_SIZE = 1 << 62
"""Positions are 64 bit with a sign in both databases."""

Subtrees = Callable[[int, int], bytes]
"""`(level, index)` to the hash of the complete subtree over leaves index * 2**level … (index + 1) * 2**level - 1."""


def leaf_hash(data: bytes) -> bytes:
    """HASH(0x00 || d)."""
    return hashlib.sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """HASH(0x01 || left || right)."""
    return hashlib.sha256(b"\x01" + left + right).digest()


@dataclass(frozen=True, slots=True)
class Subtree:
    """A complete subtree: its level (0 is a leaf), its index at that level, its hash."""

    level: int
    index: int
    hash: bytes


@dataclass(frozen=True, slots=True)
class Edge:
    """The right edge of a tree: the complete subtrees that its size is made of, the largest first.

    All that is needed to go on with a tree and to say its root: one hash for each bit of the size.
    """

    size: int = 0
    hashes: tuple[bytes, ...] = ()

    def __post_init__(self) -> None:
        if len(self.hashes) != self.size.bit_count() or any(len(one) != 32 for one in self.hashes):
            raise ValueError(f"{len(self.hashes)} hashes are no edge of a tree of {self.size}")

    @property
    def root(self) -> bytes:
        """MTH of the whole list (2.1.1)."""
        if not self.hashes:
            return EMPTY_ROOT
        root = self.hashes[-1]
        for left in reversed(self.hashes[:-1]):
            root = node_hash(left, root)
        return root


def grow(edge: Edge, data: Iterable[bytes]) -> tuple[Edge, tuple[Subtree, ...]]:
    """Append leaves; gives the new edge and every subtree that was completed by them, leaves included."""
    size, stack = edge.size, list(edge.hashes)
    completed: list[Subtree] = []
    for one in data:
        found = leaf_hash(one)
        completed.append(Subtree(0, size, found))
        level, index = 0, size
        while index & 1:
            found = node_hash(stack.pop(), found)
            level, index = level + 1, index >> 1
            completed.append(Subtree(level, index, found))
        stack.append(found)
        size += 1
    return Edge(size, tuple(stack)), tuple(completed)


def edge_at(subtrees: Subtrees, size: int) -> Edge:
    """The right edge that the tree had when it was `size` leaves large."""
    hashes: list[bytes] = []
    start = 0
    for level in reversed(range(size.bit_length())):
        if size >> level & 1:
            hashes.append(subtrees(level, start >> level))
            start += 1 << level
    return Edge(size, tuple(hashes))


def root_at(subtrees: Subtrees, size: int) -> bytes:
    """The root that the tree had when it was `size` leaves large."""
    return edge_at(subtrees, size).root


def inclusion_proof(subtrees: Subtrees, index: int, size: int) -> tuple[bytes, ...]:
    """PATH(m, D_n) of 2.1.3.1, `index` counted from 0. Raises ValueError when the leaf is not in that tree."""
    if not 0 <= index < size <= LARGEST_SIZE:
        raise ValueError(f"leaf {index} is not in a tree of {size}")
    start, end, path = 0, size, list[bytes]()
    while end - start > 1:
        middle = start + _split(end - start)
        if index < middle:
            path.append(_range_hash(subtrees, middle, end))
            end = middle
        else:
            path.append(_range_hash(subtrees, start, middle))
            start = middle
    return tuple(reversed(path))


def consistency_proof(subtrees: Subtrees, first: int, second: int) -> tuple[bytes, ...]:
    """PROOF(m, D_n) of 2.1.4.1; empty when both are one size. Raises ValueError unless 0 < first <= second."""
    if not 0 < first <= second <= LARGEST_SIZE:
        raise ValueError(f"no proof leads from a tree of {first} to one of {second}")
    start, end, path = 0, second, list[bytes]()
    is_whole = True  # the subtree in hand begins with the first tree's own root
    while first != end:
        middle = start + _split(end - start)
        if first <= middle:
            path.append(_range_hash(subtrees, middle, end))
            end = middle
        else:
            path.append(_range_hash(subtrees, start, middle))
            start, is_whole = middle, False
    if not is_whole:
        path.append(_range_hash(subtrees, start, end))
    return tuple(reversed(path))


def is_included(data: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes) -> bool:
    """Whether the proof leads from this leaf to this root (2.1.3.2)."""
    if not 0 <= index < size <= LARGEST_SIZE or not _are_hashes(proof):
        return False
    node, last, found = index, size - 1, leaf_hash(data)
    for one in proof:
        if last == 0:
            return False
        if node & 1 or node == last:
            found = node_hash(one, found)
            while not node & 1 and node:
                node, last = node >> 1, last >> 1
        else:
            found = node_hash(found, one)
        node, last = node >> 1, last >> 1
    return last == 0 and found == root


def is_consistent(
    first: int, second: int, first_root: bytes, second_root: bytes, proof: Sequence[bytes]
) -> bool:
    """Whether the proof shows that the second tree begins with the first (2.1.4.2)."""
    if not 0 <= first <= second <= LARGEST_SIZE or not _are_hashes([first_root, second_root, *proof]):
        return False
    if first == second:
        return not proof and first_root == second_root
    if first == 0:
        return not proof and first_root == EMPTY_ROOT
    path = [first_root, *proof] if first & (first - 1) == 0 else list(proof)
    if not path:
        return False
    node, last = first - 1, second - 1
    while node & 1:
        node, last = node >> 1, last >> 1
    old = new = path[0]
    for one in path[1:]:
        if last == 0:
            return False
        if node & 1 or node == last:
            old, new = node_hash(one, old), node_hash(one, new)
            while not node & 1 and node:
                node, last = node >> 1, last >> 1
        else:
            new = node_hash(new, one)
        node, last = node >> 1, last >> 1
    return last == 0 and old == first_root and new == second_root


def _are_hashes(hashes: Sequence[bytes]) -> bool:
    """Whether each is 32 bytes long: two of other lengths could be cut apart in another place."""
    return all(len(one) == 32 for one in hashes)


def _split(size: int) -> int:
    """The largest power of two smaller than `size` (2.1.1)."""
    return 1 << (size - 1).bit_length() - 1


def _range_hash(subtrees: Subtrees, start: int, end: int) -> bytes:
    """MTH(D[start:end]) of a range as the recursion of 2.1 makes them: it starts at a multiple of its own width."""
    hashes: list[bytes] = []
    while start < end:
        level = (end - start).bit_length() - 1
        hashes.append(subtrees(level, start >> level))
        start += 1 << level
    found = hashes.pop()
    while hashes:
        found = node_hash(hashes.pop(), found)
    return found
