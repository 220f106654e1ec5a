"""The hub's storage in memory: the twin of the PostgreSQL one, with the same port and the same bytes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from eventlog.chain import Head, Link
from eventlog.envelope import Sealed
from eventlog.event import NO_HASH
from eventlog.keys import public_key
from sync.hub_log import AnotherNodesLog, FeedEnd, Placed, Turn
from sync.opening import link_of


@dataclass(frozen=True)
class Row:
    """One row of the feed."""

    link: Link
    feed_hash: str
    received_at: dt.datetime
    is_loose: bool


@dataclass
class HubState:
    """Everything that the hub's database holds of the protocol."""

    epoch: str
    heads: dict[UUID, tuple[str, int, str]] = field(default_factory=dict)
    chain: dict[tuple[UUID, int], Sealed] = field(default_factory=dict)
    loose: dict[str, tuple[str, int, str]] = field(default_factory=dict)
    feed: list[Row] = field(default_factory=list)
    position_of: dict[UUID, int] = field(default_factory=dict)
    repeats: dict[tuple[UUID, int], UUID] = field(default_factory=dict)
    put_by: dict[tuple[str, bytes], str] = field(default_factory=dict)
    keys: dict[tuple[str, str], Ed25519PublicKey] = field(default_factory=dict)
    revoked: frozenset[tuple[str, str]] = frozenset()
    turns: dict[str, Turn] = field(default_factory=dict)
    ended: dict[tuple[str, UUID], Turn] = field(default_factory=dict)
    epochs: tuple[tuple[str, int], ...] = ()

    def copy(self) -> HubState:
        """The same state, apart."""
        return HubState(
            epoch=self.epoch,
            heads=dict(self.heads),
            chain=dict(self.chain),
            loose=dict(self.loose),
            feed=list(self.feed),
            position_of=dict(self.position_of),
            repeats=dict(self.repeats),
            put_by=dict(self.put_by),
            keys=dict(self.keys),
            revoked=self.revoked,
            turns=dict(self.turns),
            ended=dict(self.ended),
            epochs=self.epochs,
        )


class MemoryHubLog:
    """One transaction on the hub's state."""

    def __init__(self, state: HubState, *, hub_node: str) -> None:
        self.state = state
        self._hub_node = hub_node

    def head(self, node: str, inc: UUID, *, now: dt.datetime) -> Head:
        owner, seq, found = self.state.heads.setdefault(inc, (node, 0, NO_HASH))
        if owner != node:
            raise AnotherNodesLog(f"incarnation {inc} is not of {node}")
        return Head(inc=inc, seq=seq, hash=found)

    def hashes(self, inc: UUID, first: int, last: int) -> dict[int, str]:
        return {
            seq: self.state.chain[inc, seq].hash
            for seq in range(first, last + 1)
            if (inc, seq) in self.state.chain
        }

    def keep_chain(self, fresh: Sequence[Link]) -> None:
        for link in fresh:
            place = link.envelope.place
            assert (place.inc, place.seq) not in self.state.chain, "a place is taken twice"
            self.state.chain[place.inc, place.seq] = link.sealed

    def move_head(self, node: str, head: Head, *, now: dt.datetime) -> None:
        self.state.heads[head.inc] = (node, head.seq, head.hash)

    def keep_loose(self, link: Link, *, follows: Head, why: str, now: dt.datetime) -> None:
        self.state.loose[link.hash] = (why, follows.seq, follows.hash)

    def repeat(self, link: Link, *, now: dt.datetime) -> None:
        place = link.envelope.place
        self.state.repeats[place.inc, place.seq] = link.envelope.event.id

    def feed_end(self) -> FeedEnd:
        rows = self.state.feed
        return FeedEnd(self.state.epoch, len(rows), rows[-1].feed_hash if rows else NO_HASH)

    def positioned(self, ids: Sequence[UUID]) -> dict[UUID, Link]:
        found = {one: self.state.position_of[one] for one in ids if one in self.state.position_of}
        return {one: self.state.feed[position - 1].link for one, position in found.items()}

    def number(self, placed: Sequence[Placed], *, now: dt.datetime) -> None:
        for one in placed:
            event_id = one.link.envelope.event.id
            assert one.position == len(self.state.feed) + 1, "positions are contiguous"
            assert event_id not in self.state.position_of, "a fact has one position"
            self.state.feed.append(Row(one.link, one.feed_hash, now, one.is_loose))
            self.state.position_of[event_id] = one.position

    def set_epoch(self, epoch: str, *, now: dt.datetime) -> None:
        self.state.epochs += ((self.state.epoch, len(self.state.feed)),)
        self.state.epoch = epoch
        self.state.turns = {}
        self.state.ended = {}

    def feed_hash_at(self, position: int) -> str | None:
        if position == 0:
            return NO_HASH
        return self.state.feed[position - 1].feed_hash if position <= len(self.state.feed) else None

    def aside(self, node: str, reason: str, detail: str, raw: bytes, *, now: dt.datetime) -> None:
        self.state.put_by.setdefault((node, raw), reason)

    def key(self, node: str, key_id: str) -> Ed25519PublicKey | None:
        return self.state.keys.get((node, key_id))

    def is_revoked(self, node: str, key_id: str) -> bool:
        return (node, key_id) in self.state.revoked

    def register(self, link: Link) -> None:
        event = link.envelope.event
        if link.envelope.place.node != self._hub_node:
            return
        node, key_id, key = (event.body.get(name) for name in ("node", "key_id", "public_key"))
        if not (isinstance(node, str) and isinstance(key_id, str)):
            return
        if event.kind == "node.enrolled" and isinstance(key, str):
            self.state.keys[node, key_id] = self.read_key(key)
        if event.kind == "node.key_revoked":
            self.state.revoked |= {(node, key_id)}

    def read_key(self, text: str) -> Ed25519PublicKey:
        """A public key from its text."""
        return public_key(text)

    def turn(self, node: str) -> Turn | None:
        return self.state.turns.get(node)

    def put_turn(self, node: str, turn: Turn) -> None:
        self.state.turns[node] = turn

    def ended_turn(self, node: str, inc: UUID) -> Turn | None:
        return self.state.ended.get((node, inc))

    def end_turn(self, node: str, turn: Turn) -> None:
        self.state.ended[node, turn.inc] = turn

    def sealed_after(self, position: int, most: int) -> tuple[tuple[int, dt.datetime, Sealed, str], ...]:
        rows = self.state.feed[position : position + most]
        return tuple(
            (position + n, row.received_at, row.link.sealed, row.feed_hash)
            for n, row in enumerate(rows, start=1)
        )


def opened(sealed: Sealed) -> Link:
    """The reading of stored bytes."""
    return link_of(sealed)
