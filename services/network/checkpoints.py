"""The hub's checkpoints: signed once a minute or each 1,000 facts, never over anything that was not hashed again.

Owns when to sign, what is checked before, and the proofs between two positions. Must never sign past a fault:
whoever finds one ends here, and the hub says that it is not ready.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import hashlib
from collections.abc import Callable
from dataclasses import dataclass

import psycopg
import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from psycopg_pool import PoolTimeout

from eventlog.checkpoint import (
    Checkpoint,
    ConsistencyProof,
    InclusionProof,
    SignedCheckpoint,
    hex_all,
    parse_checkpoint,
    read_checkpoint,
    sign_checkpoint,
)
from eventlog.envelope import Forged, Malformed
from eventlog.feed import GENESIS_FEED_HASH, next_feed_hash
from eventlog.keys import key_id
from eventlog.tree import Edge, consistency_proof, edge_at, grow, inclusion_proof, root_at
from network.doorbell import Doorbell
from network.store import feed_tree
from network.store.database import Database, Tx
from network.store.feed_tree import TreeIsBroken, subtrees
from network.store.pages import FeedHead, feed_head

SIGN_EVERY = dt.timedelta(minutes=1)
MOST_FACTS_A_CHECKPOINT = 1000
LOOK_EVERY_S = 5.0
MOST_A_TURN = 50

log = structlog.get_logger("checkpoints")


class NotInTheTree(Exception):
    """The proof that was asked for is about positions that no checkpoint covers."""


@dataclass(frozen=True, slots=True)
class Signed:
    """A checkpoint that was signed just now, or the last there is."""

    checkpoint: Checkpoint
    document: SignedCheckpoint


def is_due(last: Checkpoint | None, head: FeedHead, now: dt.datetime) -> bool:
    """Whether the feed has moved far enough, or long enough ago, for the next checkpoint."""
    if last is None or last.epoch != head.epoch:
        return head.position > 0
    if head.position - last.position >= MOST_FACTS_A_CHECKPOINT:
        return True
    # A clock that went back must not keep the hub from signing until it has caught up.
    return head.position > last.position and not dt.timedelta(0) <= now - last.hub_time < SIGN_EVERY


def sign_next(tx: Tx, key: Ed25519PrivateKey, *, now: dt.datetime) -> Signed | None:
    """Sign the next checkpoint if one is due. Raises TreeIsBroken, and then nothing was signed."""
    feed_tree.take_turn_to_sign(tx)
    head = feed_head(tx)
    before = _last(tx, head.epoch, key.public_key())
    if not is_due(before, head, now):
        return None
    edge, feed_hash = _where_it_was(tx, head.epoch, before)
    upto = min(head.position, edge.size + MOST_FACTS_A_CHECKPOINT)
    hashes: list[bytes] = []
    for leaf in feed_tree.leaves(tx, after=edge.size, upto=upto):
        due = edge.size + len(hashes) + 1
        if leaf.position != due:
            raise TreeIsBroken(f"position {leaf.position} where {due} was due")
        if leaf.raw is None or hashlib.sha256(leaf.raw).digest() != leaf.envelope_hash:
            raise TreeIsBroken(f"position {due}: the envelope on the disk is not the one that was taken")
        feed_hash = next_feed_hash(feed_hash, leaf.envelope_hash.hex())
        if feed_hash != leaf.feed_hash.hex():
            raise TreeIsBroken(f"position {due}: the cumulative hash is not what the envelopes give")
        hashes.append(leaf.envelope_hash)
    if edge.size + len(hashes) != upto:
        raise TreeIsBroken(f"the feed ends at {edge.size + len(hashes)}, its head says {head.position}")
    after, completed = grow(edge, hashes)
    checkpoint = Checkpoint(
        epoch=head.epoch,
        position=after.size,
        root=after.root.hex(),
        feed_hash=feed_hash,
        hub_time=now,
        key_id=key_id(key.public_key()),
    )
    signed = sign_checkpoint(checkpoint, key)
    feed_tree.keep(tx, checkpoint, signed, completed)
    return Signed(checkpoint, signed)


def prove_consistency(tx: Tx, first: int, second: int) -> ConsistencyProof:
    """That the tree at `second` begins with the tree at `first`. Raises NotInTheTree, TreeIsBroken."""
    epoch = _covered(tx, second)
    look_up = subtrees(tx, epoch)
    try:
        proof = consistency_proof(look_up, first, second)
    except ValueError as wrong:
        raise NotInTheTree(str(wrong)) from None
    return ConsistencyProof(
        epoch=epoch,
        first=first,
        second=second,
        first_root=root_at(look_up, first).hex(),
        second_root=root_at(look_up, second).hex(),
        proof=hex_all(proof),
    )


def prove_inclusion(tx: Tx, position: int, size: int) -> InclusionProof:
    """That the envelope at `position` stands in the tree of `size`. Raises NotInTheTree, TreeIsBroken."""
    epoch = _covered(tx, size)
    look_up = subtrees(tx, epoch)
    try:
        proof = inclusion_proof(look_up, position - 1, size)
    except ValueError:
        raise NotInTheTree(f"position {position} is not among the first {size}") from None
    (leaf,) = feed_tree.leaves(tx, after=position - 1, upto=position)
    return InclusionProof(
        epoch=epoch,
        position=position,
        size=size,
        envelope_hash=leaf.envelope_hash.hex(),
        root=root_at(look_up, size).hex(),
        proof=hex_all(proof),
    )


def checkpoint_problems(tx: Tx, epoch: str, hub_key: Ed25519PublicKey) -> list[str]:
    """Every checkpoint of this epoch against the feed as it stands now; nothing kept of the tree is believed."""
    problems: list[str] = []
    edge, feed_hash = Edge(), GENESIS_FEED_HASH
    for signed in feed_tree.every(tx, epoch):
        try:
            said = read_checkpoint(signed, hub_key)
        except (Forged, Malformed) as wrong:
            problems.append(f"checkpoint {parse_checkpoint(signed).position}: {wrong}")
            continue
        for leaf in feed_tree.leaves(tx, after=edge.size, upto=said.position):
            envelope_hash = hashlib.sha256(leaf.raw or b"").digest()
            edge, _ = grow(edge, [envelope_hash])
            feed_hash = next_feed_hash(feed_hash, envelope_hash.hex())
        if edge.size != said.position:
            return [*problems, f"checkpoint {said.position}: the feed ends at {edge.size}"]
        if (edge.root.hex(), feed_hash) != (said.root, said.feed_hash):
            # All later ones differ as well; the first says where to look.
            return [*problems, f"checkpoint {said.position}: the feed up to there is not what was signed"]
    return problems


async def keep_signing(
    database: Database,
    doorbell: Doorbell,
    key: Ed25519PrivateKey,
    clock: Callable[[], dt.datetime],
    *,
    trouble: Callable[[], str | None],
) -> None:
    """Sign whenever one is due, until the bell is stopped. Raises TreeIsBroken: the operator must look.

    A hub that begins again with a database that was signed over waits a minute first: if that is an older one, the shops
    show it by then, and nothing was signed that excludes what was signed before.
    """
    loop = asyncio.get_running_loop()
    not_before_s = loop.time() + SIGN_EVERY.total_seconds()
    last: Checkpoint | None = None
    seen, is_fresh = -1, False
    while not doorbell.is_stopped:
        head = await doorbell.wait(beyond=seen, timeout_s=LOOK_EVERY_S)
        if head is None:
            continue
        seen = head.position
        try:
            if last is None:
                last = await asyncio.to_thread(_last_of_now, database, key.public_key())
                is_fresh = last is None
            if trouble() is not None or not (is_fresh or loop.time() >= not_before_s):
                continue
            if is_due(last, head, clock()):
                last = await asyncio.to_thread(_sign_what_is_due, database, key, clock, doorbell) or last
        except (psycopg.Error, PoolTimeout) as wrong:
            log.warning("not signed", error=type(wrong).__name__)


def _sign_what_is_due(
    database: Database, key: Ed25519PrivateKey, clock: Callable[[], dt.datetime], doorbell: Doorbell
) -> Checkpoint | None:
    """Sign until nothing is due; gives the last checkpoint there is, so that nobody asks again before time."""
    for _ in range(MOST_A_TURN):
        if doorbell.is_stopped:
            break
        with database.transaction() as tx:
            signed = sign_next(tx, key, now=clock())
        if signed is None:
            break
        log.info("checkpoint", position=signed.checkpoint.position, root=signed.checkpoint.root)
    return _last_of_now(database, key.public_key())


def _last_of_now(database: Database, hub_key: Ed25519PublicKey) -> Checkpoint | None:
    with database.transaction() as tx:
        return _last(tx, feed_head(tx).epoch, hub_key)


def _last(tx: Tx, epoch: str, hub_key: Ed25519PublicKey) -> Checkpoint | None:
    signed = feed_tree.latest(tx, epoch)
    if signed is None:
        return None
    try:
        said = parse_checkpoint(signed)
        # An earlier key of this hub may have signed it; then its root is checked against the tree all the same.
        return read_checkpoint(signed, hub_key) if said.key_id == key_id(hub_key) else said
    except (Forged, Malformed) as wrong:
        raise TreeIsBroken(f"the last checkpoint cannot be believed: {wrong}") from None


def _where_it_was(tx: Tx, epoch: str, last: Checkpoint | None) -> tuple[Edge, str]:
    """The edge and the cumulative hash at the last checkpoint, which must still be what was signed there."""
    if last is None:
        return Edge(), GENESIS_FEED_HASH
    edge = edge_at(subtrees(tx, epoch), last.position)
    if edge.root.hex() != last.root:
        raise TreeIsBroken(f"the tree at {last.position} is not the one that was signed")
    if feed_tree.kept_feed_hash(tx, last.position) != last.feed_hash:
        raise TreeIsBroken(f"the cumulative hash at {last.position} is not the one that was signed")
    return edge, last.feed_hash


def _covered(tx: Tx, size: int) -> str:
    """The epoch, if a checkpoint covers this many positions: subtrees are kept up to the last one."""
    epoch = feed_head(tx).epoch
    signed = feed_tree.latest(tx, epoch)
    covered = 0 if signed is None else parse_checkpoint(signed).position
    if size > covered:
        raise NotInTheTree(f"the last checkpoint is at {covered}, before {size}")
    return epoch
