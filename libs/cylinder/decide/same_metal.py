"""Two records are one cylinder, or are not after all: what an officer may say, and what an inspector then sorts out.

Pure. A link only makes things stricter and a split clears nothing: every block goes along with every part until an
inspector with that cylinder in hand finds which one it belongs to. Must never take two makers' cylinders for one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from itertools import product
from uuid import UUID

from cylinder import commands as c
from cylinder.around import Around
from cylinder.basis import Basis
from cylinder.clearing import DECIDING
from cylinder.decide.gates import inspector_reasons, proof_reasons
from cylinder.facts import (
    BlockAssigned,
    CylinderIdentified,
    CylinderRegistered,
    IdentitiesLinked,
    IdentitiesSplit,
)
from cylinder.marks import Marks
from cylinder.near import bare, skeleton
from cylinder.recorded import HUB, NewFact, Recorded, cylinder_subject
from cylinder.refusal import Reason, refuse_if

LAST_SIGNS = 4


def open_blocks(basis: Basis) -> tuple[Recorded, ...]:
    """Every block that stands against any record of this cylinder."""
    found = {
        block.id: block
        for record in basis.group
        for block in basis.blocks_on(record)
        if not basis.answers(block, record)
    }
    return tuple(found[block_id] for block_id in sorted(found))


def claims(basis: Basis) -> tuple[Marks, ...]:
    """Every mark that was read on any record of this cylinder."""
    read = [fact.fact for record in basis.group for fact in basis.facts_on(record)]
    marks = [fact.marks for fact in read if isinstance(fact, (CylinderRegistered, CylinderIdentified))]
    return tuple(dict.fromkeys(marks))


def cannot_be_one(one: Basis, one_id: UUID, other: Basis, other_id: UUID) -> Iterator[Reason]:
    """Why these two records are not to be linked, whatever anybody says about it."""
    if one_id == other_id:
        yield Reason("link.same-record", "That is this very record. Find the other one.")
        return
    if other_id in one.group:
        yield Reason("link.linked-before", "These two records are one cylinder already.")
    marks, others = claims(one), claims(other)
    if not others:
        yield Reason(
            "link.unknown", "The network has no marks on record for the other one. Find it by its serial."
        )
    elif marks and all(_are_two_makers(a, b) for a, b in product(marks, others)):
        makers = " and ".join(sorted({m.maker for m in marks} | {m.maker for m in others}))
        yield Reason(
            "link.two-makers",
            f"The makers' symbols differ: {makers}. The same serial from two makers is two cylinders. If a symbol "
            "was misread, a shop has to read the marks on the metal again first.",
        )


def link(
    one: Basis, other: Basis, said: IdentitiesLinked, *, record: UUID, officer: str, now: dt.datetime
) -> NewFact:
    """An officer says that two records are one cylinder. Raises Refused."""
    refuse_if(
        [
            *_not_an_officer(one, officer, now),
            *cannot_be_one(one, record, other, said.other),
            *_unsaid("link", said.why, said.evidence),
        ]
    )
    return NewFact(said, cylinder_subject(record), now.date())


def split(
    basis: Basis,
    chosen: tuple[UUID, ...],
    *,
    why: str,
    evidence: str,
    record: UUID,
    officer: str,
    now: dt.datetime,
) -> NewFact:
    """An officer says that they are not one after all, and ends these links. Raises Refused."""
    holding = {link.id for link in basis.linking()}
    reasons = [*_not_an_officer(basis, officer, now)]
    if not holding:
        reasons.append(Reason("split.not-linked", "This record is linked with no other one."))
    elif not chosen:
        reasons.append(Reason("split.none-chosen", "Choose the link that was wrong."))
    if holding and set(chosen) - holding:
        reasons.append(
            Reason("split.not-holding", "A chosen link does not hold any more. Open the page again.")
        )
    refuse_if([*reasons, *_unsaid("split", why, evidence)])
    carried = tuple(block.id for block in open_blocks(basis))
    said = IdentitiesSplit(links=chosen, parts=basis.group, carried=carried, why=why, evidence=evidence)
    return NewFact(said, cylinder_subject(record), now.date())


def assign(command: c.AssignBlock, around: Around) -> tuple[NewFact, ...]:
    """An inspector with this cylinder in hand found that a carried block belongs to it, and not to the other part."""
    basis = around.basis
    carried = () if basis is None else basis.carried_to(command.cylinder_id)
    reasons = [*inspector_reasons(around)]
    if not reasons:
        reasons += proof_reasons(around, around.today)
    if command.block_id not in {block.id for block in carried}:
        words = "That is not a block which a split carried here and nobody has assigned yet."
        reasons.append(Reason("assign.not-carried", words))
    refuse_if([*reasons, *_not_in_hand(command.last_four, around)])
    said = BlockAssigned(block=command.block_id, finding=command.finding)
    return (NewFact(said, cylinder_subject(command.cylinder_id), around.today),)


def _are_two_makers(one: Marks, other: Marks) -> bool:
    """Blank or misread is no difference."""
    makers = skeleton(one.maker), skeleton(other.maker)
    return all(makers) and makers[0] != makers[1]


def _unsaid(what: str, why: str, evidence: str | None) -> Iterator[Reason]:
    if not why:
        yield Reason(f"{what}.why", "Say why.")
    if not evidence:
        yield Reason(f"{what}.evidence", "Say what shows it, and where it is kept.")


def _not_an_officer(basis: Basis, officer: str, now: dt.datetime) -> Iterator[Reason]:
    if not basis.proof.is_certified(officer, DECIDING, HUB, now.date()):
        yield Reason("identity.officer", "Only a safety officer on the network's record may do that.")


def _not_in_hand(keyed: str, around: Around) -> Iterator[Reason]:
    last = bare(keyed)[-LAST_SIGNS:]
    marks = () if around.standing is None else around.standing.marks
    if not last or all(bare(one.serial)[-LAST_SIGNS:] != last for one in marks):
        words = (
            f"{keyed or 'Nothing'} is not the end of this record's serial. Read the metal again: is this the "
            "cylinder on the screen?"
        )
        yield Reason("assign.last-four", words)
