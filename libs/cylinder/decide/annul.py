"""Taking back a record that was written against the wrong cylinder: an officer, an inspector elsewhere, an officer.

Pure. What it makes is believed or not by the fold (`cylinder.annulment`); here a person is told beforehand, with every
reason at once. Must never lift a condemnation that was right: 49 CFR 180.203 knows no way back from one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from uuid import UUID

from cylinder import commands as c
from cylinder.annulment import IN_PUBLIC
from cylinder.around import Around
from cylinder.basis import Basis
from cylinder.clearing import DECIDING, INSPECTING
from cylinder.decide.gates import inspector_reasons, proof_reasons
from cylinder.facts import AnnulmentProposed, AnnulmentSeconded, CondemnationAnnulled, Condemned
from cylinder.near import bare
from cylinder.recorded import HUB, NewFact, Recorded, cylinder_of
from cylinder.refusal import Reason, Refused, refuse_if

LAST_SIGNS = 4


@dataclass(frozen=True, slots=True)
class Proposal:
    """An open proposal: the condemnation that it names, and who has agreed."""

    proposed: Recorded
    block: Recorded
    seconds: tuple[Recorded, ...]

    @property
    def may_be_annulled_at(self) -> dt.datetime:
        """When it has stood in public for long enough."""
        return self.proposed.at + IN_PUBLIC


def open_condemnations(basis: Basis) -> tuple[Recorded, ...]:
    """Every condemnation that stands against this cylinder."""
    found = {
        block.id: block
        for record in basis.group
        for block in basis.blocks_on(record)
        if block.kind == Condemned.KIND and not basis.answers(block, record)
    }
    return tuple(found[block_id] for block_id in sorted(found))


def open_proposals(basis: Basis) -> tuple[Proposal, ...]:
    """Every proposal that counts, of a condemnation that still stands."""
    return tuple(
        Proposal(fact, block, tuple(_seconds(basis, block, fact)))
        for block in open_condemnations(basis)
        for fact in _said_beside(basis, block)
        if isinstance(fact.fact, AnnulmentProposed)
        and fact.fact.block == block.id
        and basis.proof.is_good(fact, DECIDING, at_hub=True)
    )


def propose(basis: Basis, said: AnnulmentProposed, *, officer: str, now: dt.datetime) -> NewFact:
    """An officer says that a condemnation was written against the wrong record. Raises Refused."""
    reasons = list(_not_an_officer(basis, officer, now))
    block = next((one for one in open_condemnations(basis) if one.id == said.block), None)
    if block is None:
        raise Refused([*reasons, _not_open()])
    if any(one.block.id == block.id for one in open_proposals(basis)):
        words = "It is proposed already: an inspector of another shop has to see the cylinder next."
        reasons.append(Reason("annul.proposed-before", words))
    if said.meant == cylinder_of(block.subject):
        words = "That is the record it was written against. Name the other one, or leave it empty."
        reasons.append(Reason("annul.same-record", words))
    refuse_if(reasons)
    return NewFact(said, block.subject, now.date())


def annul(basis: Basis, proposal_id: UUID, *, why: str, officer: str, now: dt.datetime) -> NewFact:
    """An officer annuls the record, once it was agreed to and has stood in public. Raises Refused."""
    reasons = list(_not_an_officer(basis, officer, now))
    proposal = next((one for one in open_proposals(basis) if one.proposed.id == proposal_id), None)
    if proposal is None:
        words = "That proposal is not open: the record is annulled already, or it was never proposed."
        raise Refused([*reasons, Reason("annul.no-proposal", words)])
    refuse_if([*reasons, *still_missing(proposal, officer=officer, now=now)])
    annulled = CondemnationAnnulled(proposal=proposal_id, why=why)
    return NewFact(annulled, proposal.block.subject, now.date(), clears=(proposal.block.id,))


def still_missing(proposal: Proposal, *, officer: str, now: dt.datetime) -> Iterator[Reason]:
    """What has to happen before this officer may annul the record."""
    if not proposal.seconds:
        words = (
            "No inspector has agreed yet. One of a shop other than the one that condemned it has to hold the "
            "cylinder in hand and say so at the bench."
        )
        yield Reason("annul.no-second", words)
    elif all(one.actor == officer for one in proposal.seconds):
        words = "You agreed to it yourself as an inspector. Another officer has to annul it."
        yield Reason("annul.one-person", words)
    if now < proposal.may_be_annulled_at:
        at = proposal.may_be_annulled_at.astimezone(dt.UTC)
        words = f"24 hours have to pass, for everybody to see it: until {at:%d %b %Y %H:%M} UTC."
        yield Reason("annul.too-early", words)


def second(command: c.SecondAnnulment, around: Around) -> tuple[NewFact, ...]:
    """An inspector of another shop held the cylinder in hand and agrees. Raises Refused."""
    found = () if around.basis is None else open_proposals(around.basis)
    proposal = next((one for one in found if one.proposed.id == command.proposal_id), None)
    reasons = [*inspector_reasons(around)]
    if not reasons:
        reasons += proof_reasons(around, around.today)
    if proposal is None:
        words = "That proposal is not open, as far as this shop has heard from the network."
        raise Refused([*reasons, Reason("second.unknown", words)])
    refuse_if([*reasons, *_not_another(proposal, around), *_not_this_cylinder(command, around)])
    seconded = AnnulmentSeconded(
        proposal=proposal.proposed.id, block=proposal.block.id, finding=command.finding
    )
    return (NewFact(seconded, proposal.block.subject, around.today),)


def _not_another(proposal: Proposal, around: Around) -> Iterator[Reason]:
    """Two persons, two shops: neither the shop that condemned nor the one who proposed."""
    node = None if around.origin is None else around.origin.node
    if node in (proposal.block.node, HUB, None):
        words = "This shop wrote the condemnation. An inspector of another shop has to see the cylinder."
        yield Reason("second.same-shop", words)
    if around.actor.id == proposal.proposed.actor:
        words = "You proposed it yourself. Another person has to see the cylinder."
        yield Reason("second.same-person", words)
    if any(one.actor == around.actor.id for one in proposal.seconds):
        yield Reason("second.said-before", "You have agreed to it already. An officer annuls it at the hub.")


def _not_this_cylinder(command: c.SecondAnnulment, around: Around) -> Iterator[Reason]:
    keyed = bare(command.last_four)[-LAST_SIGNS:]
    marks = () if around.standing is None else around.standing.marks
    if not keyed or all(bare(one.serial)[-LAST_SIGNS:] != keyed for one in marks):
        words = (
            f"{command.last_four or 'Nothing'} is not the end of this record's serial. Read the metal again: "
            "is this the cylinder on the screen?"
        )
        yield Reason("second.last-four", words)


def _seconds(basis: Basis, block: Recorded, proposed: Recorded) -> Iterator[Recorded]:
    for fact in _said_beside(basis, block):
        if (
            isinstance(fact.fact, AnnulmentSeconded)
            and (fact.fact.proposal, fact.fact.block) == (proposed.id, block.id)
            and fact.node not in (block.node, HUB)
            and fact.actor != proposed.actor
            and basis.proof.is_good(fact, INSPECTING)
        ):
            yield fact


def _said_beside(basis: Basis, block: Recorded) -> list[Recorded]:
    record = cylinder_of(block.subject)
    return [] if record is None else basis.facts_on(record)


def _not_an_officer(basis: Basis, officer: str, now: dt.datetime) -> Iterator[Reason]:
    if not basis.proof.is_certified(officer, DECIDING, HUB, now.date()):
        yield Reason("annul.officer", "Only a safety officer on the network's record may do that.")


def _not_open() -> Reason:
    return Reason("annul.not-open", "That condemnation does not stand against this cylinder.")
