"""When a condemnation is annulled: a clerical error (the wrong record), said by two persons, a day in public. Pure.

An officer proposes at the hub and names the block; an inspector of a shop other than the one that condemned, and
another person than the officers, seconds it; an officer annuls at the hub, 24 hours or more after the proposal by
the hub's own clock. Our own rule: 49 CFR 180.203 knows no way back from a condemnation, only a wrong record can go.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from uuid import UUID

from cylinder.clearing import DECIDING, INSPECTING
from cylinder.facts import AnnulmentProposed, AnnulmentSeconded, CondemnationAnnulled
from cylinder.proof import Proof
from cylinder.recorded import HUB, Recorded

IN_PUBLIC = dt.timedelta(hours=24)
ANNULMENT_KINDS = frozenset({AnnulmentProposed.KIND, AnnulmentSeconded.KIND})


def annulments(
    block: Recorded, facts: Sequence[Recorded], proof: Proof, *, hub: str = HUB
) -> frozenset[UUID]:
    """The complete annulments of this condemnation among the facts of its record."""
    return frozenset(
        fact.id
        for fact in facts
        if fact.effect == "clear"
        and block.id in fact.clears
        and fact.subject == block.subject
        and _is_complete(fact, block, facts, proof, hub)
    )


def _is_complete(
    annulled: Recorded, block: Recorded, facts: Sequence[Recorded], proof: Proof, hub: str
) -> bool:
    if not isinstance(annulled.fact, CondemnationAnnulled) or not proof.is_good(
        annulled, DECIDING, at_hub=True
    ):
        return False
    proposal_id = annulled.fact.proposal
    proposals = [
        fact
        for fact in facts
        if isinstance(fact.fact, AnnulmentProposed)
        and (fact.id, fact.fact.block, fact.subject) == (proposal_id, block.id, block.subject)
        and proof.is_good(fact, DECIDING, at_hub=True)
        and annulled.at - fact.at >= IN_PUBLIC
    ]
    return any(
        isinstance(fact.fact, AnnulmentSeconded)
        and (fact.fact.proposal, fact.fact.block, fact.subject) == (proposal_id, block.id, block.subject)
        and fact.node not in (block.node, hub)
        and fact.actor not in (annulled.actor, *(one.actor for one in proposals))
        and proof.is_good(fact, INSPECTING)
        for fact in facts
        if proposals
    )
