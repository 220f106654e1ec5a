"""Which records are one cylinder, and on which of them a block stands. Pure over sets.

A link can only make things stricter: the blocks of both records count for both. It needs no proof. A split is an
officer's: it ends exactly the links it names. What a split carries needs no proof either, for it only blocks more.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from uuid import UUID

from cylinder.clearing import DECIDING, INSPECTING
from cylinder.facts import BlockAssigned, IdentitiesLinked, IdentitiesSplit
from cylinder.proof import Proof
from cylinder.recorded import Recorded, cylinder_of

IDENTITY_KINDS = frozenset({IdentitiesLinked.KIND, IdentitiesSplit.KIND, BlockAssigned.KIND})
Ends = tuple[UUID, UUID]
Parts = frozenset[UUID]


def beside(fact: Recorded) -> tuple[UUID, ...]:
    """The other records that a link or a split speaks of, besides the one in its subject."""
    match fact.fact:
        case IdentitiesLinked(other=other):
            return (other,)
        case IdentitiesSplit(parts=parts):
            return parts
        case _:
            return ()


def kin(cylinder_id: UUID, facts: Iterable[Recorded]) -> frozenset[UUID]:
    """Every record that a link or a split ever named together with this one, directly or by others."""
    next_to: dict[UUID, set[UUID]] = {}
    for fact in facts:
        others = beside(fact)
        one = cylinder_of(fact.subject) if others else None
        if one is not None:
            for end in others:
                next_to.setdefault(one, set()).add(end)
                next_to.setdefault(end, set()).add(one)
    return _reached(cylinder_id, next_to)


@dataclass(frozen=True, slots=True)
class Identity:
    """What the facts of a family of records say about who is who."""

    links: Mapping[UUID, frozenset[Ends]]
    """The links that hold, by id."""
    disputed: frozenset[UUID]
    """Links that any split names, valid or not: nothing rests on them any more."""
    carried: Mapping[UUID, frozenset[Parts]]
    """By block: the parts of each split that carried it."""
    assigned: Mapping[UUID, frozenset[UUID]]
    """By block: the records that an inspector found it to belong to."""

    def group(self, cylinder_id: UUID) -> frozenset[UUID]:
        """The records that are one cylinder with this one, as far as links hold."""
        next_to: dict[UUID, set[UUID]] = {}
        for links in self.links.values():
            for one, other in links:
                next_to.setdefault(one, set()).add(other)
                next_to.setdefault(other, set()).add(one)
        return _reached(cylinder_id, next_to)

    def links_within(self, group: frozenset[UUID]) -> tuple[UUID, ...]:
        """The undisputed links that hold a group together: good news about a part of it names them."""
        return tuple(
            sorted(
                link_id
                for link_id, links in self.links.items()
                if link_id not in self.disputed and any(ends[0] in group for ends in links)
            )
        )

    def stands_on(self, block: Recorded) -> frozenset[UUID]:
        """The records that a block stands on: its own, and each part that it was carried to until it is assigned."""
        splits = self.carried.get(block.id, frozenset())
        own = cylinder_of(block.subject)
        on = frozenset[UUID]().union(*splits, () if own is None else (own,))
        assigned = self.assigned.get(block.id, frozenset())
        answered = frozenset[UUID]().union(*(parts for parts in splits if parts & assigned))
        return on - (answered - assigned)


def identity(facts: Iterable[Recorded], proof: Proof) -> Identity:
    """Read links, splits and assignments."""
    links: dict[UUID, set[Ends]] = {}
    ended: dict[UUID, set[Parts]] = {}
    carried: dict[UUID, set[Parts]] = {}
    assigned: dict[UUID, set[UUID]] = {}
    disputed: set[UUID] = set()
    for fact in facts:
        if fact.kind not in IDENTITY_KINDS:
            continue
        subject = cylinder_of(fact.subject)
        match fact.fact:
            case IdentitiesLinked(other=other) if subject is not None:
                links.setdefault(fact.id, set()).add((subject, other))
            case IdentitiesSplit() as split:
                disputed |= set(split.links)
                parts = frozenset(split.parts)
                for block_id in split.carried:
                    carried.setdefault(block_id, set()).add(parts)
                if proof.is_good(fact, DECIDING, at_hub=True):
                    for link_id in split.links:
                        ended.setdefault(link_id, set()).add(parts)
            case BlockAssigned(block=block_id) if subject is not None and proof.is_good(fact, INSPECTING):
                assigned.setdefault(block_id, set()).add(subject)
            case _:
                pass
    return Identity(
        links={link_id: _held(ends, ended.get(link_id, set())) for link_id, ends in links.items()},
        disputed=frozenset(disputed),
        carried={block_id: frozenset(splits) for block_id, splits in carried.items()},
        assigned={block_id: frozenset(parts) for block_id, parts in assigned.items()},
    )


def _held(links: set[Ends], ended_in: set[Parts]) -> frozenset[Ends]:
    """A split ends a link only where both ends are its parts: so whoever sees the link sees the split."""
    return frozenset(ends for ends in links if not any(parts.issuperset(ends) for parts in ended_in))


def _reached(start: UUID, next_to: Mapping[UUID, set[UUID]]) -> frozenset[UUID]:
    """Everything that can be reached. Ends, since nothing is visited twice."""
    reached, to_visit = {start}, [start]
    while to_visit:
        for one in next_to.get(to_visit.pop(), ()):
            if one not in reached:
                reached.add(one)
                to_visit.append(one)
    return frozenset(reached)
