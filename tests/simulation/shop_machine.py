"""A shop's machine: its database, the marker beside it, the three lanes to the hub, and the people at its counter."""

from __future__ import annotations

import base64
import contextlib
import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, TypeVar
from uuid import UUID

from tests.simulation.hub_machine import HUB, Down, Evidence
from tests.simulation.memory_branch import BranchState, MemoryBranchLog
from tests.simulation.quick_keys import QuickKey, QuickPublicKey

from branch.time_floor import TimeFloor
from eventlog.envelope import Sealed
from eventlog.event import Event, Seen
from eventlog.feed import NewEpoch, PageRefused
from eventlog.keys import key_id
from eventlog.wire import FeedPage
from sync import at_branch, beats, epochs
from sync.at_branch import Author, HubSays, PageTaken, StartAgain
from sync.at_hub import TakenBack
from sync.beats import BeatAnswer
from sync.epochs import HashAt, Search
from sync.opening import link_of
from sync.standpoint import Fresh, Standpoint

if TYPE_CHECKING:
    from tests.simulation.world import World

Result = TypeVar("Result")
RUN = 25
PAGE = 20
LONG_BACKLOG = 12
HOUR = 3600.0


class DiskFull(Exception):
    """The database could not write. Nothing of the transaction was kept."""


class QuickBranchLog(MemoryBranchLog):
    """The twin, with keys that cost nothing."""

    def read_key(self, text: str) -> QuickPublicKey:
        return QuickPublicKey(base64.b64decode(text))


@dataclass(frozen=True)
class Marker:
    """What lies outside the database and its backups."""

    inc: UUID
    seq: int
    epoch: str
    position: int


class ShopMachine:
    """One machine of one shop. A clone is a second machine of the same shop, with the same key."""

    def __init__(self, world: World, node: str, key: QuickKey, state: BranchState) -> None:
        self.world = world
        self.node = node
        self.author = Author(node=node, key=key, software="simulated")
        self.state = state
        self.marker: Marker | None = None
        self.backups: list[BranchState] = []
        self.is_up = True
        self.is_gone = False
        self.is_cut_off = False
        self.is_full = False
        self.is_enrolling = False
        self.is_second = False
        """A clone that was found: it is switched off once everything it wrote has left it."""
        self.wall_off_s = 0.0
        self.known_ever: set[UUID] = set()
        """Every fact that any database of this machine has ever held."""
        self.has_forgotten = False
        """Restored without its marker, and nobody has told it yet: the stated limit of what one database can know."""
        self._boot_volatile()

    def _boot_volatile(self) -> None:
        self.booted_at = self.world.t
        self.floor = TimeFloor(wall=self._wall, monotonic_s=lambda: self.world.t - self.booted_at)
        if self.state.here is not None and self.state.here.hub_time is not None:
            self.floor.hear(self.state.here.hub_time)
        self.waiting: dict[str, int] = {}
        self.fill_decided_on: dict[UUID, UUID] = {}
        self.failed: dict[str, int] = {"push": 0, "pull": 0, "beat": 0}
        self.search: Search | None = None
        self.evidence: list[Evidence] = []
        self.alerted: set[str] = set()
        self.put_by_to: dict[UUID, int] = {}

    def _wall(self) -> dt.datetime:
        return self.world.now() + dt.timedelta(seconds=self.wall_off_s)

    # Transactions.

    def log(self) -> QuickBranchLog:
        """The database as it is."""
        return QuickBranchLog(self.state, node=self.node, hub_node=HUB)

    def transact(self, work: Callable[[QuickBranchLog], Result]) -> Result:
        """One transaction, which may be the last thing that this machine does for a while. Raises Down, DiskFull."""
        world = self.world
        if self.is_full:
            work(QuickBranchLog(self.state.copy(), node=self.node, hub_node=HUB))
            world.count("disk full")
            raise DiskFull
        if world.weather.has("shop crashes") and world.chance(world.weather.crash):
            if world.rng.random() < 0.5:
                world.count("shop crashed before the commit")
                work(QuickBranchLog(self.state.copy(), node=self.node, hub_node=HUB))
            else:
                world.count("shop crashed after the commit")
                self.commit(work, with_marker=world.rng.random() < 0.5)
            self.crash()
            raise Down
        return self.commit(work, with_marker=True)

    def commit(self, work: Callable[[QuickBranchLog], Result], *, with_marker: bool = True) -> Result:
        """Keep what `work` does; the marker follows it, unless a fall comes between."""
        log = self.log()
        before = self.state.here
        done = work(log)
        self.known_ever.update(log.touched)
        self.world.watch.committed(self, log.touched, before)
        here = self.state.here
        if with_marker and here is not None:
            self.marker = Marker(here.inc, here.seq, here.feed.epoch, here.feed.position)
        return done

    def crash(self) -> None:
        """Off, and on again later."""
        self.is_up = False
        self.world.later(self.world.rng.uniform(30, 6 * HOUR), self.start, f"{self.node} starts")

    def start(self) -> None:
        """Boot: compare with the marker before anything is written."""
        if self.is_gone:
            return
        self.is_up = True
        self._boot_volatile()
        here = self.state.here
        if here is None:
            return
        mark = self.marker
        if mark is None:
            self.commit(
                lambda log: log.stand(replace(self._here(), relearning="no marker")), with_marker=True
            )
        elif self._is_behind(mark):
            self.world.count("shop found itself behind its marker")
            self.begin_again("restore")
        self.has_forgotten = self.has_forgotten and mark is None and not self._here().relearning
        for lane in ("push", "pull", "beat"):
            self.pump(lane)

    def _is_behind(self, mark: Marker) -> bool:
        here = self._here()
        if here.inc != mark.inc:
            # The marker may lag behind by the write that a crash prevented, never by more than this incarnation.
            return here.parent != mark.inc
        return here.seq < mark.seq or (here.feed.epoch == mark.epoch and here.feed.position < mark.position)

    def restore(self, backup: BranchState, *, with_marker: bool) -> None:
        """Put an older database in place and boot."""
        self.state = backup.copy()
        self.has_forgotten = not with_marker or self.marker is None
        if not with_marker:
            self.marker = None
        self.start()

    def replace_disk(self, key: QuickKey, state: BranchState) -> None:
        """A new machine for a shop whose disk is gone: a new key, an empty database."""
        self.author = Author(node=self.node, key=key, software="simulated")
        self.state, self.marker, self.backups = state, None, []
        self.is_up, self.has_forgotten, self.is_enrolling = True, False, False
        self._boot_volatile()

    def begin_again(self, reason: str) -> None:
        """A new incarnation, and go on."""
        fresh = Fresh(inc=self.world.new_id(), opening_id=self.world.new_id())
        now = self.floor.now()
        moved = self.transact(
            lambda log: at_branch.begin_again(log, self.author, fresh, reason=reason, now=now)
        )
        self.has_forgotten = False
        self.world.count(f"new incarnation: {reason}")
        if moved:
            self.world.count("facts carried into a new incarnation")
        self.alerted.clear()

    def _here(self) -> Standpoint:
        assert self.state.here is not None
        return self.state.here

    # The counter.

    def seen(self) -> Seen:
        """What this node has absorbed."""
        feed = self._here().feed
        return Seen(epoch=feed.epoch, position=feed.position, feed_hash=feed.feed_hash)

    def record(self, decide: Callable[[QuickBranchLog], list[Event]]) -> list[Event]:
        """Look up, decide and append in one transaction; then the screen says so."""
        if not self.is_up:
            return []

        def work(log: QuickBranchLog) -> list[Event]:
            events = decide(log)
            if events:
                at_branch.write(log, self.author, events, now=self.floor.now())
            return events

        try:
            made = self.transact(work)
        except (Down, DiskFull):
            return []
        if made:
            self.world.watch.said(self, made)
            self.world.later(self.world.rng.uniform(0.01, 1), lambda: self.pump("push"), f"{self.node} push")
        return made

    # The lanes.

    def pump(self, lane: str) -> None:
        """Send what this lane has to send, unless it waits for an answer."""
        if not self.is_up or self.is_gone or lane in self.waiting or self.state.here is None:
            return
        match lane:
            case "push":
                self._pump_push()
            case "pull":
                self._pump_pull()
            case "beat":
                if (beat := beats.to_beat(self.log(), self.world.new_id())) is not None:
                    key = self.author.key_id
                    self._ask(lane, lambda: self.world.hub.beat(self.node, key, beat), self._on_beat)

    def _pump_push(self) -> None:
        here, log = self._here(), self.log()
        run = log.own_after(here.inc, max(here.acked_seq, self.put_by_to.get(here.inc, 0)), RUN)
        if run and self.world.weather.has("garbled") and self.world.chance(0.05):
            self.world.count("a line garbled an envelope")
            run = (*run[:-1], self._garbled(run[-1]))
        if run and here.seq - here.acked_seq > LONG_BACKLOG and self._send_alert(log):
            return
        if run:
            self._ask("push", lambda: self.world.hub.push(self.node, run, here.seq), self._on_push)
            return
        back = log.unplaced(here.feed.epoch, but_of=here.inc, most=RUN) if here.feed.epoch != "none" else ()
        if back:
            self.world.count("gave back")
            self._ask("push", lambda: self.world.hub.give_back(self.node, back), self._on_given_back)

    def _garbled(self, sealed: Sealed) -> Sealed:
        at = self.world.rng.randrange(len(sealed.raw))
        raw = sealed.raw[:at] + bytes([sealed.raw[at] ^ 1]) + sealed.raw[at + 1 :]
        return replace(sealed, raw=raw)

    def _send_alert(self, log: QuickBranchLog) -> bool:
        here = self._here()
        for sealed in log.own_after(here.inc, here.acked_seq, 10_000):
            link = link_of(sealed)
            if link.envelope.event.effect == "block" and link.hash not in self.alerted:
                self.alerted.add(link.hash)
                self.world.count("a block overtook its log")
                ask = partial(self.world.hub.alert, self.node, sealed)
                self._ask("push", ask, lambda _: self._again("push"))
                return True
        return False

    def _pump_pull(self) -> None:
        here, search = self._here(), self.search
        if search is not None and search.is_over:
            self._adopt(search)
            return
        if search is not None:
            self._ask("pull", lambda: self.world.hub.hash_at(search.asks), self._on_hash)
            return
        feed = here.feed
        self._ask("pull", lambda: self.world.hub.page(feed.epoch, feed.position, PAGE), self._on_page)

    def _ask(self, lane: str, ask: Callable[[], Result], on_answer: Callable[[Result], None]) -> None:
        number = self.world.next_number()
        self.waiting[lane] = number

        def answered(answer: Result, *, is_late: bool) -> None:
            if not self.is_up or self.is_gone:
                return
            if self.waiting.get(lane) == number:
                del self.waiting[lane]
            elif not is_late:
                return
            self.failed[lane] = 0
            with contextlib.suppress(Down, DiskFull):
                on_answer(answer)

        def timed_out() -> None:
            if self.waiting.get(lane) == number:
                del self.waiting[lane]
                self._retry(lane)

        # Only the answers to beats are never used late: their request lives no longer than its ticket.
        self.world.exchange(self, ask, answered, may_be_late=lane != "beat")
        self.world.later(90.0, timed_out, f"{self.node} {lane} times out")

    def _retry(self, lane: str) -> None:
        self.failed[lane] += 1
        wait = self.world.rng.random() * min(
            self.world.slowest_retry_s, 30 * 2.0 ** min(self.failed[lane], 10)
        )
        self.world.later(wait, lambda: self.pump(lane), f"{self.node} {lane} again")

    def _again(self, lane: str) -> None:
        self.world.later(0.01, lambda: self.pump(lane), f"{self.node} {lane} goes on")

    # Answers.

    def _on_push(self, says: HubSays) -> None:
        if says.answer in ("malformed", "forged"):
            self._retry("push")
            return
        if says.answer == "unknown key":
            self._show_enrolment()
            return
        if says.answer == "quarantined":
            # Nothing is acknowledged, but the hub has the bytes: the rest follows.
            if says.head is not None:
                self.put_by_to[says.head.inc] = says.head.seq
            self.world.needs_a_new_key(self)
            self._again("push")
            return
        found = self.transact(lambda log: at_branch.take_push_answer(log, says))
        match found:
            case StartAgain(reason):
                self.begin_again(reason)
                self._again("push")
            case None | at_branch.Acked():
                self._again("push")
            case _:
                self._retry("push")

    def _show_enrolment(self) -> None:
        """The hub was restored to before this shop's enrolment: its own fact about it is shown, or a person enrols anew."""
        mine = [
            link.sealed
            for kept in self.state.facts.values()
            for link in (link_of(self.state.envelopes[kept.hash]),)
            if link.envelope.event.kind == "node.enrolled"
            and link.envelope.event.body.get("key_id") == self.author.key_id
        ]
        if not mine:
            self.world.needs_a_new_key(self)
            return
        self.world.count("showed its enrolment")
        self._ask("push", lambda: self.world.hub.give_back(self.node, mine), lambda _: self._again("push"))

    def _on_given_back(self, answer: tuple[str, TakenBack]) -> None:
        _, taken = answer
        done = (*taken.settled, *taken.refused)
        epoch = self._here().feed.epoch
        self.transact(lambda log: epochs.given_back(log, epoch, done))
        if done:
            self._again("push")
        else:
            self._retry("push")

    def _on_page(self, page: FeedPage | str) -> None:
        if isinstance(page, str):
            self.world.count("ahead of the hub")
            self._show_evidence()
            self._retry("pull")
            return
        self.floor.hear(page.hub_time)
        heard_at = self.floor.now()
        try:
            found = self.transact(lambda log: at_branch.take_page(log, page, heard_at=heard_at))
        except NewEpoch:
            self.search = epochs.begin_search(self._here(), epoch=page.epoch, head=page.head)
            self._again("pull")
            return
        except PageRefused:
            self.world.count("page refused")
            self._show_evidence()
            self._retry("pull")
            return
        match found:
            case StartAgain(reason):
                self.begin_again(reason)
                self._again("pull")
                self._again("push")
            case PageTaken():
                self.has_forgotten = False
                self.world.watch.page_taken(self, page, heard_at)
                if page.items:
                    self.world.count("page applied")
                if self._here().is_suspected:
                    self.world.needs_a_new_key(self)
                if not found.is_at_head:
                    self._again("pull")

    def _on_hash(self, said: HashAt) -> None:
        if self.search is not None:
            self.search = epochs.hear(self.log(), self.search, said)
        self._again("pull")

    def _adopt(self, search: Search) -> None:
        try:
            cut = self.transact(lambda log: epochs.adopt(log, search))
        except (Down, DiskFull):
            return
        self.search = None
        self.world.count("adopted a new epoch")
        if cut:
            self.world.count("cut its copy of the feed")
        self._again("pull")
        self._again("push")

    def _on_beat(self, answer: tuple[BeatAnswer, Evidence, bool]) -> None:
        said, evidence, _ = answer
        self.evidence = [*self.evidence[-3:], evidence]
        found = self.transact(lambda log: beats.take_beat_answer(log, said))
        if isinstance(found, StartAgain):
            self.begin_again(found.reason)
            self._again("push")
        elif said.verdict == "clone":
            self.world.needs_a_new_key(self)

    def _show_evidence(self) -> None:
        for one in self.evidence:
            self.world.exchange(self, partial(self.world.hub.see_evidence, one), _nothing, may_be_late=False)


def _nothing(answer: None, *, is_late: bool) -> None:
    """The hub heard it."""


def new_state(author_key: QuickKey, node: str, hub_key: QuickKey) -> BranchState:
    """The database of a newly enrolled shop: it trusts the hub's key and its own."""
    state = BranchState()
    for name, key in ((HUB, hub_key), (node, author_key)):
        state.keys[name, key_id(key.public_key())] = key.public_key()
    return state
