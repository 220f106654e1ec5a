"""A shop's node in a folder of the test's own, with a clock that the test turns, and cylinders to take through it."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

from argon2 import PasswordHasher
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from branch.desk import Outcome
from branch.enrolment import write_key
from branch.node import Node, World, open_node
from branch.people import People
from branch.settings import ShopSettings
from branch.staff import Role, take_on
from cylinder import commands as c
from cylinder.around import Actor
from cylinder.marks import KeyedPressure, Marks
from cylinder.visit import Visit
from eventlog.keys import public_text
from rulebook import condemn_criteria

MORNING = dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC)
MARKS = Marks(serial="K40718", maker="ZQ", spec="3AL", first_test="2021-07")
DIVER = "diver-0001"
RATED = KeyedPressure(value=3000, unit="psi")


@dataclass
class Clock:
    """Stands still until it is moved."""

    at: dt.datetime = MORNING
    ticked_s: float = 0.0

    def now(self) -> dt.datetime:
        return self.at

    def monotonic_s(self) -> float:
        return self.ticked_s

    def move(self, by: dt.timedelta) -> None:
        self.at += by
        self.ticked_s += by.total_seconds()


def world(clock: Clock) -> World:
    """The test's clock; real ids, tokens and chance."""
    return World(
        now=clock.now,
        monotonic_s=clock.monotonic_s,
        new_id=uuid.uuid4,
        new_token=lambda: uuid.uuid4().hex,
        new_code=lambda: uuid.uuid4().hex[:8].upper(),
        chance=lambda: 0.5,
    )


@dataclass
class Shop:
    """A node that has just heard the network, its staff, and short ways to do the usual work."""

    node: Node
    clock: Clock
    actors: dict[str, Actor] = field(default_factory=dict)

    def do(self, make: Callable[..., c.Command], *, by: str = "operator", **fields: object) -> Outcome:
        """Ask the desk for a command with a fresh key."""
        fields.setdefault("key", uuid.uuid4())
        return self.node.desk.handle(make(**fields), self.actors[by])

    def visit(self, visit_id: UUID) -> Visit:
        """The visit as it stands."""
        found = self.node.desk.visit(visit_id)
        assert found is not None
        return found

    def greet(self, *, tag: int = 14) -> UUID:
        """Take one cylinder in."""
        taken = self.do(c.Greet, diver_ref=DIVER, level="Open water", cylinders=(c.Taken(tag=tag),))
        return taken.visit_ids[0]

    def up_to(self, step: str, *, tag: int = 14, marks: Marks = MARKS, visit_id: UUID | None = None) -> UUID:
        """Take a cylinder through the visit until `step` is the next question."""
        visit_id = visit_id or self.greet(tag=tag)
        while (at := self.visit(visit_id).step) != step:
            if at == "done":
                raise AssertionError(f"the visit ended before {step}")
            self.answer(visit_id, at, marks=marks)
        return visit_id

    def answer(self, visit_id: UUID, step: str, *, marks: Marks = MARKS) -> Outcome:
        """Give the good answer to a step."""
        gauge = KeyedPressure(value=3000, unit="psi")
        match step:
            case "identify":
                return self.do(c.Identify, visit_id=visit_id, marks=marks)
            case "outside":
                return self.do(c.LookOver, visit_id=visit_id, sound=True)
            case "dates":
                return self.do(c.ReadDates, visit_id=visit_id, requalified="2024-05", looked_inside="2026-02")
            case "rating":
                return self.do(c.ReadRating, visit_id=visit_id, rated=RATED)
            case "standing":
                return self.do(c.SeeStanding, visit_id=visit_id)
            case "people_out":
                return self.do(c.SendPeopleOut, visit_id=visit_id)
            case "blow_out":
                return self.do(c.BlowOut, visit_id=visit_id, is_blown_out=True, o_ring="good")
            case "whip":
                return self.do(c.ConnectWhip, visit_id=visit_id, whip=1)
            case "residual":
                return self.do(
                    c.ReadResidual, visit_id=visit_id, residual=KeyedPressure(value=620, unit="psi")
                )
            case "target":
                return self.do(c.Authorise, visit_id=visit_id, target=RATED)
            case "fill":
                return self.do(c.CompleteFill, visit_id=visit_id, end=gauge)
            case "analyse":
                return self.analyse(visit_id, self.visit(visit_id).gas.oxygen_percent)
            case "bleed":
                return self.do(c.BleedWhip, visit_id=visit_id)
            case "tape":
                return self.do(c.TapeValve, visit_id=visit_id)
            case "set_down":
                return self.do(c.SetDownAt, visit_id=visit_id, slot=3)
            case "hand_over":
                return self.do(c.HandOver, diver_ref=DIVER, visit_ids=(visit_id,))
            case _:
                raise AssertionError(f"no good answer to {step}")

    def analyse(self, visit_id: UUID, oxygen_percent: float, helium_percent: float = 0.0) -> Outcome:
        """Two readings that are the same, by an analyser that was calibrated a while ago."""
        return self.do(
            c.Analyse, visit_id=visit_id, oxygen_percent=oxygen_percent, helium_percent=helium_percent,
            again_oxygen_percent=oxygen_percent, again_helium_percent=helium_percent, analyser="Cell 2",
            calibrated_min_ago=20, calibrated_in="air",
        )  # fmt: skip

    def condemn(self, cylinder_id: UUID, *, last_four: str = "0718") -> Outcome:
        """Condemn at the bench."""
        criterion = c_criterion(self.node)
        return self.do(
            c.Condemn,
            by="inspector",
            cylinder_id=cylinder_id,
            performed_on=self.node.desk.today(),
            reason="Crack across two threads",
            criterion_id=criterion,
            last_four=last_four,
        )


def c_criterion(node: Node) -> str:
    """Any criterion of the rulebook in force by which a cylinder is condemned."""
    return condemn_criteria(node.desk.rules)[0].id


def make_shop(folder: Path, *, slug: str = "pier", hub: Ed25519PrivateKey | None = None) -> Shop:
    """A fresh shop with one person of each role, PIN 407118 for all, that heard the hub a moment ago."""
    data = folder / slug
    data.mkdir()
    hub = hub or Ed25519PrivateKey.generate()
    settings = ShopSettings(
        node=slug,
        name=slug.title(),
        hub_url="http://127.0.0.1:9",
        hub_node="hub",
        hub_public_key=public_text(hub.public_key()),
    )
    write_key(data, Ed25519PrivateKey.generate())
    (data / "shop.json").write_text(settings.model_dump_json())
    return open_shop(data, Clock(), take_on_staff=True)


def open_shop(data: Path, clock: Clock, *, take_on_staff: bool = False) -> Shop:
    """Open a shop's folder, again or for the first time. PINs are hashed cheaply: their strength is not under test."""
    node = open_node(data, world(clock))
    node.people = quick_people(node)
    node.sync.link.heard_at = clock.now()
    shop = Shop(node=node, clock=clock)
    roles: tuple[Role, ...] = ("operator", "inspector", "manager")
    for role in roles if take_on_staff else ():
        take_on(
            node.store,
            node.people,
            known_as=f"{role.title()[0]}. Person",
            role=role,
            pin="407118",
            new_id=uuid.uuid4(),
            now=clock.now(),
            today=node.desk.today(),
            by="node",
            certificate="C-1" if role == "inspector" else "",
            certificate_until=dt.date(2027, 12, 31) if role == "inspector" else None,
        )
    shop.actors = {person.actor.role: person.actor for person in node.people.staff()}
    return shop


def quick_people(node: Node) -> People:
    """The node's people with a hash that takes no time."""
    return People(
        node.store,
        now=node.world.now,
        new_token=node.world.new_token,
        new_code=node.world.new_code,
        relock=dt.timedelta(minutes=node.settings.relock_min),
        hasher=PasswordHasher(time_cost=1, memory_cost=8, parallelism=1),
    )
