"""A shop's storage in memory: the twin of the SQLite one, with the same port and the same bytes.

State is plain and copied as a whole, so a transaction is "work on a copy, then keep it": a crash before the commit
leaves the old state, a crash after it leaves the new one, and a backup is a copy that was put by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from eventlog.chain import Link
from eventlog.envelope import Sealed
from eventlog.event import NO_HASH, Event
from eventlog.keys import public_key
from sync.opening import link_of
from sync.standpoint import Kept, Standpoint


@dataclass
class BranchState:
    """Everything that a shop's database holds of the protocol. Values are immutable, so that a copy may be shallow."""

    here: Standpoint | None = None
    facts: dict[UUID, Kept] = field(default_factory=dict)
    envelopes: dict[str, Sealed] = field(default_factory=dict)
    chain: dict[tuple[UUID, int], str] = field(default_factory=dict)
    aside: dict[str, str] = field(default_factory=dict)
    feed: dict[int, str] = field(default_factory=dict)
    unread: dict[str, int | None] = field(default_factory=dict)
    unproven: frozenset[UUID] = frozenset()
    given: dict[str, str] = field(default_factory=dict)
    keys: dict[tuple[str, str], Ed25519PublicKey] = field(default_factory=dict)

    def copy(self) -> BranchState:
        """The same state, apart."""
        return BranchState(
            here=self.here,
            facts=dict(self.facts),
            envelopes=dict(self.envelopes),
            chain=dict(self.chain),
            aside=dict(self.aside),
            feed=dict(self.feed),
            unread=dict(self.unread),
            unproven=self.unproven,
            given=dict(self.given),
            keys=dict(self.keys),
        )


class MemoryBranchLog:
    """One transaction on a shop's state."""

    def __init__(self, state: BranchState, *, node: str, hub_node: str) -> None:
        self.state = state
        self._node = node
        self._hub_node = hub_node
        self.touched: set[UUID] = set()
        """Facts that came, changed their envelope or were believed in this transaction."""

    @property
    def node(self) -> str:
        return self._node

    @property
    def hub_node(self) -> str:
        return self._hub_node

    def standpoint(self) -> Standpoint | None:
        return self.state.here

    def stand(self, at: Standpoint) -> None:
        self.state.here = at

    def fact(self, event_id: UUID) -> Kept | None:
        return self.state.facts.get(event_id)

    def keep(self, link: Link, *, position: int | None, is_proven: bool) -> None:
        assert link.envelope.event.id not in self.state.facts, "a held fact is kept a second time"
        self._hold(link, position, is_proven)

    def keep_under(self, link: Link, *, position: int | None, is_proven: bool) -> None:
        assert link.envelope.event.id in self.state.facts, "a fact that is not held gets another envelope"
        self._hold(link, position, is_proven)

    def _hold(self, link: Link, position: int | None, is_proven: bool) -> None:
        place, event_id = link.envelope.place, link.envelope.event.id
        self.state.envelopes[link.hash] = link.sealed
        self.state.chain.setdefault((place.inc, place.seq), link.hash)
        self.state.facts[event_id] = Kept(place.inc, place.seq, link.hash, position)
        if is_proven:
            self.state.unproven -= {event_id}
        else:
            self.state.unproven |= {event_id}
        self.touched.add(event_id)

    def place(self, event_id: UUID, position: int | None) -> None:
        kept = self.state.facts[event_id]
        self.state.facts[event_id] = Kept(kept.inc, kept.seq, kept.hash, position)

    def at_place(self, inc: UUID, seq: int) -> Sealed | None:
        found = self.state.chain.get((inc, seq))
        return None if found is None else self.state.envelopes[found]

    def own_after(self, inc: UUID, seq: int, most: int) -> tuple[Sealed, ...]:
        out: list[Sealed] = []
        while len(out) < most and (found := self.at_place(inc, seq + len(out) + 1)) is not None:
            out.append(found)
        return tuple(out)

    def set_aside(self, inc: UUID, after_seq: int, why: str) -> tuple[Link, ...]:
        moved: list[Link] = []
        places = sorted(place for place in self.state.chain if place[0] == inc and place[1] > after_seq)
        for place in places:
            found = self.state.chain[place]
            link = link_of(self.state.envelopes[found])
            kept = self.state.facts.get(link.envelope.event.id)
            if kept is not None and kept.hash == found and kept.position is not None:
                continue
            del self.state.chain[place]
            self.state.aside[found] = why
            moved.append(link)
        return tuple(moved)

    def note_feed(self, position: int, feed_hash: str) -> None:
        self.state.feed[position] = feed_hash

    def keep_unread(self, position: int, sealed: Sealed) -> None:
        self.state.envelopes[sealed.hash] = sealed
        self.state.unread[sealed.hash] = position

    def feed_hash_at(self, position: int) -> str | None:
        return NO_HASH if position == 0 else self.state.feed.get(position)

    def cut_feed(self, position: int) -> None:
        self.state.feed = {at: one for at, one in self.state.feed.items() if at <= position}
        for event_id, kept in list(self.state.facts.items()):
            if kept.position is not None and kept.position > position:
                self.state.facts[event_id] = Kept(kept.inc, kept.seq, kept.hash, None)
        for found, at in list(self.state.unread.items()):
            if at is not None and at > position:
                self.state.unread[found] = None

    def unplaced(self, epoch: str, *, but_of: UUID, most: int) -> tuple[Sealed, ...]:
        found = [
            (link.envelope.place.node != self._hub_node, str(kept.inc), kept.seq, link.sealed)
            for kept in self.state.facts.values()
            if kept.position is None and kept.inc != but_of and self.state.given.get(kept.hash) != epoch
            for link in (link_of(self.state.envelopes[kept.hash]),)
        ]
        return tuple(one[3] for one in sorted(found, key=lambda one: one[:3])[:most])

    def given(self, hashes: Sequence[str], epoch: str) -> None:
        for one in hashes:
            self.state.given[one] = epoch

    def key(self, node: str, key_id: str) -> Ed25519PublicKey | None:
        return self.state.keys.get((node, key_id))

    def trust(self, node: str, key_id: str, key: Ed25519PublicKey) -> None:
        """Pin a key, as enrolment does for the hub's and the own one."""
        self.state.keys[(node, key_id)] = key

    def learn(self, event: Event) -> tuple[Link, ...]:
        if event.kind != "node.enrolled":
            return ()
        node, key_id, key = (event.body.get(name) for name in ("node", "key_id", "public_key"))
        if not (isinstance(node, str) and isinstance(key_id, str) and isinstance(key, str)):
            return ()
        self.state.keys[(node, key_id)] = self.read_key(key)
        waiting = (link_of(self.state.envelopes[self.state.facts[one].hash]) for one in self.state.unproven)
        return tuple(link for link in waiting if link.envelope.place.node == node)

    def read_key(self, text: str) -> Ed25519PublicKey:
        """A public key from its text."""
        return public_key(text)

    def believe(self, event_id: UUID) -> None:
        self.state.unproven -= {event_id}
        self.touched.add(event_id)
