"""What people do in the simulated network: at the counters, at the benches, and at the officer's desk."""

from __future__ import annotations

import datetime as dt
from functools import partial
from typing import TYPE_CHECKING
from uuid import UUID

from tests.simulation.judging import filed, records_of_branch, records_of_hub
from tests.simulation.shop_machine import QuickBranchLog, ShopMachine
from tests.simulation.vocabulary import event, marks_of, newer_event, pressure

from cylinder.facts import (
    ActorCertified,
    ActorWithdrawn,
    AnnulmentProposed,
    AnnulmentSeconded,
    CondemnationAnnulled,
    Condemned,
    CylinderRegistered,
    Fact,
    FillAuthorised,
    FillCompleted,
    HoldPlaced,
    HoldReleased,
    IdentitiesLinked,
    IdentitiesSplit,
    KeyRevoked,
    Recalled,
    Requalified,
    VisualFailed,
    VisualPassed,
)
from cylinder.facts.network import TrustedTo
from cylinder.marks import GasWanted
from cylinder.recorded import cylinder_subject
from cylinder.standing import Standing
from eventlog.event import Event, Seen

if TYPE_CHECKING:
    from tests.simulation.world import World

STALE = dt.timedelta(days=7)
IN_TEST_FOR_MONTHS = 0
"""So short that cylinders run out of test, and are requalified, within the days of one seed."""


class People:
    """Draws what happens next, and does it."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.cylinders = [world.new_id() for _ in range(world.weather.cylinders)]
        self.proposals: list[tuple[Event, UUID]] = []

    def take_on(self, shop: ShopMachine) -> None:
        """Each shop has an operator and, mostly, an inspector in date."""
        until = None if self.world.rng.random() < 0.7 else "2031-03-31"
        is_certified = not (self.world.weather.has("uncertified") and self.world.rng.random() < 0.5)
        people = [("inspector", until)] if is_certified else []
        for role, limit in people:
            actor = f"{shop.node}-{role}"
            fact = ActorCertified(
                actor_id=actor, known_as=actor, role="inspector", certificate="C1", certificate_until=limit
            )
            shop.record(partial(self._certify, shop, fact))

    def _certify(self, shop: ShopMachine, fact: ActorCertified, log: QuickBranchLog) -> list[Event]:
        return [self._event(shop, log, fact, subject=f"actor/{fact.actor_id}", actor="node", role="node")]

    def act(self, shop: ShopMachine) -> None:
        """One thing that somebody at this shop does."""
        rng = self.world.rng
        cylinder = rng.choice(self.cylinders)
        what = rng.choices(
            ("fill", "hold", "release", "pass", "fail", "condemn", "requalify", "newer", "false clear", "withdraw", "second"),
            (8, 2, 3, 3, 1.2, 0.5, 0.8, 0.25, 0.8, 0.15, 1.0),
        )[0]  # fmt: skip
        match what:
            case "fill":
                self.fill(shop, cylinder)
            case "newer" if not self.world.weather.has("newer software"):
                return
            case "false clear" if not self.world.weather.has("false clears"):
                return
            case "withdraw" if not self.world.weather.has("uncertified"):
                return
            case "second":
                self._second(shop)
            case _:
                shop.record(lambda log: self._bench(shop, log, what, cylinder))

    def fill(self, shop: ShopMachine, cylinder: UUID) -> None:
        """Ask for a fill; what is not refused is recorded as authorised and completed."""
        shop.record(lambda log: self.decide_fill(shop, log, cylinder))

    def decide_fill(self, shop: ShopMachine, log: QuickBranchLog, cylinder: UUID) -> list[Event]:
        """The decision in its transaction. When unsure, there is no fill."""
        here = log.standpoint()
        assert here is not None
        now = shop.floor.now()
        standing = self.standing_at(shop, log, cylinder)
        is_deaf = here.relearning != "" or here.is_suspected
        news_age = None if here.heard_at is None or is_deaf else now - here.heard_at
        if news_age is None or news_age > STALE:
            self.world.count("no fill: news too old")
            return []
        if not standing.marks:
            return []
        if not standing.is_clear:
            self.world.count("no fill: blocked")
            return []
        if not self.is_in_test(standing, now.date()):
            self.world.count("no fill: out of test")
            return []
        self.world.count("filled")
        visit = self.world.new_id()
        full = pressure(200)
        subject = cylinder_subject(cylinder)
        operator = f"{shop.node}-operator"
        facts = (
            FillAuthorised(visit_id=visit, target=full, rated=full),
            FillCompleted(
                visit_id=visit, end=full, start=pressure(20), target=full, rated=full, gas=GasWanted()
            ),
        )
        events = [
            self._event(shop, log, one, subject=subject, actor=operator, role="operator") for one in facts
        ]
        shop.fill_decided_on[events[0].id] = cylinder
        return events

    def standing_at(self, shop: ShopMachine, log: QuickBranchLog, cylinder: UUID) -> Standing:
        """What this database holds against a cylinder."""
        return filed(records_of_branch(log.state)).standing(cylinder)

    def is_in_test(self, standing: Standing, today: dt.date) -> bool:
        """In test to the last day of its due month, from the last requalification that counts."""
        if standing.requalified is None:
            return True
        year, month = (int(part) for part in standing.requalified.split("-"))
        due = year * 12 + month - 1 + IN_TEST_FOR_MONTHS
        return today.year * 12 + today.month - 1 <= due

    def _bench(self, shop: ShopMachine, log: QuickBranchLog, what: str, cylinder: UUID) -> list[Event]:
        standing = self.standing_at(shop, log, cylinder)
        subject = cylinder_subject(cylinder)
        inspector, operator = f"{shop.node}-inspector", f"{shop.node}-operator"
        if not standing.marks:
            fact: Fact = CylinderRegistered(marks=marks_of(self.cylinders.index(cylinder)))
            return [self._event(shop, log, fact, subject=subject, actor=operator, role="operator")]
        open_ids = [block.id for block in standing.blocks]
        full = pressure(200)
        match what:
            case "hold":
                fact = HoldPlaced(reason="a doubt")
                return [self._event(shop, log, fact, subject=subject, actor=operator, role="operator")]
            case "fail":
                fact = VisualFailed(findings="pits")
            case "condemn":
                fact = Condemned(
                    reason="cracked",
                    criterion_id="c",
                    criterion="c",
                    clause="49 CFR 180.205",
                    serial_read="Q00",
                )
            case "newer":
                when, seen = shop.floor.now(), shop.seen()
                return [newer_event(self.world.new_id(), subject=subject, at=when, seen=seen, actor=operator)]
            case "withdraw":
                fact = ActorWithdrawn(actor_id=inspector, from_date=shop.floor.now().date(), why="left")
                return [
                    self._event(shop, log, fact, subject=f"actor/{inspector}", actor="node", role="manager")
                ]
            case "release" if open_ids:
                fact = HoldReleased(finding="answered")
                return [
                    self._event(
                        shop,
                        log,
                        fact,
                        subject=subject,
                        actor=inspector,
                        role="inspector",
                        clears=open_ids[:1],
                    )
                ]
            case "pass" | "requalify" if open_ids or self.world.rng.random() < 0.3:
                fact = (
                    VisualPassed(rated=full)
                    if what == "pass"
                    else Requalified(method="hydrostatic", rated=full)
                )
                return [
                    self._event(
                        shop, log, fact, subject=subject, actor=inspector, role="inspector", clears=open_ids
                    )
                ]
            case "false clear" if open_ids:
                # Somebody without the authority, or past it, writes a clear into the log.
                self.world.count("a clear without authority was written")
                fact = self.world.rng.choice([HoldReleased(finding="looks fine"), VisualPassed(rated=full)])
                return [
                    self._event(
                        shop, log, fact, subject=subject, actor=operator, role="inspector", clears=open_ids
                    )
                ]
            case _:
                return []
        return [self._event(shop, log, fact, subject=subject, actor=inspector, role="inspector")]

    def _second(self, shop: ShopMachine) -> None:
        """An inspector agrees that a condemnation was written against the wrong record."""
        if not self.proposals:
            return
        proposal, block = self.world.rng.choice(self.proposals)
        fact = AnnulmentSeconded(proposal=proposal.id, block=block, finding="held in hand")
        actor = f"{shop.node}-inspector"
        shop.record(
            lambda log: [
                self._event(shop, log, fact, subject=proposal.subject, actor=actor, role="inspector")
            ]
        )

    def officer_acts(self) -> None:
        """One thing that the regional officer does at the hub."""
        rng = self.world.rng
        cylinder = rng.choice(self.cylinders)
        standing = filed(records_of_hub(self.world.hub.state)).standing(cylinder)
        condemned = [block for block in standing.blocks if block.kind == Condemned.KIND]
        what = rng.choices(("propose", "annul", "recall", "link", "split"), (2, 2, 0.5, 1, 1))[0]
        match what:
            case "propose" if condemned:
                fact: Fact = AnnulmentProposed(block=condemned[0].id, why="wrong record", evidence="photo 7")
                proposal = self._hub_event(fact, cylinder)
                if self.world.hub.write([proposal]):
                    self.proposals.append((proposal, condemned[0].id))
            case "annul" if self.proposals:
                proposal, block = rng.choice(self.proposals)
                fact = CondemnationAnnulled(proposal=proposal.id, why="wrong record")
                annulled = self._hub_event(fact, cylinder, subject=proposal.subject, clears=[block])
                if self.world.hub.write([annulled]):
                    self.world.count("annulment written")
            case "recall":
                self.world.hub.write([self._hub_event(Recalled(campaign="R1", reason="batch"), cylinder)])
            case "link" if self.world.weather.has("links") and len(self.cylinders) > 1:
                other = rng.choice([one for one in self.cylinders if one != cylinder])
                if self.world.hub.write([self._hub_event(IdentitiesLinked(other=other), cylinder)]):
                    self.world.count("linked")
            case "split" if standing.links:
                parts = tuple(sorted((cylinder, *standing.linked)))
                fact = IdentitiesSplit(
                    links=standing.links,
                    parts=parts,
                    carried=tuple(block.id for block in standing.blocks),
                    why="two after all",
                )
                if self.world.hub.write([self._hub_event(fact, cylinder)]):
                    self.world.count("split")
            case _:
                return

    def revoke(self, shop: ShopMachine) -> None:
        """The officer withdraws a shop's key, trusting what the hub holds of its log so far."""
        trusted = tuple(
            TrustedTo(inc=inc, seq=seq)
            for inc, (owner, seq, _) in sorted(self.world.hub.state.heads.items())
            if owner == shop.node
        )
        key_id = shop.author.key_id
        fact = KeyRevoked(node=shop.node, key_id=key_id, trusted=trusted, reason="the tablet was taken")
        made = self._hub_event(fact, self.cylinders[0], subject=f"node/{shop.node}")
        if self.world.hub.write([made]):
            self.world.hub.state.revoked |= {(shop.node, key_id)}
            self.world.count("key revoked")

    def _hub_event(
        self, fact: Fact, cylinder: UUID, *, subject: str | None = None, clears: list[UUID] | None = None
    ) -> Event:
        return event(
            self.world.new_id(),
            fact,
            subject=subject or cylinder_subject(cylinder),
            at=self.world.now(),
            seen=Seen(),
            actor="officer",
            role="officer",
            clears=clears or (),
        )

    def _event(
        self,
        shop: ShopMachine,
        log: QuickBranchLog,
        fact: Fact,
        *,
        subject: str,
        actor: str,
        role: str,
        clears: list[UUID] | None = None,
    ) -> Event:
        here = log.standpoint()
        assert here is not None
        seen = Seen(epoch=here.feed.epoch, position=here.feed.position, feed_hash=here.feed.feed_hash)
        return event(
            self.world.new_id(),
            fact,
            subject=subject,
            at=shop.floor.now(),
            seen=seen,
            actor=actor,
            role=role,
            clears=clears or (),
        )
