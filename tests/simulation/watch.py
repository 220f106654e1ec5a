"""What must be true: watched at every commit and every fill, and asked of the whole network when it has come to rest.

Nothing here uses the standing function to judge a fill: a second, simpler rule is asked of the same facts.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from typing import TYPE_CHECKING
from uuid import UUID

from tests.simulation.auditing import audited
from tests.simulation.judging import filed, records_of_branch, records_of_hub
from tests.simulation.memory_branch import BranchState
from tests.simulation.vocabulary import NEWER_KIND

from cylinder.audit import Finding
from cylinder.facts import CondemnationAnnulled, Condemned
from cylinder.recorded import cylinder_subject
from cylinder.standing import digest
from eventlog.chain import LOG_OPENED
from eventlog.event import Effect, Event
from eventlog.wire import FeedPage
from sync.opening import link_of
from sync.standpoint import Standpoint

if TYPE_CHECKING:
    from tests.simulation.shop_machine import ShopMachine
    from tests.simulation.world import World

_FOR_GOOD = (Condemned.KIND, NEWER_KIND)


class Watch:
    """The oracles of one run."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.violations: list[str] = []
        self.events: dict[UUID, Event] = {}
        """Every fact that any database has committed."""
        self.excused: set[UUID] = set()
        """Facts that no database holds any more: not uploaded when the disk went, or lost with both ends."""
        self.forkable: set[UUID] = set()
        """Incarnations that may have two tails: restored without a marker, or cloned."""
        self.fills = 0
        self.hashes: dict[tuple[UUID, int], set[str]] = defaultdict(set)

    def violate(self, promise: str, words: str) -> None:
        """A promise is broken."""
        self.violations.append(f"{promise} at day {self.world.t / 86400:.2f}: {words}")

    def committed(self, shop: ShopMachine, touched: set[UUID], before: Standpoint | None) -> None:
        """A shop's transaction is on its disk."""
        for event_id in touched:
            kept = shop.state.facts[event_id]
            link = link_of(shop.state.envelopes[kept.hash])
            self.events.setdefault(event_id, link.envelope.event)
            self.hashes[kept.inc, kept.seq].add(kept.hash)
        for event_id in sorted(touched & set(shop.fill_decided_on)):
            self._filled(shop, shop.fill_decided_on.pop(event_id), self.events[event_id])
        here = shop.state.here
        if before is None or here is None:
            return
        if here.feed.epoch == before.feed.epoch and here.feed.position < before.feed.position:
            self.violate("P4", f"the cursor of {shop.node} went back from {before.feed.position}")
        if here.inc == before.inc and here.seq < before.seq:
            self.violate("P6", f"the log of {shop.node} went back from {before.seq}")

    def page_taken(self, shop: ShopMachine, page: FeedPage, heard_at: dt.datetime) -> None:
        """P7: whoever is in the middle of the feed does not know what others have found, and does not say so."""
        here = shop.state.here
        if here is not None and page.after + len(page.items) < page.head and here.heard_at == heard_at:
            self.violate("P7", f"{shop.node} counts its news as heard at {here.feed.position} of {page.head}")

    def said(self, shop: ShopMachine, made: list[Event]) -> None:
        """The screen said "recorded"."""
        for one in made:
            if one.id not in shop.state.facts:
                self.violate("P2", f"{shop.node} said that {one.kind} is recorded, and its database lacks it")

    def _filled(self, shop: ShopMachine, cylinder: UUID, fill: Event) -> None:
        """A fill is authorised at this commit. P1, by a rule that is simpler than the standing's."""
        self.fills += 1
        held = [link_of(shop.state.envelopes[kept.hash]).envelope.event for kept in shop.state.facts.values()]
        for block in self._uncleared(held, cylinder):
            self.violate("P1", f"{shop.node} filled with {block.kind} {block.id} in its database")
        if not shop.has_forgotten:
            known = [self.events[one] for one in shop.known_ever - self.excused]
            for block in self._uncleared(known, cylinder):
                if block.id not in shop.state.facts:
                    self.violate("P6", f"{shop.node} filled and had forgotten {block.kind} {block.id}")
        here = shop.state.here
        assert here is not None
        if fill.seen.epoch == here.feed.epoch and fill.seen.position > here.feed.position:
            self.violate("P1", f"{shop.node} says that it has seen {fill.seen.position}, which it has not")
        if here.hub_time is not None and fill.at < here.hub_time:
            self.violate("P1", f"{shop.node} filled by a clock behind the time that the hub has signed")
        standing = self.world.people.standing_at(shop, shop.log(), cylinder)
        if not self.world.people.is_in_test(standing, min(self.world.now().date(), fill.at.date())):
            self.violate("P1", f"{shop.node} filled a cylinder that is out of test")

    def _uncleared(self, held: list[Event], cylinder: UUID) -> list[Event]:
        """Blocks that no rule could have lifted: named by nobody, or only by people who may not."""
        subject = cylinder_subject(cylinder)
        named: dict[UUID, list[Event]] = defaultdict(list)
        for one in held:
            for block_id in one.clears:
                named[block_id].append(one)
        out = []
        for one in held:
            if one.effect is not Effect.BLOCK or one.subject != subject:
                continue
            by = named[one.id]
            if one.kind == Condemned.KIND:
                by = [clear for clear in by if clear.kind == CondemnationAnnulled.KIND]
            elif one.kind == NEWER_KIND:
                by = []
            if not any(not clear.actor.endswith("-operator") for clear in by):
                out.append(one)
        return out

    # Losses that are within the stated limits.

    def excuse(self, ids: set[UUID]) -> None:
        """These facts were on one disk only, and it is gone."""
        if ids:
            self.world.count("facts lost with the only disk that held them", len(ids))
            self.excused |= ids

    def held_elsewhere(self, *, but: BranchState | None = None, hub: bool = True) -> set[UUID]:
        """Every fact in some database other than this one."""
        found: set[UUID] = set(self.world.hub.state.position_of) if hub else set()
        for shop in self.world.machines:
            if shop.state is not but:
                found |= set(shop.state.facts)
        return found

    # At rest.

    def at_rest(self) -> None:
        """After the last fault has healed and the network had its time."""
        hub = self.world.hub
        end = hub.evidence(hub.state)
        ids = [row.link.envelope.event.id for row in hub.state.feed]
        if len(ids) != len(set(ids)):
            self.violate("P3", "a fact stands at two positions")
        waiting = {
            link_of(sealed).envelope.event.id
            for shop in self.world.machines
            if self._waits_for_a_person(shop)
            for sealed in shop.state.envelopes.values()
        }
        # The opening of an incarnation that was left before anything of it was sent says nothing to anybody.
        unsent = {one for one, said in self.events.items() if said.kind == LOG_OPENED}
        for missing in set(self.events) - set(ids) - self.excused - waiting - unsent:
            self.violate("P2", f"{self.events[missing].kind} {missing} is lost")
        folded = filed(records_of_hub(hub.state))
        wanted = digest(folded.standing(one) for one in self.world.people.cylinders)
        for shop in self.world.machines:
            self._shop_at_rest(shop, end.epoch, end.position, end.feed_hash, wanted)
        self._no_number_twice()
        self._every_clone_was_seen()
        self._nobody_knew_and_filled()

    def _waits_for_a_person(self, shop: ShopMachine) -> bool:
        """A second machine with a withdrawn key: its blocks are taken, the rest lies at its disk and in quarantine."""
        return shop.is_second and (shop.node, shop.author.key_id) in self.world.hub.state.revoked

    def _shop_at_rest(
        self, shop: ShopMachine, epoch: str, position: int, feed_hash: str, wanted: str
    ) -> None:
        here = shop.state.here
        assert here is not None
        is_waiting = self._waits_for_a_person(shop)
        if here.acked_seq != here.seq and not is_waiting:
            self.violate(
                "P8", f"{shop.node} still has {here.seq - here.acked_seq} facts to send: {here.trouble}"
            )
        if (here.feed.epoch, here.feed.position) != (epoch, position):
            self.violate("P8", f"{shop.node} stands at {here.feed.epoch} {here.feed.position} of {position}")
            return
        if here.feed.feed_hash != feed_hash:
            self.violate("P4", f"{shop.node} has another feed hash at {position}")
        if here.relearning:
            self.violate("P8", f"{shop.node} is still relearning")
        if shop.state.unproven:
            self.violate("P4", f"{shop.node} has {len(shop.state.unproven)} facts unproven")
        missing = set(self.world.hub.state.position_of) - set(shop.state.facts)
        if missing:
            self.violate("P4", f"{shop.node} lacks {len(missing)} facts of the feed that it has read")
        if is_waiting:
            return  # The officer has to look at what was signed with a withdrawn key.
        for event_id, kept in shop.state.facts.items():
            if kept.position is None and kept.inc != here.inc and self.events[event_id].kind != LOG_OPENED:
                self.violate("P2", f"{shop.node} holds {event_id}, which the feed does not")
        store = filed(records_of_branch(shop.state))
        if digest(store.standing(one) for one in self.world.people.cylinders) != wanted:
            self.violate("P4", f"{shop.node} has other standings at {position}")

    def _nobody_knew_and_filled(self) -> None:
        """The audit of the real hub, over this one's log."""
        for one in audited(self.world.hub.state):
            self.world.count(f"audit: {one.finding}")
            if one.finding is Finding.KNEW:
                held = ", ".join(f"{block.kind} {block.id}" for block in one.blocks)
                self.violate("P1", f"audit: {one.node} knew of {held}, and filled ({one.fill_id})")

    def _no_number_twice(self) -> None:
        for (inc, seq), found in self.hashes.items():
            if len(found) > 1 and inc not in self.forkable:
                self.violate("P6", f"number {seq} of {inc} was used {len(found)} times")

    def _every_clone_was_seen(self) -> None:
        """Two machines with one key that both speak are found, and one of them hands over and stops."""
        for shop in self.world.machines:
            twins = [one for one in self.world.machines if one.author.key_id == shop.author.key_id]
            here = shop.state.here
            if len(twins) > 1 and not any(one.is_second or self._is_suspected(one) for one in twins):
                self.violate("P6", f"two machines live with the key of {shop.node}, unnoticed: {here}")

    def _is_suspected(self, shop: ShopMachine) -> bool:
        return shop.state.here is not None and shop.state.here.is_suspected
