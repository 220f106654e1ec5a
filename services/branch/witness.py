"""This node as a witness of the hub: each checkpoint against the node's own copy of the feed, and against the last one seen.

Owns the tables witness_edge, witness_checkpoint and witness_evidence. Must never repair, forget or explain away what
it found: evidence is kept for ever with the signed bytes, and only a person decides what follows.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from branch.store.rows import Cursor, node_row, number, text
from eventlog.checkpoint import (
    Checkpoint,
    ConsistencyProof,
    SignedCheckpoint,
    contradiction,
    parse_checkpoint,
    read_checkpoint,
)
from eventlog.feed import GENESIS_FEED_HASH, next_feed_hash
from eventlog.feed import Cursor as FeedCursor
from eventlog.tree import Edge, grow, is_consistent

KEEP = dt.timedelta(days=90)
LEAVES_A_TIME = 5_000

Verdict = Literal["agrees", "waits", "another epoch", "rewritten", "own copy"]
Kind = Literal["two roots", "another log", "not continued", "own copy"]

# Every position of the copy, whatever is held there. A position that is missing shows as a gap.
LEAVES = (
    "select position, envelope_hash from feed_entry where position > ? and position <= ? order by position"
)
_EDGE = "select epoch, size, feed_hash, hashes from witness_edge"
_PUT_EDGE = (
    "insert into witness_edge (one, epoch, size, feed_hash, hashes) values (1, ?, ?, ?, ?) on conflict (one) do update "
    "set epoch = excluded.epoch, size = excluded.size, feed_hash = excluded.feed_hash, hashes = excluded.hashes"
)
_PUT_CHECKPOINT = (
    "insert into witness_checkpoint (epoch, position, root, feed_hash, raw, signature, seen_at) "
    "values (?, ?, ?, ?, ?, ?, ?) on conflict (epoch, position, root, feed_hash) do nothing"
)
_KNOWN_TO_AGREE = "select 1 from witness_checkpoint where epoch = ? and position = ? and root = ? and feed_hash = ? and agrees = 1"
_SAME_PLACE = "select raw, signature from witness_checkpoint where epoch = ? and position = ?"
_LAST_AGREED = (
    "select raw, signature from witness_checkpoint where epoch = ? and agrees = 1 and raw <> ? "
    "order by position desc limit 1"
)
_LAST_UNSIGNED = "select raw, signature from witness_checkpoint where agrees = 1 and is_cosigned = 0 order by position desc limit 1"
_AGREES = (
    "update witness_checkpoint set agrees = 1 where epoch = ? and position = ? and root = ? and feed_hash = ?"
)
_COSIGNED = "update witness_checkpoint set is_cosigned = 1 where raw = ?"
_FORGET = (
    "delete from witness_checkpoint where seen_at < ? and position < "
    "(select max(position) from witness_checkpoint newer where newer.epoch = witness_checkpoint.epoch)"
)
_PUT_EVIDENCE = (
    "insert into witness_evidence (found_at, kind, epoch, position, words, raw, signature, against_raw, "
    "against_signature, own_root, own_feed_hash) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "
    "on conflict (kind, epoch, position, raw) do nothing"
)
_EVIDENCE = (
    "select found_at, kind, epoch, position, words, raw, signature, against_raw, against_signature, own_root, "
    "own_feed_hash from witness_evidence order by id"
)
_KEPT = "select raw, signature from witness_checkpoint where epoch = ? order by position"


@dataclass(frozen=True, slots=True)
class OwnTree:
    """The node's own copy of the feed up to a size: what its tree and its cumulative hash are there."""

    epoch: str
    edge: Edge
    feed_hash: str

    @property
    def root(self) -> str:
        """As a checkpoint writes it."""
        return self.edge.root.hex()


@dataclass(frozen=True, slots=True)
class Evidence:
    """Something that the hub's log cannot be and have been honest. `is_of_hub` is false when this node's copy is at fault."""

    found_at: dt.datetime
    kind: Kind
    epoch: str
    position: int
    words: str
    signed: SignedCheckpoint
    against: SignedCheckpoint | None
    own_root: str | None
    own_feed_hash: str | None

    @property
    def is_of_hub(self) -> bool:
        """Whether it speaks against the hub."""
        return self.kind != "own copy"


@dataclass(frozen=True, slots=True)
class Comparison:
    """What the node's own copy says about a checkpoint; `own` is None when it cannot say anything yet.

    `fault`: the copy does not lead to the hash with which the hub's last page ended, so it proves nothing.
    """

    feed: FeedCursor
    own: OwnTree | None
    fault: str = ""


class Gap(Exception):
    """The copy misses a position."""


def take(c: Cursor, signed: SignedCheckpoint, *, hub_key: Ed25519PublicKey, now: dt.datetime) -> Verdict:
    """Compare a checkpoint and keep it, inside one writing transaction. Raises Forged, Malformed.

    `waits`: this node's copy does not reach so far yet; ask again, or ask the hub for a proof (`judge_proof`).
    """
    return keep(c, signed, compare(c, signed, hub_key=hub_key), hub_key=hub_key, now=now)


def compare(c: Cursor, signed: SignedCheckpoint, *, hub_key: Ed25519PublicKey) -> Comparison:
    """Only reads, as much as it must: a reading transaction keeps no counter waiting. Raises Forged, Malformed."""
    said = read_checkpoint(signed, hub_key)
    node = node_row(c)
    if node is None:
        return Comparison(FeedCursor(), None)
    feed = node.feed
    if said.epoch != feed.epoch or said.position > feed.position:
        return Comparison(feed, None)
    c.execute(_KNOWN_TO_AGREE, (said.epoch, said.position, said.root, said.feed_hash))
    if c.fetchone() is not None:
        return Comparison(feed, None)
    try:
        own = own_tree(c, feed, said.position)
        if (own.root, own.feed_hash) == (said.root, said.feed_hash):
            return Comparison(feed, own)
        whole = _go_on(c, own, feed.position)
    except Gap as gap:
        return Comparison(feed, None, fault=str(gap))
    if whole.feed_hash != feed.feed_hash:
        fault = f"it does not give the cumulative hash that was read at position {feed.position}"
        return Comparison(feed, own, fault=fault)
    return Comparison(feed, own)


def keep(
    c: Cursor,
    signed: SignedCheckpoint,
    compared: Comparison,
    *,
    hub_key: Ed25519PublicKey,
    now: dt.datetime,
) -> Verdict:
    """Keep a checkpoint with what came of it. A short writing transaction, after `compare`."""
    said = read_checkpoint(signed, hub_key)
    c.execute(_KNOWN_TO_AGREE, (said.epoch, said.position, said.root, said.feed_hash))
    is_known = c.fetchone() is not None
    place = (said.epoch, said.position, said.root, said.feed_hash)
    c.execute(_PUT_CHECKPOINT, (*place, signed.raw, signed.signature, now.isoformat()))
    c.execute(_FORGET, ((now - KEEP).isoformat(),))
    for other in _kept_at(c, said):
        excluded = contradiction(read_checkpoint(other, hub_key), said)
        if excluded is not None:
            _note(c, "two roots", said, signed, excluded, against=other, own=compared.own, now=now)
            return "rewritten"
    if is_known:
        return "agrees"
    if compared.fault:
        _note(c, "own copy", said, signed, compared.fault, against=None, own=compared.own, now=now)
        return "own copy"
    own, feed = compared.own, compared.feed
    if own is None:
        return "waits" if said.epoch == feed.epoch or feed.epoch == "none" else "another epoch"
    if (own.root, own.feed_hash) == (said.root, said.feed_hash):
        c.execute(_AGREES, place)
        _keep_edge(c, own)
        return "agrees"
    words = f"position {said.position} has another root than the records that the hub sent until then"
    against = _last_agreed(c, said.epoch, signed)
    _note(c, "another log", said, signed, words, against=against, own=own, now=now)
    return "rewritten"


def judge_proof(
    c: Cursor,
    signed: SignedCheckpoint,
    proof: ConsistencyProof,
    own: OwnTree,
    *,
    hub_key: Ed25519PublicKey,
    now: dt.datetime,
) -> Verdict:
    """Whether the hub has shown that a checkpoint ahead of this node's copy begins with that copy."""
    said = read_checkpoint(signed, hub_key)
    if said.epoch != own.epoch:
        return "another epoch"
    hashes = [bytes.fromhex(one) for one in proof.proof]
    if proof.epoch == own.epoch and is_consistent(
        own.edge.size, said.position, own.edge.root, bytes.fromhex(said.root), hashes
    ):
        return "waits"
    words = f"the hub did not show that position {said.position} begins with the {own.edge.size} that are held here"
    _note(
        c, "not continued", said, signed, words, against=_last_agreed(c, said.epoch, signed), own=own, now=now
    )
    return "rewritten"


def own_tree(c: Cursor, feed: FeedCursor, size: int) -> OwnTree:
    """This node's tree at `size`, from the kept edge where that is not beyond it. Only reads. Raises Gap."""
    kept = _edge(c)
    if kept.epoch != feed.epoch or kept.edge.size > size:
        kept = OwnTree(feed.epoch, Edge(), GENESIS_FEED_HASH)
    return _go_on(c, kept, size)


def to_cosign(c: Cursor) -> SignedCheckpoint | None:
    """The last checkpoint that agrees and that the hub does not have this node's word for yet. None once anything in its
    epoch spoke against the hub."""
    signed = _signed(c, _LAST_UNSIGNED, ())
    if signed is None:
        return None
    epoch = parse_checkpoint(signed).epoch
    return None if any(one.is_of_hub and one.epoch == epoch for one in evidence(c)) else signed


def cosigned(c: Cursor, signed: SignedCheckpoint) -> None:
    """The hub has this node's word."""
    c.execute(_COSIGNED, (signed.raw,))


def evidence(c: Cursor) -> tuple[Evidence, ...]:
    """Everything that was ever found, oldest first."""
    c.execute(_EVIDENCE)
    return tuple(_evidence(row) for row in c.fetchall())


def trouble(c: Cursor) -> str | None:
    """What every page of this node must show, in words; None while nothing was found. It never goes away by itself."""
    found = evidence(c)
    of_hub = next((one for one in found if one.is_of_hub), None)
    if of_hub is not None:
        return f"The hub's log was rewritten: {of_hub.words}."
    if found:
        return f"This node's copy of the network's log is damaged: {found[0].words}."
    return None


def kept_checkpoints(c: Cursor, epoch: str) -> tuple[SignedCheckpoint, ...]:
    """Every checkpoint of an epoch that is held here, by position."""
    c.execute(_KEPT, (epoch,))
    return tuple(
        SignedCheckpoint(raw=text(row[0]), signature=text(row[1]))
        for row in c.fetchall()
    )  # fmt: skip


def _go_on(c: Cursor, start: OwnTree, size: int) -> OwnTree:
    """Append the leaves from `start` to `size`. Raises Gap."""
    own = start
    while own.edge.size < size:
        before = own.edge.size
        c.execute(LEAVES, (before, min(size, before + LEAVES_A_TIME)))
        leaves: list[bytes] = []
        feed_hash = own.feed_hash
        for position, envelope_hash in c.fetchall():
            if number(position) != before + len(leaves) + 1:
                break
            feed_hash = next_feed_hash(feed_hash, text(envelope_hash))
            leaves.append(bytes.fromhex(text(envelope_hash)))
        if not leaves:
            raise Gap(f"it has nothing at position {before + 1}")
        own = OwnTree(own.epoch, grow(own.edge, leaves)[0], feed_hash)
    return own


def _keep_edge(c: Cursor, own: OwnTree) -> None:
    """Go on from here next time; a look back at an earlier checkpoint does not move it back."""
    kept = _edge(c)
    if kept.epoch != own.epoch or kept.edge.size < own.edge.size:
        hashes = "".join(one.hex() for one in own.edge.hashes)
        c.execute(_PUT_EDGE, (own.epoch, own.edge.size, own.feed_hash, hashes))


def _edge(c: Cursor) -> OwnTree:
    c.execute(_EDGE)
    row = c.fetchone()
    if row is None:
        return OwnTree("none", Edge(), GENESIS_FEED_HASH)
    epoch, size, feed_hash, joined = text(row[0]), number(row[1]), text(row[2]), text(row[3])
    hashes = tuple(bytes.fromhex(joined[at : at + 64]) for at in range(0, len(joined), 64))
    return OwnTree(epoch, Edge(size, hashes), feed_hash)


def _kept_at(c: Cursor, said: Checkpoint) -> list[SignedCheckpoint]:
    c.execute(_SAME_PLACE, (said.epoch, said.position))
    return [SignedCheckpoint(raw=text(row[0]), signature=text(row[1])) for row in c.fetchall()]


def _last_agreed(c: Cursor, epoch: str, but: SignedCheckpoint) -> SignedCheckpoint | None:
    return _signed(c, _LAST_AGREED, (epoch, but.raw))


def _signed(c: Cursor, sql: str, params: tuple[object, ...]) -> SignedCheckpoint | None:
    c.execute(sql, params)
    row = c.fetchone()
    return None if row is None else SignedCheckpoint(raw=text(row[0]), signature=text(row[1]))


def _note(
    c: Cursor,
    kind: Kind,
    said: Checkpoint,
    signed: SignedCheckpoint,
    words: str,
    *,
    against: SignedCheckpoint | None,
    own: OwnTree | None,
    now: dt.datetime,
) -> None:
    c.execute(
        _PUT_EVIDENCE,
        (
            now.isoformat(), kind, said.epoch, said.position, words, signed.raw, signed.signature,
            None if against is None else against.raw,
            None if against is None else against.signature,
            None if own is None else own.root,
            None if own is None else own.feed_hash,
        ),
    )  # fmt: skip


def _evidence(row: tuple[object, ...]) -> Evidence:
    found_at, kind, epoch, position, words, raw, signature, against, its_signature, root, feed_hash = row
    kinds: dict[str, Kind] = {one: one for one in ("two roots", "another log", "not continued", "own copy")}
    return Evidence(
        found_at=dt.datetime.fromisoformat(text(found_at)),
        kind=kinds[text(kind)],
        epoch=text(epoch),
        position=number(position),
        words=text(words),
        signed=SignedCheckpoint(raw=text(raw), signature=text(signature)),
        against=None
        if against is None
        else SignedCheckpoint(raw=text(against), signature=text(its_signature)),
        own_root=None if root is None else text(root),
        own_feed_hash=None if feed_hash is None else text(feed_hash),
    )
