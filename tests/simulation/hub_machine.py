"""The hub as a machine that can crash, be restored and be looked after by an operator."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar
from uuid import UUID

from tests.simulation.memory_hub import HubState, MemoryHubLog
from tests.simulation.quick_keys import QuickKey, QuickPublicKey

from eventlog.chain import LOG_OPENED, Head
from eventlog.envelope import Malformed, Place, Sealed, seal
from eventlog.event import Effect, Event, Seen
from eventlog.keys import key_id, public_text
from eventlog.wire import FeedItem, FeedPage
from sync import at_hub, beats
from sync.at_branch import HubSays
from sync.beats import Beat, BeatAnswer
from sync.epochs import HashAt
from sync.opening import link_of

if TYPE_CHECKING:
    from tests.simulation.world import World

HUB = "hub"
Result = TypeVar("Result")


class Down(Exception):
    """No answer: the machine is off, or fell in the middle of the work."""


class QuickHubLog(MemoryHubLog):
    """The twin, with keys that cost nothing."""

    def read_key(self, text: str) -> QuickPublicKey:
        return QuickPublicKey(base64.b64decode(text))


@dataclass(frozen=True)
class Evidence:
    """What the hub has signed about its own feed."""

    epoch: str
    position: int
    feed_hash: str


class HubMachine:
    """One hub with its database, its high-water mark beside it, and its backups."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.key = QuickKey("hub")
        self.inc = world.new_id()
        self.state = HubState(epoch=f"e{world.rng.getrandbits(32):08x}")
        self.is_up = True
        self.is_refusing = False
        """It was rolled back and says so: nothing is served until an operator gives it a new epoch."""
        self.mark: Evidence | None = None
        self.backups: list[HubState] = []
        self.suspected: set[tuple[UUID, UUID]] = set()
        self.state.keys[HUB, key_id(self.key.public_key())] = self.key.public_key()
        self.open_log(None)

    # What nodes ask.

    def push(self, node: str, run: Sequence[Sealed], own_seq: int) -> HubSays:
        """The next envelopes of a node's log."""
        return self._serve(lambda log: self._push(log, node, run, own_seq))

    def page(self, epoch: str, after: int, limit: int) -> FeedPage | str:
        """The feed after a position, or "ahead"."""

        def work(log: MemoryHubLog) -> FeedPage | str:
            end, now = log.feed_end(), self.world.now()
            if epoch not in ("none", end.epoch):
                return FeedPage(
                    epoch=end.epoch,
                    after=after,
                    head=end.position,
                    items=(),
                    feed_hash="0" * 64,
                    hub_time=now,
                )
            if after > end.position:
                return "ahead"
            rows = log.sealed_after(after, limit)
            return FeedPage(
                epoch=end.epoch,
                after=after,
                head=end.position,
                items=tuple(
                    FeedItem.model_construct(
                        position=position,
                        received_at=received_at,
                        raw=sealed.raw.decode(),
                        signature=base64.b64encode(sealed.signature).decode(),
                    )
                    for position, received_at, sealed, _ in rows
                ),
                feed_hash=rows[-1][3] if rows else (log.feed_hash_at(after) or ""),
                hub_time=now,
            )

        return self._serve(work, is_writing=False)

    def hash_at(self, position: int) -> HashAt:
        """The cumulative hash at a position."""
        return self._serve(
            lambda log: HashAt(log.feed_end().epoch, position, log.feed_hash_at(position)), is_writing=False
        )

    def give_back(self, node: str, run: Sequence[Sealed]) -> tuple[str, at_hub.TakenBack]:
        """Envelopes that a node still has."""
        return self._serve(
            lambda log: (log.state.epoch, at_hub.take_back(log, node, run, now=self.world.now()))
        )

    def alert(self, node: str, one: Sealed) -> at_hub.TakenBack:
        """A block that overtakes its log."""
        return self._serve(
            lambda log: at_hub.take_back(log, node, [one], now=self.world.now(), only_blocks=True)
        )

    def beat(self, node: str, key: str, beat: Beat) -> tuple[BeatAnswer, Evidence, bool]:
        """Where a node stands; also whether its copy of the feed is the beginning of this one."""

        def work(log: MemoryHubLog) -> tuple[BeatAnswer, Evidence, bool]:
            answer = beats.take_beat(log, node, beat, ticket=f"{self.world.rng.getrandbits(64):016x}")
            if answer.verdict == "clone":
                self._suspect(log, node, key, beat.inc)
            return answer, self.evidence(log.state), beats.feed_agrees(log, beat)

        found = self._serve(work)
        if not found[2]:
            self.world.count("a beat showed another feed")
            self.world.operator_will_look()
        return found

    def see_evidence(self, shown: Evidence) -> None:
        """A node shows what this hub has signed before: does the database still bear it out?"""
        if not self.is_up:
            raise Down
        end = self.evidence(self.state)
        known = QuickHubLog(self.state, hub_node=HUB).feed_hash_at(shown.position)
        if shown.epoch == end.epoch and known != shown.feed_hash:
            self.world.count("hub saw that it was rolled back")
            self.is_refusing = True
            self.world.operator_will_look()

    def evidence(self, state: HubState) -> Evidence:
        """Where the feed stands."""
        end = QuickHubLog(state, hub_node=HUB).feed_end()
        return Evidence(end.epoch, end.position, end.feed_hash)

    # What the operator and the officer do.

    def enrol(self, node: str, key: QuickKey) -> None:
        """Let a node in; every node learns its key from the feed."""
        public = key.public_key()
        body = {"node": node, "key_id": key_id(public), "public_key": public_text(public), "name": node}

        def work(log: MemoryHubLog) -> None:
            log.state.keys[node, key_id(public)] = public
            self._write(log, [self._event("node.enrolled", f"node/{node}", dict(body))])

        self._transact(work)

    def write(self, events: Sequence[Event]) -> bool:
        """Facts of the hub's own; False when it is down."""
        if not self.is_up or self.is_refusing:
            return False
        try:
            self._serve(lambda log: self._write(log, events))
        except Down:
            return False
        return True

    def open_log(self, parent: Head | None) -> None:
        """Begin an incarnation of the hub's own log."""
        body = {
            "parent": None
            if parent is None
            else {"inc": str(parent.inc), "seq": parent.seq, "hash": parent.hash},
            "reason": "first" if parent is None else "restore",
        }
        self._transact(lambda log: self._write(log, [self._event(LOG_OPENED, f"node/{HUB}", body)]))

    def new_epoch(self) -> None:
        """What the operator does after a restore."""

        def work(log: MemoryHubLog) -> None:
            log.set_epoch(f"e{self.world.rng.getrandbits(32):08x}", now=self.world.now())

        _, seq, found = self.state.heads.get(self.inc, (HUB, 0, "0" * 64))
        parent = Head(self.inc, seq, found)
        self._transact(work)
        self.inc = self.world.new_id()
        self.is_refusing = False
        self.suspected.clear()
        self.open_log(parent)
        self.world.count("new epoch")

    def restore(self, backup: HubState, *, with_mark: bool) -> None:
        """Put an older database in place. With its mark the hub sees it at the start; else somebody has to show it."""
        self.state = backup.copy()
        if not with_mark:
            self.mark = None
        self.start()

    def start(self) -> None:
        """Boot: a database behind its mark refuses to serve."""
        self.is_up = True
        mark, end = self.mark, self.evidence(self.state)
        if mark is None or mark.epoch != end.epoch:
            return
        known = QuickHubLog(self.state, hub_node=HUB).feed_hash_at(mark.position)
        if known != mark.feed_hash:
            self.world.count("hub found itself behind its mark")
            self.is_refusing = True
            self.world.operator_will_look()

    # Inside.

    def _push(self, log: MemoryHubLog, node: str, run: Sequence[Sealed], own_seq: int) -> HubSays:
        try:
            links = tuple(link_of(one) for one in run)
        except Malformed:
            return HubSays("malformed", None)
        place = links[0].envelope.place
        if log.key(node, place.key_id) is None:
            return HubSays("unknown key", None)
        for link in links:
            if at_hub.authentic(log, node, link.sealed, now=self.world.now()) != link:
                return HubSays("forged", None)
        if log.is_revoked(node, place.key_id):
            for link in links:
                taken = at_hub.take_back(log, node, [link.sealed], now=self.world.now(), only_blocks=True)
                if not taken.settled:
                    log.aside(
                        node, "revoked key", "waits for a person", link.sealed.raw, now=self.world.now()
                    )
            return HubSays("quarantined", Head(place.inc, links[-1].envelope.place.seq, links[-1].hash))
        head = log.head(node, place.inc, now=self.world.now())
        if head.seq > own_seq:
            self.world.count("behind")
            return HubSays("behind", head)
        appended = at_hub.append(log, links, now=self.world.now())
        if appended.verdict.answer == "fork":
            self.world.count("fork")
        return HubSays(appended.verdict.answer, appended.head)

    def _suspect(self, log: MemoryHubLog, node: str, key: str, inc: UUID) -> None:
        turn = log.turn(node)
        pair = (inc, turn.inc if turn else inc)
        if pair in self.suspected:
            return
        self.suspected.add(pair)
        self.world.count("clone seen")
        trusted = [
            {"inc": str(one), "seq": self._cut_of(log, one, seq)}
            for one, (owner, seq, _) in sorted(log.state.heads.items())
            if owner == node and (turn is None or one != turn.inc)
        ]
        body = {"node": node, "key_id": key, "trusted": trusted, "reason": "two nodes with one key"}
        self._write(log, [self._event("node.suspected", f"node/{node}", body)])

    def _cut_of(self, log: MemoryHubLog, inc: UUID, seq: int) -> int:
        """Up to where an incarnation is beyond doubt: where the one that followed it left it."""
        cuts = [seq]
        for (_, place_seq), sealed in log.state.chain.items():
            if place_seq != 1:
                continue
            parent = link_of(sealed).envelope.event.body.get("parent")
            if isinstance(parent, dict) and parent.get("inc") == str(inc) and isinstance(parent["seq"], int):
                cuts.append(parent["seq"])
        return min(cuts)

    def _event(self, kind: str, subject: str, body: Mapping[str, object]) -> Event:
        return Event.model_validate(
            {
                "id": self.world.new_id(),
                "kind": kind,
                "v": 1,
                "effect": Effect.NEUTRAL,
                "subject": subject,
                "body": body,
                "performed_on": self.world.now().date(),
                "at": self.world.now(),
                "seen": Seen(),
                "actor": HUB,
                "role": HUB,
                "software": "simulated",
            }
        )

    def _write(self, log: MemoryHubLog, events: Sequence[Event]) -> None:
        _, seq, before = log.state.heads.get(self.inc, (HUB, 0, "0" * 64))
        run = []
        for event in events:
            seq += 1
            place = Place(HUB, key_id(self.key.public_key()), self.inc, seq, before)
            sealed = seal(event, place, recorded_at=self.world.now(), key=self.key)
            run.append(link_of(sealed))
            before = sealed.hash
        appended = at_hub.append(log, run, now=self.world.now())
        assert appended.verdict.answer == "accepted", appended.verdict

    def _serve(self, work: Callable[[MemoryHubLog], Result], *, is_writing: bool = True) -> Result:
        if not self.is_up or self.is_refusing:
            raise Down
        if not is_writing:
            return work(QuickHubLog(self.state, hub_node=HUB))
        world = self.world
        if world.weather.has("hub crashes") and world.chance(world.weather.crash):
            if world.rng.random() < 0.5:
                world.count("hub crashed before the commit")
                work(QuickHubLog(self.state.copy(), hub_node=HUB))
            else:
                world.count("hub crashed after the commit")
                self._transact(work)
            self.is_up = False
            world.later(world.rng.uniform(60, 4 * 3600), self.start, "hub starts")
            raise Down
        return self._transact(work)

    def _transact(self, work: Callable[[MemoryHubLog], Result]) -> Result:
        log = QuickHubLog(self.state, hub_node=HUB)
        before = len(self.state.feed)
        done = work(log)
        if len(self.state.feed) != before:
            self.mark = self.evidence(self.state)
            self.world.ring()
        return done
