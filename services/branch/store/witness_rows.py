"""What this node keeps as a witness: its tree over the copy of the feed, the checkpoints it saw, and the evidence.

Owns the tables witness_edge, witness_checkpoint and witness_evidence. Nothing is judged here.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from branch.store.rows import Cursor, number, text
from eventlog.checkpoint import Checkpoint, SignedCheckpoint
from eventlog.feed import GENESIS_FEED_HASH, next_feed_hash
from eventlog.feed import Cursor as FeedCursor
from eventlog.tree import Edge, grow

LEAVES_A_TIME = 5_000

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
    "select e.id, e.found_at, e.kind, e.epoch, e.position, e.words, e.raw, e.signature, e.against_raw, "
    "e.against_signature, e.own_root, e.own_feed_hash, a.words, a.answered_by from witness_evidence e "
    "left join witness_answer a on a.evidence_id = e.id order by e.id"
)
_PUT_ANSWER = (
    "insert into witness_answer (evidence_id, answered_at, answered_by, words) "
    "select id, ?, ?, ? from witness_evidence where id = ? on conflict (evidence_id) do nothing returning evidence_id"
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

    id: int
    found_at: dt.datetime
    kind: Kind
    epoch: str
    position: int
    words: str
    signed: SignedCheckpoint
    against: SignedCheckpoint | None
    own_root: str | None
    own_feed_hash: str | None
    answer: str | None = None
    """What came of it, in the words of whoever looked; None while nobody has."""
    answered_by: str | None = None

    @property
    def is_of_hub(self) -> bool:
        """Whether it speaks against the hub."""
        return self.kind != "own copy"


class Gap(Exception):
    """The copy misses a position."""


def own_tree(c: Cursor, feed: FeedCursor, size: int) -> OwnTree:
    """This node's tree at `size`, from the kept edge where that is not beyond it. Only reads. Raises Gap."""
    kept = _edge(c)
    if kept.epoch != feed.epoch or kept.edge.size > size:
        kept = OwnTree(feed.epoch, Edge(), GENESIS_FEED_HASH)
    return go_on(c, kept, size)


def go_on(c: Cursor, start: OwnTree, size: int) -> OwnTree:
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


def cosigned(c: Cursor, signed: SignedCheckpoint) -> None:
    """The hub has this node's word."""
    c.execute(_COSIGNED, (signed.raw,))


def evidence(c: Cursor) -> tuple[Evidence, ...]:
    """Everything that was ever found, oldest first."""
    c.execute(_EVIDENCE)
    return tuple(_evidence(row) for row in c.fetchall())


def put_answer(c: Cursor, evidence_id: int, *, by: str, words: str, now: dt.datetime) -> bool:
    """Somebody has looked at a piece of evidence; False when there is none of this number, or it was answered before."""
    c.execute(_PUT_ANSWER, (now.isoformat(), by, words, evidence_id))
    return c.fetchone() is not None


def kept_checkpoints(c: Cursor, epoch: str) -> tuple[SignedCheckpoint, ...]:
    """Every checkpoint of an epoch that is held here, by position."""
    c.execute(_KEPT, (epoch,))
    return tuple(
        SignedCheckpoint(raw=text(row[0]), signature=text(row[1]))
        for row in c.fetchall()
    )  # fmt: skip


def kept_at(c: Cursor, said: Checkpoint) -> list[SignedCheckpoint]:
    c.execute(_SAME_PLACE, (said.epoch, said.position))
    return [SignedCheckpoint(raw=text(row[0]), signature=text(row[1])) for row in c.fetchall()]


def last_agreed(c: Cursor, epoch: str, but: SignedCheckpoint) -> SignedCheckpoint | None:
    return _signed(c, _LAST_AGREED, (epoch, but.raw))


def _signed(c: Cursor, sql: str, params: tuple[object, ...]) -> SignedCheckpoint | None:
    c.execute(sql, params)
    row = c.fetchone()
    return None if row is None else SignedCheckpoint(raw=text(row[0]), signature=text(row[1]))


def note(
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
    (
        evidence_id, found_at, kind, epoch, position, words, raw, signature, against, its_signature, root, feed_hash,
        answer, answered_by,
    ) = row  # fmt: skip
    kinds: dict[str, Kind] = {one: one for one in ("two roots", "another log", "not continued", "own copy")}
    return Evidence(
        id=number(evidence_id),
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
        answer=None if answer is None else text(answer),
        answered_by=None if answered_by is None else text(answered_by),
    )


def last_uncosigned(c: Cursor) -> SignedCheckpoint | None:
    """The last checkpoint that agrees and that the hub does not have this node's word for yet."""
    return _signed(c, _LAST_UNSIGNED, ())


def is_known_to_agree(c: Cursor, said: Checkpoint) -> bool:
    """Whether this very thing was borne out before."""
    c.execute(_KNOWN_TO_AGREE, _place(said))
    return c.fetchone() is not None


def put_checkpoint(
    c: Cursor, said: Checkpoint, signed: SignedCheckpoint, *, now: dt.datetime, keep: dt.timedelta
) -> None:
    """Keep one, and let those go that were seen too long ago, except the last of each epoch."""
    c.execute(_PUT_CHECKPOINT, (*_place(said), signed.raw, signed.signature, now.isoformat()))
    c.execute(_FORGET, ((now - keep).isoformat(),))


def put_agreement(c: Cursor, said: Checkpoint, own: OwnTree) -> None:
    """The own copy bears it out; the next comparison goes on from there."""
    c.execute(_AGREES, _place(said))
    _keep_edge(c, own)


def _place(said: Checkpoint) -> tuple[str, int, str, str]:
    return (said.epoch, said.position, said.root, said.feed_hash)
