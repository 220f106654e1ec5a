"""The storage that a shop's side of the protocol works on: one open transaction of it.

Everything a function of `at_branch` does through one such object commits together or not at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from eventlog.chain import Link
from eventlog.envelope import Sealed
from eventlog.event import Event
from sync.standpoint import Kept, Standpoint


class BranchLog(Protocol):
    """A shop's log, its copy of the feed, and where it stands."""

    @property
    def node(self) -> str:
        """This node's name."""
        ...

    @property
    def hub_node(self) -> str:
        """The hub's name: only its facts bring keys."""
        ...

    def standpoint(self) -> Standpoint | None:
        """Where the node stands; None before its log was opened."""
        ...

    def stand(self, at: Standpoint) -> None:
        """Keep where the node stands now."""
        ...

    # Facts and their envelopes.

    def fact(self, event_id: UUID) -> Kept | None:
        """Where the fact of this id is held."""
        ...

    def keep(self, link: Link, *, position: int | None, is_proven: bool) -> None:
        """Hold a new fact. Its envelope lies at its place (inc, seq), or beside it when another one lies there."""
        ...

    def keep_under(self, link: Link, *, position: int | None, is_proven: bool) -> None:
        """Hold a known fact under this envelope from now on; the one before is kept as long as its place is."""
        ...

    def place(self, event_id: UUID, position: int | None) -> None:
        """A held fact has this position in the feed."""
        ...

    def at_place(self, inc: UUID, seq: int) -> Sealed | None:
        """The envelope that lies at a place."""
        ...

    def own_after(self, inc: UUID, seq: int, most: int) -> tuple[Sealed, ...]:
        """The envelopes of one incarnation after a seq, in order."""
        ...

    def set_aside(self, inc: UUID, after_seq: int, why: str) -> tuple[Link, ...]:
        """Move the envelopes after a seq that have no position out of their places, kept for ever as evidence; in order."""
        ...

    # The copy of the feed.

    def note_feed(self, position: int, feed_hash: str) -> None:
        """The cumulative hash at a position."""
        ...

    def keep_unread(self, position: int, sealed: Sealed) -> None:
        """Hold what stands at a position without taking it for a fact: it cannot be read, or not believed."""
        ...

    def feed_hash_at(self, position: int) -> str | None:
        """The cumulative hash at a position of the copy; the first one's is at 0."""
        ...

    def cut_feed(self, position: int) -> None:
        """Forget every position after this one. The facts stay."""
        ...

    def unplaced(self, epoch: str, *, but_of: UUID, most: int) -> tuple[Sealed, ...]:
        """Envelopes without a position that were not handed to the hub of this epoch yet, except those of one incarnation.

        The hub's own come first, then each log in its order.
        """
        ...

    def given(self, hashes: Sequence[str], epoch: str) -> None:
        """These envelopes were handed to the hub of this epoch."""
        ...

    # Keys.

    def key(self, node: str, key_id: str) -> Ed25519PublicKey | None:
        """The key by which envelopes of this node are believed."""
        ...

    def learn(self, event: Event) -> tuple[Link, ...]:
        """Take what a fact of the hub says about nodes and their keys; gives the facts of that node that waited for it."""
        ...

    def believe(self, event_id: UUID) -> None:
        """The signature of a held fact was checked after all."""
        ...
