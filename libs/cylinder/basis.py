"""What a standing rests on, sorted out: each fact once, who is who, whose word counts, and what answers which block.

Pure over sets. The standing and the exposures both ask here, so that one validity holds for both.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID

from cylinder.annulment import ANNULMENT_KINDS, annulments
from cylinder.clearing import AT_HUB_ONLY, CLEARED_BY
from cylinder.facts import (
    Condemned,
    CylinderIdentified,
    CylinderRegistered,
    DatesRead,
    IdentitiesLinked,
    RatingRead,
    UnknownFact,
)
from cylinder.identity import IDENTITY_KINDS, Identity, identity, kin
from cylinder.proof import CREDENTIAL_KINDS, Proof
from cylinder.recorded import HUB, Recorded, cylinder_subject

_NEUTRAL_KINDS = frozenset(
    {CylinderRegistered.KIND, CylinderIdentified.KIND, RatingRead.KIND, DatesRead.KIND}
    | IDENTITY_KINDS
    | ANNULMENT_KINDS
    | CREDENTIAL_KINDS
)


def matters(fact: Recorded) -> bool:
    """Whether a fact can change a standing; the rest need not be looked up to fold one."""
    return fact.effect != "neutral" or fact.kind in _NEUTRAL_KINDS


@dataclass(frozen=True, slots=True)
class Basis:
    """The facts of one cylinder's family of records, and how to read them."""

    group: tuple[UUID, ...]
    """The records that are one cylinder, in order."""
    links: tuple[UUID, ...]
    """The undisputed links that say so."""
    proof: Proof
    _said: tuple[Recorded, ...]
    _who: Identity
    _hub: str

    @classmethod
    def of(
        cls, cylinder_id: UUID, facts: Iterable[Recorded], credentials: Iterable[Recorded], *, hub: str = HUB
    ) -> Basis:
        """Sort out what was gathered, whatever order it comes in."""
        said, vouching = _distinct(facts), _distinct(credentials)
        family = {cylinder_subject(one) for one in kin(cylinder_id, said)}
        said = [fact for fact in said if fact.subject in family]
        proof = Proof(vouching, contested=_contested(said, vouching), hub=hub)
        who = identity(said, proof)
        group = who.group(cylinder_id)
        return cls(tuple(sorted(group)), who.links_within(group), proof, tuple(said), who, hub)

    def facts_on(self, record: UUID) -> list[Recorded]:
        """What was said of one record."""
        subject = cylinder_subject(record)
        return [fact for fact in self._said if fact.subject == subject]

    def good_on(self, record: UUID) -> list[Recorded]:
        """The same, without what was found out about another record under a link that is in dispute."""
        return [fact for fact in self.facts_on(record) if self._who.disputed.isdisjoint(fact.clears)]

    def blocks_on(self, record: UUID) -> list[Recorded]:
        """Every block that stands on a record, answered or not."""
        return [fact for fact in self._said if fact.effect == "block" and record in self._who.stands_on(fact)]

    def linking(self) -> tuple[Recorded, ...]:
        """The links that hold these records together now, disputed or not."""
        holding = {link_id for link_id, ends in self._who.links.items() if ends}
        return tuple(
            fact
            for record in self.group
            for fact in self.facts_on(record)
            if fact.kind == IdentitiesLinked.KIND and fact.id in holding
        )

    def carried_to(self, record: UUID) -> tuple[Recorded, ...]:
        """The blocks that a split carried, which stand on this record and on another part until one is assigned."""
        return tuple(
            block
            for block in self.blocks_on(record)
            if block.id in self._who.carried
            and len(self._who.stands_on(block)) > 1
            and not self.answers(block, record)
        )

    def answers(self, block: Recorded, record: UUID) -> frozenset[UUID]:
        """The valid clears that lift this block from this record. A clear of an unknown kind, or unproven, is none."""
        if block.kind == Condemned.KIND:
            return annulments(block, self._said, self.proof, hub=self._hub)
        clears = CLEARED_BY.get(block.kind, {})
        return frozenset(
            fact.id
            for fact in self.good_on(record)
            if fact.effect == "clear"
            and block.id in fact.clears
            and fact.kind in clears
            and not isinstance(fact.fact, UnknownFact)
            and self.proof.is_good(fact, clears[fact.kind], at_hub=fact.kind in AT_HUB_ONLY)
        )


def precedence(fact: Recorded) -> tuple[bool, str, str]:
    """A block before anything else; then an order that has no meaning, but is everywhere the same."""
    return fact.effect != "block", fact.kind, repr(fact)


def _distinct(facts: Iterable[Recorded]) -> list[Recorded]:
    """Each fact that matters once, in an order that has no meaning, but is everywhere the same.

    One id with two contents is a fault or a forgery: both are kept, and what of them blocks, blocks.
    """
    each: dict[UUID, list[Recorded]] = {}
    for fact in facts:
        if matters(fact):
            same = each.setdefault(fact.id, [])
            if fact not in same:
                same.append(fact)
    return [
        fact
        for fact_id in sorted(each)
        for fact in (each[fact_id] if len(each[fact_id]) == 1 else sorted(each[fact_id], key=precedence))
    ]


def _contested(*families: Sequence[Recorded]) -> frozenset[UUID]:
    """The ids that were given to more than one content."""
    content: dict[UUID, Recorded] = {}
    return frozenset(
        fact.id
        for facts in families
        for fact in facts
        if not content.setdefault(fact.id, fact).says_the_same_as(fact)
    )
