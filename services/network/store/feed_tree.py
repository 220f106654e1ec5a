"""The tree over the feed as it is kept: subtrees, checkpoints, cosignatures. Append-only, like the log beneath.

Owns `feed_subtree`, `checkpoint` and `cosignature`. Must never sign or decide, and never open a transaction.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from eventlog.checkpoint import (
    Checkpoint,
    Cosignature,
    SignedCheckpoint,
    WitnessedCheckpoint,
    parse_checkpoint,
)
from eventlog.tree import Edge, Subtree, Subtrees, grow
from network.store.database import Tx

LOWEST_KEPT_LEVEL = 4
ONE_SIGNS_LOCK = 7_115_230_002  # any number that nothing else on this database uses

take_turn = "select pg_advisory_xact_lock(%s)"
kept_subtree = "select hash from feed_subtree where epoch = %s and level = %s and index = %s"
leaves_between = "select envelope_hash from feed where position > %s and position <= %s order by position"
keep_subtree = "insert into feed_subtree (epoch, level, index, hash) values (%s, %s, %s, %s)"
keep_checkpoint = """
insert into checkpoint (epoch, position, root, feed_hash, hub_time, raw, signature) values (%s, %s, %s, %s, %s, %s, %s)
"""
last_checkpoint = """
select raw, signature from checkpoint where epoch = %s order by position desc limit 1
"""
# Bounded by how many are kept of one epoch, one a minute at most; the common k is met by the first few.
last_cosigned = """
select c.raw, c.signature from checkpoint c
where c.epoch = %(epoch)s and (
    select count(*) from cosignature s where s.epoch = c.epoch and s.position = c.position
) >= %(at_least)s
order by c.position desc limit 1
"""
checkpoint_at = "select raw, signature from checkpoint where epoch = %s and position = %s"
every_checkpoint = (
    "select raw, signature from checkpoint where epoch = %s and position > %s order by position limit %s"
)
cosignatures_of = """
select node, key_id, signature from cosignature where epoch = %s and position = %s order by node
"""
keep_cosignature = """
insert into cosignature (epoch, position, node, key_id, signature, received_at) values (%s, %s, %s, %s, %s, %s)
on conflict (epoch, position, node) do nothing
"""
# The envelope as it lies on the disk, to be hashed again, beside what the index says of it.
facts_to_sign = """
select f.position, f.envelope_hash, f.feed_hash, f.state
from numbered f
where f.position > %s and f.position <= %s order by f.position
"""
feed_hash_at = "select feed_hash from feed where position = %s"


class TreeIsBroken(Exception):
    """What is kept of the feed or its tree is not what was signed or written. Nothing more may be signed over it."""


@dataclass(frozen=True, slots=True)
class Leaf:
    """One fact of the feed as it is kept: the index beside the envelope itself."""

    position: int
    envelope_hash: bytes
    feed_hash: bytes
    raw: bytes | None


def take_turn_to_sign(tx: Tx) -> None:
    """Only one process signs at a time; until the transaction ends."""
    tx.execute(take_turn, (ONE_SIGNS_LOCK,))


def subtrees(tx: Tx, epoch: str) -> Subtrees:
    """How complete subtrees of this epoch are looked up. What it gives raises TreeIsBroken when one is missing."""

    def look_up(level: int, index: int) -> bytes:
        if level >= LOWEST_KEPT_LEVEL:
            row = tx.execute(kept_subtree, (epoch, level, index), prepare=True).fetchone()
            if row is None:
                raise TreeIsBroken(f"the subtree {index} of level {level} is not kept")
            return bytes(row["hash"])
        start, end = index << level, (index + 1) << level
        leaves = [bytes(row["envelope_hash"]) for row in tx.execute(leaves_between, (start, end))]
        if len(leaves) != end - start:
            raise TreeIsBroken(f"the feed misses a position between {start + 1} and {end}")
        return grow(Edge(), leaves)[0].root

    return look_up


def leaves(tx: Tx, *, after: int, upto: int) -> Iterator[Leaf]:
    """The facts of some positions as they are kept."""
    for row in tx.execute(facts_to_sign, (after, upto)):
        raw = row["state"]
        yield Leaf(
            row["position"],
            bytes(row["envelope_hash"]),
            bytes(row["feed_hash"]),
            None if raw is None else bytes(raw),
        )


def kept_feed_hash(tx: Tx, position: int) -> str | None:
    """The cumulative hash that the index has at a position."""
    row = tx.execute(feed_hash_at, (position,)).fetchone()
    return None if row is None else bytes(row["feed_hash"]).hex()


def keep(tx: Tx, checkpoint: Checkpoint, signed: SignedCheckpoint, completed: Sequence[Subtree]) -> None:
    """Write a signed checkpoint and the subtrees that it completed."""
    rows = [
        (checkpoint.epoch, one.level, one.index, one.hash)
        for one in completed
        if one.level >= LOWEST_KEPT_LEVEL
    ]
    tx.executemany(keep_subtree, rows)
    tx.execute(
        keep_checkpoint,
        (
            checkpoint.epoch,
            checkpoint.position,
            bytes.fromhex(checkpoint.root),
            bytes.fromhex(checkpoint.feed_hash),
            checkpoint.hub_time,
            signed.raw,
            signed.signature,
        ),
    )


def latest(tx: Tx, epoch: str) -> SignedCheckpoint | None:
    """The last checkpoint of an epoch."""
    return _signed(tx.execute(last_checkpoint, (epoch,)).fetchone())


def find(tx: Tx, epoch: str, position: int) -> SignedCheckpoint | None:
    """The checkpoint at exactly this position."""
    return _signed(tx.execute(checkpoint_at, (epoch, position)).fetchone())


def witnessed(tx: Tx, epoch: str, *, at_least: int = 0) -> WitnessedCheckpoint | None:
    """The last checkpoint with so many cosignatures, and they beside it."""
    found = _signed(tx.execute(last_cosigned, {"epoch": epoch, "at_least": at_least}).fetchone())
    if found is None:
        return None
    rows = tx.execute(cosignatures_of, (epoch, parse_checkpoint(found).position))
    return WitnessedCheckpoint(
        checkpoint=found, cosignatures=tuple(Cosignature.model_validate(row) for row in rows)
    )


def add_cosignature(
    tx: Tx, checkpoint: Checkpoint, cosignature: Cosignature, *, now: dt.datetime
) -> tuple[Cosignature, ...]:
    """Keep a node's word, once, and give everybody's."""
    place = (checkpoint.epoch, checkpoint.position)
    tx.execute(keep_cosignature, (*place, cosignature.node, cosignature.key_id, cosignature.signature, now))
    return tuple(Cosignature.model_validate(row) for row in tx.execute(cosignatures_of, place))


def every(tx: Tx, epoch: str) -> Iterator[SignedCheckpoint]:
    """All checkpoints of an epoch in order, a few at a time."""
    after = 0
    while rows := tx.execute(every_checkpoint, (epoch, after, 500)).fetchall():
        for row in rows:
            found = SignedCheckpoint(raw=row["raw"], signature=row["signature"])
            after = parse_checkpoint(found).position
            yield found


def _signed(row: dict[str, object] | None) -> SignedCheckpoint | None:
    return None if row is None else SignedCheckpoint.model_validate(row)
