"""The storage that the hub's side of the protocol works on: one open transaction of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from eventlog.chain import Head, Link
from eventlog.envelope import Sealed


@dataclass(frozen=True, slots=True)
class FeedEnd:
    """How far the feed has come."""

    epoch: str
    position: int
    feed_hash: str


@dataclass(frozen=True, slots=True)
class Placed:
    """A fact at its position, with the cumulative hash there. `is_loose`: it does not lie in its chain."""

    position: int
    link: Link
    feed_hash: str
    is_loose: bool = False


@dataclass(frozen=True, slots=True)
class Turn:
    """Which incarnation of a node has its turn, and the tickets by which a second one would betray itself.

    `current` is the ticket given at the last beat, `previous` the one with which that beat was made, `beat` its id.
    """

    inc: UUID
    current: str
    previous: str
    beat: UUID


class AnotherNodesLog(Exception):
    """This incarnation belongs to another node."""


class HubLog(Protocol):
    """The shared log: every node's chain, and the feed over all of them."""

    def head(self, node: str, inc: UUID, *, now: dt.datetime) -> Head:
        """The head of an incarnation, locked until the transaction ends. Raises AnotherNodesLog."""
        ...

    def hashes(self, inc: UUID, first: int, last: int) -> dict[int, str]:
        """The hash by seq of the envelopes that lie in a chain."""
        ...

    def keep_chain(self, fresh: Sequence[Link]) -> None:
        """Lay envelopes at their places in their chain."""
        ...

    def move_head(self, node: str, head: Head, *, now: dt.datetime) -> None:
        """The chain of an incarnation now ends here."""
        ...

    def keep_loose(self, link: Link, *, follows: Head, why: str, now: dt.datetime) -> None:
        """Hold an envelope outside its chain, and what the chain's head was: the record of a hole or of a fork."""
        ...

    def repeat(self, link: Link, *, now: dt.datetime) -> None:
        """An envelope in a chain carries a fact that has its position already."""
        ...

    def feed_end(self) -> FeedEnd:
        """How far the feed has come, locked until the transaction ends. Call it last: every other append waits."""
        ...

    def positioned(self, ids: Sequence[UUID]) -> dict[UUID, Link]:
        """Those of these facts that have a position, by id."""
        ...

    def number(self, placed: Sequence[Placed], *, now: dt.datetime) -> None:
        """Write rows of the feed and move its end to the last of them."""
        ...

    def set_epoch(self, epoch: str, *, now: dt.datetime) -> None:
        """The feed goes on under another name from here."""
        ...

    def feed_hash_at(self, position: int) -> str | None:
        """The cumulative hash at a position; None beyond the end."""
        ...

    def aside(self, node: str, reason: str, detail: str, raw: bytes, *, now: dt.datetime) -> None:
        """Keep what was refused, as it came; the same bytes are kept once."""
        ...

    def key(self, node: str, key_id: str) -> Ed25519PublicKey | None:
        """A key that the hub has enrolled for this node, now or earlier."""
        ...

    def is_revoked(self, node: str, key_id: str) -> bool:
        """Whether that key was withdrawn."""
        ...

    def register(self, link: Link) -> None:
        """Take what an envelope of the hub itself says about nodes and keys, given back after a restore."""
        ...

    def turn(self, node: str) -> Turn | None:
        """Whose turn it is at a node."""
        ...

    def put_turn(self, node: str, turn: Turn) -> None:
        """It is the turn of this incarnation."""
        ...

    def ended_turn(self, node: str, inc: UUID) -> Turn | None:
        """The last turn of an incarnation that another one has followed."""
        ...

    def end_turn(self, node: str, turn: Turn) -> None:
        """This incarnation was followed by another one."""
        ...

    def sealed_after(self, position: int, most: int) -> tuple[tuple[int, dt.datetime, Sealed, str], ...]:
        """Rows of the feed after a position: position, when it was received, the envelope, the cumulative hash."""
        ...
