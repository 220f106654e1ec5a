"""This node as a witness of the hub: each checkpoint against the node's own copy of the feed, and against the last one seen.

Must never repair, forget or explain away what it found: evidence is kept for ever with the signed bytes, and only a
person decides what follows, by an answer that is kept beside it (`put_answer`).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from branch.store.rows import Cursor, node_row
from branch.store.witness_rows import (
    Evidence,
    Gap,
    OwnTree,
    cosigned,
    evidence,
    go_on,
    is_known_to_agree,
    kept_at,
    kept_checkpoints,
    last_agreed,
    last_uncosigned,
    note,
    own_tree,
    put_agreement,
    put_answer,
    put_checkpoint,
)
from eventlog.checkpoint import (
    ConsistencyProof,
    SignedCheckpoint,
    contradiction,
    parse_checkpoint,
    read_checkpoint,
)
from eventlog.feed import Cursor as FeedCursor
from eventlog.tree import is_consistent

__all__ = [
    "Comparison", "Evidence", "Gap", "OwnTree", "Verdict", "compare", "cosigned", "evidence", "judge_proof", "keep",
    "kept_checkpoints", "own_tree", "put_answer", "take", "to_cosign", "trouble",
]  # fmt: skip

KEEP = dt.timedelta(days=90)

Verdict = Literal["agrees", "waits", "another epoch", "rewritten", "own copy"]


@dataclass(frozen=True, slots=True)
class Comparison:
    """What the node's own copy says about a checkpoint; `own` is None when it cannot say anything yet.

    `fault`: the copy does not lead to the hash with which the hub's last page ended, so it proves nothing.
    """

    feed: FeedCursor
    own: OwnTree | None
    fault: str = ""


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
    if is_known_to_agree(c, said):
        return Comparison(feed, None)
    try:
        own = own_tree(c, feed, said.position)
        if (own.root, own.feed_hash) == (said.root, said.feed_hash):
            return Comparison(feed, own)
        whole = go_on(c, own, feed.position)
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
    is_known = is_known_to_agree(c, said)
    put_checkpoint(c, said, signed, now=now, keep=KEEP)
    for other in kept_at(c, said):
        excluded = contradiction(read_checkpoint(other, hub_key), said)
        if excluded is not None:
            note(c, "two roots", said, signed, excluded, against=other, own=compared.own, now=now)
            return "rewritten"
    if is_known:
        return "agrees"
    if compared.fault:
        note(c, "own copy", said, signed, compared.fault, against=None, own=compared.own, now=now)
        return "own copy"
    own, feed = compared.own, compared.feed
    if own is None:
        return "waits" if said.epoch == feed.epoch or feed.epoch == "none" else "another epoch"
    if (own.root, own.feed_hash) == (said.root, said.feed_hash):
        put_agreement(c, said, own)
        return "agrees"
    words = f"position {said.position} has another root than the records that the hub sent until then"
    against = last_agreed(c, said.epoch, signed)
    note(c, "another log", said, signed, words, against=against, own=own, now=now)
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
    said, node = read_checkpoint(signed, hub_key), node_row(c)
    if said.epoch != own.epoch:
        return "another epoch"
    if node is None or node.feed.epoch != own.epoch or node.feed.position != own.edge.size:
        return "waits"  # The copy has moved since: what is there now is compared at the next look.
    if node.feed.feed_hash != own.feed_hash:
        fault = f"it does not give the cumulative hash that was read at position {own.edge.size}"
        note(c, "own copy", said, signed, fault, against=None, own=own, now=now)
        return "own copy"
    hashes = [bytes.fromhex(one) for one in proof.proof]
    if proof.epoch == own.epoch and is_consistent(
        own.edge.size, said.position, own.edge.root, bytes.fromhex(said.root), hashes
    ):
        return "waits"
    words = f"the hub did not show that position {said.position} begins with the {own.edge.size} that are held here"
    note(
        c, "not continued", said, signed, words, against=last_agreed(c, said.epoch, signed), own=own, now=now
    )
    return "rewritten"


def to_cosign(c: Cursor) -> SignedCheckpoint | None:
    """The last checkpoint that agrees and that the hub does not have this node's word for yet. None once anything in its
    epoch spoke against the hub."""
    signed = last_uncosigned(c)
    if signed is None:
        return None
    epoch = parse_checkpoint(signed).epoch
    return None if any(one.is_of_hub and one.epoch == epoch for one in evidence(c)) else signed


def trouble(c: Cursor) -> str | None:
    """What every page of this node must show, in words; None while nothing was found, or a person has answered all of it.
    It never goes away by itself."""
    found = [one for one in evidence(c) if one.answer is None]
    of_hub = next((one for one in found if one.is_of_hub), None)
    if of_hub is not None:
        return f"The hub's log was rewritten: {of_hub.words}."
    if found:
        return f"This node's copy of the network's log is damaged: {found[0].words}."
    return None
