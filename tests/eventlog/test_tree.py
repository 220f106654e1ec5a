"""The tree against the published vectors, and against the definitions of RFC 9162, 2.1 written down a second time."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eventlog.tree import (
    EMPTY_ROOT,
    Edge,
    Subtrees,
    consistency_proof,
    edge_at,
    grow,
    inclusion_proof,
    is_consistent,
    is_included,
    leaf_hash,
    node_hash,
    root_at,
)

# The leaves, roots and proofs of the reference tests of RFC 6962 (testonly/constants.go of the Go implementation of
# Certificate Transparency); read from copies of it in three other projects, which agree. RFC 9162 hashes alike.
LEAVES = [
    bytes.fromhex(one)
    for one in (
        "", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f",
    )
]  # fmt: skip
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
INCLUSION = {
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
}
CONSISTENCY = {
    (2, 8): [
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ],
    (2, 5): [
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
    ],
    (6, 8): [
        "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ],
}


def kept(leaves: Sequence[bytes]) -> Subtrees:
    """What a store of this tree gives: only subtrees that were completed, each once."""
    _, completed = grow(Edge(), leaves)
    held = {(one.level, one.index): one.hash for one in completed}
    assert len(held) == len(completed)
    return lambda level, index: held[level, index]


# The definitions once more, straight from the text, with slices and recursion, sharing no code with the library.
def mth(leaves: Sequence[bytes]) -> bytes:
    if len(leaves) == 0:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return hashlib.sha256(bytes([0]) + leaves[0]).digest()
    k = largest_power_below(len(leaves))
    return hashlib.sha256(bytes([1]) + mth(leaves[:k]) + mth(leaves[k:])).digest()


def path(m: int, leaves: Sequence[bytes]) -> list[bytes]:
    if len(leaves) == 1:
        return []
    k = largest_power_below(len(leaves))
    if m < k:
        return [*path(m, leaves[:k]), mth(leaves[k:])]
    return [*path(m - k, leaves[k:]), mth(leaves[:k])]


def subproof(m: int, leaves: Sequence[bytes], b: bool) -> list[bytes]:
    if m == len(leaves):
        return [] if b else [mth(leaves)]
    k = largest_power_below(len(leaves))
    if m <= k:
        return [*subproof(m, leaves[:k], b), mth(leaves[k:])]
    return [*subproof(m - k, leaves[k:], False), mth(leaves[:k])]


def largest_power_below(n: int) -> int:
    k = 1
    while k * 2 < n:
        k *= 2
    return k


trees = st.lists(st.binary(max_size=4), min_size=1, max_size=70)


def test_every_root_of_the_reference_tree_is_the_published_one() -> None:
    assert EMPTY_ROOT.hex() == ROOTS[0]
    for size in range(len(LEAVES) + 1):
        edge, _ = grow(Edge(), LEAVES[:size])
        assert edge.root.hex() == ROOTS[size]


@pytest.mark.parametrize(("asked", "proof"), INCLUSION.items())
def test_a_published_proof_of_inclusion_is_made_and_believed(
    asked: tuple[int, int], proof: list[str]
) -> None:
    index, size = asked
    made = inclusion_proof(kept(LEAVES), index, size)
    assert [one.hex() for one in made] == proof
    assert is_included(LEAVES[index], index, size, made, bytes.fromhex(ROOTS[size]))


@pytest.mark.parametrize(("asked", "proof"), CONSISTENCY.items())
def test_a_published_proof_of_consistency_is_made_and_believed(
    asked: tuple[int, int], proof: list[str]
) -> None:
    first, second = asked
    made = consistency_proof(kept(LEAVES), first, second)
    assert [one.hex() for one in made] == proof
    assert is_consistent(first, second, bytes.fromhex(ROOTS[first]), bytes.fromhex(ROOTS[second]), made)


@given(trees, st.data())
def test_a_tree_grown_in_any_pieces_is_the_tree_of_the_definition(
    leaves: list[bytes], data: st.DataObject
) -> None:
    cut = data.draw(st.integers(0, len(leaves)))
    first, done = grow(Edge(), leaves[:cut])
    second, more = grow(first, leaves[cut:])
    assert (first.root, second.root) == (mth(leaves[:cut]), mth(leaves))
    for one in (*done, *more):
        width = 1 << one.level
        assert one.hash == mth(leaves[one.index * width : (one.index + 1) * width])
    # An edge read back from kept subtrees goes on as well as the one in hand.
    assert edge_at(kept(leaves), cut) == first
    assert root_at(kept(leaves), cut) == mth(leaves[:cut])


@given(trees, st.data())
def test_every_leaf_is_proved_as_the_definition_says(leaves: list[bytes], data: st.DataObject) -> None:
    size = data.draw(st.integers(1, len(leaves)))
    index = data.draw(st.integers(0, size - 1))
    proof = inclusion_proof(kept(leaves), index, size)
    assert list(proof) == path(index, leaves[:size])
    assert is_included(leaves[index], index, size, proof, mth(leaves[:size]))


@given(trees, st.data())
def test_every_earlier_tree_is_proved_as_the_definition_says(
    leaves: list[bytes], data: st.DataObject
) -> None:
    second = data.draw(st.integers(1, len(leaves)))
    first = data.draw(st.integers(1, second))
    proof = consistency_proof(kept(leaves), first, second)
    assert list(proof) == subproof(first, leaves[:second], True)
    assert is_consistent(first, second, mth(leaves[:first]), mth(leaves[:second]), proof)


@given(trees, st.data())
def test_no_proof_hides_a_changed_leaf(leaves: list[bytes], data: st.DataObject) -> None:
    second = data.draw(st.integers(1, len(leaves)))
    first = data.draw(st.integers(1, second))
    changed = data.draw(st.integers(0, first - 1))
    forged = [*leaves[:changed], leaves[changed] + b"!", *leaves[changed + 1 :]]
    proof = consistency_proof(kept(forged), first, second)
    assert not is_consistent(first, second, mth(leaves[:first]), mth(forged[:second]), proof)
    of_leaf = inclusion_proof(kept(forged), changed, second)
    assert not is_included(leaves[changed], changed, second, of_leaf, mth(forged[:second]))


@given(trees, st.data())
def test_a_proof_that_was_mangled_in_any_way_proves_nothing(leaves: list[bytes], data: st.DataObject) -> None:
    second = data.draw(st.integers(1, len(leaves)))
    first = data.draw(st.integers(1, second))
    roots = mth(leaves[:first]), mth(leaves[:second])
    proof = consistency_proof(kept(leaves), first, second)
    for wrong in mangled(proof, data):
        assert not is_consistent(first, second, *roots, wrong)
    of_leaf = inclusion_proof(kept(leaves), first - 1, second)
    for wrong in mangled(of_leaf, data):
        assert not is_included(leaves[first - 1], first - 1, second, wrong, roots[1])


def mangled(proof: tuple[bytes, ...], data: st.DataObject) -> list[tuple[bytes, ...]]:
    """Longer, shorter, one hash of another length, one bit turned."""
    found: list[tuple[bytes, ...]] = [(*proof, bytes(32))]
    if proof:
        at = data.draw(st.integers(0, len(proof) - 1))
        turned = bytes([proof[at][0] ^ 1]) + proof[at][1:]
        found += [
            proof[:-1],
            (*proof[:at], turned, *proof[at + 1 :]),
            (*proof[:at], proof[at][:31], *proof[at + 1 :]),
        ]
    return found


def test_nothing_is_proved_about_places_that_are_not_there() -> None:
    subtrees = kept(LEAVES)
    for first, second in ((0, 3), (4, 3), (-1, 2)):
        with pytest.raises(ValueError, match="no proof leads"):
            consistency_proof(subtrees, first, second)
    for index, size in ((3, 3), (-1, 3), (0, 0)):
        with pytest.raises(ValueError, match="is not in a tree"):
            inclusion_proof(subtrees, index, size)
        assert not is_included(b"", index, size, (), mth([b""]))
    assert not is_consistent(3, 2, mth(LEAVES[:3]), mth(LEAVES[:2]), ())


def test_every_tree_begins_with_the_empty_one() -> None:
    assert is_consistent(0, 3, EMPTY_ROOT, mth(LEAVES[:3]), ())
    assert not is_consistent(0, 3, mth(LEAVES[:1]), mth(LEAVES[:3]), ())


def test_an_edge_with_another_number_of_hashes_is_none() -> None:
    with pytest.raises(ValueError, match="no edge"):
        Edge(3, (bytes(32),))


def test_a_leaf_is_never_taken_for_a_node() -> None:
    left, right = leaf_hash(b"a"), leaf_hash(b"b")
    assert leaf_hash(left + right) != node_hash(left, right)
