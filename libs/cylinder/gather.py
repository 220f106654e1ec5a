"""Finding what a standing rests on, and which standings rest on a fact. Pure, over a look-up that the caller brings.

A store files each fact under every subject of `filed_under` and answers `look(subject)`; then SQLite, PostgreSQL and
a simulation in memory all fold with this code, and none of them with code of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Protocol
from uuid import UUID

from cylinder.facts import ActorWithdrawn, KeyRevoked, NodeSuspected, SuspicionLifted
from cylinder.identity import beside
from cylinder.proof import CREDENTIAL_KINDS
from cylinder.recorded import (
    HUB,
    Recorded,
    actor_subject,
    cylinder_of,
    cylinder_subject,
    node_subject,
)
from cylinder.standing import Standing, matters, standing

Look = Callable[[str], Iterable[Recorded]]
"""Every fact that matters and is filed under this subject."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """All that the standing of one cylinder rests on."""

    facts: tuple[Recorded, ...]
    credentials: tuple[Recorded, ...]


class Reach(Protocol):
    """What a store answers so that no standing is forgotten when a fact arrives."""

    def linked_with(self, cylinder_id: UUID) -> Iterable[UUID]:
        """Every record that a link or a split ever named together with this one, whether or not it holds."""
        ...

    def judged_by(self, actor: str) -> Iterable[UUID]:
        """Every cylinder with a fact that matters by this person."""
        ...

    def judged_at(self, node: str) -> Iterable[UUID]:
        """Every cylinder with a fact that matters from this node; every cylinder at all for the hub."""
        ...


def filed_under(fact: Recorded) -> tuple[str, ...]:
    """The subjects under which a fact has to be found: its own first, and those that its body speaks of."""
    named: list[str] = [fact.subject, *(cylinder_subject(one) for one in beside(fact))]
    match fact.fact:
        case ActorWithdrawn(actor_id=actor_id):
            named.append(actor_subject(actor_id))
        case KeyRevoked(node=node) | NodeSuspected(node=node) | SuspicionLifted(node=node):
            named.append(node_subject(node))
        case _:
            pass
    return tuple(dict.fromkeys(named))


def gather(cylinder_id: UUID, look: Look, *, hub: str = HUB) -> Gathered:
    """The facts of a cylinder and of all that it was ever linked with, and the credentials behind them."""
    facts: dict[Recorded, None] = {}
    seen, to_visit = {cylinder_id}, [cylinder_id]
    while to_visit:  # Ends, since no record is visited twice.
        for fact in look(cylinder_subject(to_visit.pop())):
            facts.setdefault(fact)
            for one in (cylinder_of(fact.subject), *beside(fact)):
                if one is not None and one not in seen:
                    seen.add(one)
                    to_visit.append(one)
    asked = {node_subject(hub)}
    for fact in facts:
        if fact.effect != "block":
            asked |= {actor_subject(fact.actor), node_subject(fact.node)}
    credentials = {fact: None for subject in sorted(asked) for fact in look(subject)}
    return Gathered(tuple(facts), tuple(credentials))


def standing_of(cylinder_id: UUID, look: Look, *, hub: str = HUB) -> Standing:
    """The standing of a cylinder, from whatever the look-up finds."""
    found = gather(cylinder_id, look, hub=hub)
    return standing(cylinder_id, found.facts, found.credentials, hub=hub)


def touched_by(fact: Recorded, reach: Reach) -> frozenset[UUID]:
    """The cylinders to fold again now that this fact is filed. Too many is slow; one too few would be wrong."""
    if not matters(fact):
        return frozenset()
    starts: set[UUID] = set()
    for subject in filed_under(fact):
        cylinder_id = cylinder_of(subject)
        family, _, name = subject.partition("/")
        if cylinder_id is not None:
            starts.add(cylinder_id)
        elif fact.kind not in CREDENTIAL_KINDS:
            continue
        elif family == "actor":
            starts.update(reach.judged_by(name))
        elif family == "node":
            starts.update(reach.judged_at(name))
    return _family(starts, reach)


def _family(starts: set[UUID], reach: Reach) -> frozenset[UUID]:
    reached, to_visit = set(starts), sorted(starts)
    while to_visit:  # Ends, since no record is visited twice.
        for one in reach.linked_with(to_visit.pop()):
            if one not in reached:
                reached.add(one)
                to_visit.append(one)
    return frozenset(reached)


@dataclass(slots=True)
class Filed:
    """Facts in memory, filed as a store files them: for the simulation, the checks of a whole log and the tests."""

    hub: str = HUB
    _by_subject: dict[str, list[Recorded]] = field(default_factory=dict)
    _by_actor: dict[str, set[UUID]] = field(default_factory=dict)
    _by_node: dict[str, set[UUID]] = field(default_factory=dict)

    def put(self, fact: Recorded) -> None:
        """File a fact, if it matters; a second copy makes no difference."""
        if not matters(fact):
            return
        for subject in filed_under(fact):
            there = self._by_subject.setdefault(subject, [])
            if fact not in there:
                there.append(fact)
            cylinder_id = cylinder_of(subject)
            if cylinder_id is not None:
                self._by_actor.setdefault(fact.actor, set()).add(cylinder_id)
                self._by_node.setdefault(fact.node, set()).add(cylinder_id)

    def look(self, subject: str) -> tuple[Recorded, ...]:
        """Every fact filed under a subject."""
        return tuple(self._by_subject.get(subject, ()))

    def cylinders(self) -> tuple[UUID, ...]:
        """Every cylinder that a fact is filed under, in order."""
        return tuple(sorted(one for subject in self._by_subject if (one := cylinder_of(subject))))

    def standing(self, cylinder_id: UUID) -> Standing:
        """The standing that these facts give."""
        return standing_of(cylinder_id, self.look, hub=self.hub)

    def linked_with(self, cylinder_id: UUID) -> tuple[UUID, ...]:
        """See Reach."""
        return tuple(
            one
            for fact in self.look(cylinder_subject(cylinder_id))
            for one in (cylinder_of(fact.subject), *beside(fact))
            if one is not None and one != cylinder_id
        )

    def judged_by(self, actor: str) -> frozenset[UUID]:
        """See Reach."""
        return frozenset(self._by_actor.get(actor, ()))

    def judged_at(self, node: str) -> frozenset[UUID]:
        """See Reach."""
        return frozenset(self.cylinders()) if node == self.hub else frozenset(self._by_node.get(node, ()))
