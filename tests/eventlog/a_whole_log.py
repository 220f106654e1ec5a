"""A small network's whole log for tests: the hub enrols two shops, they record, the hub signs; sound until it is damaged."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass, field
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import JsonValue

from eventlog import Effect, Event, Place, Sealed, Seen, seal
from eventlog.chain import LOG_OPENED, Head
from eventlog.checkpoint import Checkpoint, SignedCheckpoint, sign_checkpoint
from eventlog.event import NO_HASH
from eventlog.feed import next_feed_hash
from eventlog.keys import key_id, public_text
from eventlog.tree import Edge, grow
from eventlog.whole_log import Found, Held, Said, Shown, Trust, check

AT = dt.datetime(2026, 6, 14, 9, 41, tzinfo=dt.UTC)


@dataclass
class Author:
    """A node that writes envelopes."""

    node: str
    key: Ed25519PrivateKey = field(default_factory=Ed25519PrivateKey.generate)
    inc: UUID = field(default_factory=uuid.uuid4)
    log: list[Sealed] = field(default_factory=list)

    @property
    def head(self) -> Head:
        return Head(self.inc, len(self.log), self.log[-1].hash if self.log else NO_HASH)

    def writes(self, kind: str, body: dict[str, JsonValue], *, subject: str, seen: Seen) -> Sealed:
        event = Event(
            id=uuid.uuid4(), kind=kind, v=1, effect=Effect.NEUTRAL, subject=subject, body=body,
            performed_on=AT.date(), at=AT, seen=seen, actor="sam", role="operator", software="test",
        )  # fmt: skip
        head = self.head
        place = Place(self.node, key_id(self.key.public_key()), self.inc, head.seq + 1, head.hash)
        self.log.append(seal(event, place, recorded_at=AT, key=self.key))
        return self.log[-1]


@dataclass
class Network:
    """Who writes, what stands in the feed, what was signed over it. `seen_to`: how far the shops have read."""

    hub: Author = field(default_factory=lambda: Author("hub"))
    pier: Author = field(default_factory=lambda: Author("pier"))
    quay: Author = field(default_factory=lambda: Author("quay"))
    feed: list[Held] = field(default_factory=list)
    beside: list[Held] = field(default_factory=list)
    signed: list[SignedCheckpoint] = field(default_factory=list)
    epoch: str = "e1"

    def hash_at(self, position: int) -> str:
        found = NO_HASH
        for held in self.feed[:position]:
            found = next_feed_hash(found, held.sealed.hash)
        return found

    def seen(self, position: int) -> Seen:
        return Seen(epoch=self.epoch, position=position, feed_hash=self.hash_at(position))

    def publishes(self, sealed: Sealed) -> None:
        self.feed.append(Held(sealed, len(self.feed) + 1, kept_hash=sealed.hash))

    def signs(self) -> None:
        edge, _ = grow(Edge(), [bytes.fromhex(one.sealed.hash) for one in self.feed])
        said = Checkpoint(
            epoch=self.epoch, position=edge.size, root=edge.root.hex(), feed_hash=self.hash_at(edge.size),
            hub_time=AT, key_id=key_id(self.hub.key.public_key()),
        )  # fmt: skip
        self.signed.append(sign_checkpoint(said, self.hub.key))

    def says(self) -> Said:
        """What the log rightly says of itself now."""
        return Said(self.epoch, len(self.feed), self.hash_at(len(self.feed)), own=self.pier.head)

    def trust(self) -> Trust:
        public = self.hub.key.public_key()
        return Trust("hub", {key_id(public): ("hub", public)})


@dataclass
class Whole:
    """A network's log with what it said of itself before anybody damaged it."""

    net: Network
    said: Said

    def check(self, *others: Shown, trust: Trust | None = None) -> Found:
        shown = [*(Shown(one) for one in self.net.signed), *others]
        return check(self.net.feed, self.net.beside, self.said, trust or self.net.trust(), shown)


def a_whole_log() -> Whole:
    net = a_network()
    return Whole(net, net.says())


def a_network() -> Network:
    """Positions 1 to 3 are the hub's, 4 and 5 open the shops' logs, then pier and quay record in turns up to 24. Signed at
    12 and 20; two facts of pier are not sent yet. Facts up to 16 say what their node had seen."""
    net = Network()
    net.publishes(
        net.hub.writes(LOG_OPENED, {"parent": None, "reason": "first"}, subject="node/hub", seen=Seen())
    )
    for shop in (net.pier, net.quay):
        body: dict[str, JsonValue] = {
            "node": shop.node, "name": shop.node.title(), "public_key": public_text(shop.key.public_key()),
        }  # fmt: skip
        net.publishes(
            net.hub.writes("node.enrolled", body, subject=f"node/{shop.node}", seen=net.seen(len(net.feed)))
        )
    for shop in (net.pier, net.quay):
        opening: dict[str, JsonValue] = {"parent": None, "reason": "first"}
        net.publishes(shop.writes(LOG_OPENED, opening, subject=f"node/{shop.node}", seen=Seen()))
    for n in range(6, 25):
        shop = net.pier if n % 2 else net.quay
        seen = net.seen(n - 3) if n <= 16 else Seen()
        net.publishes(shop.writes("cylinder.received", {"n": n}, subject="cylinder/c-1", seen=seen))
        if n in (12, 20):
            net.signs()
    for n in (25, 26):
        net.beside.append(
            Held(net.pier.writes("cylinder.received", {"n": n}, subject="cylinder/c-1", seen=Seen()))
        )
    return net
