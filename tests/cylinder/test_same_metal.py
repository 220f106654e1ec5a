"""Two records are one cylinder, or are not: who may say so, what refuses it, and that a split never clears a block."""

from __future__ import annotations

from dataclasses import replace
from uuid import UUID

import pytest
from tests.cylinder.given import (
    CERTIFIED,
    INSPECTOR,
    KNOWN,
    LAPSED,
    NOW,
    OFFICER,
    OPERATOR,
    OTHER,
    Given,
    Outcome,
    a_fact,
    an_id,
    condemned,
    marked,
    registered,
)
from tests.cylinder.histories import assigned, linked
from tests.cylinder.histories import split as parted

from cylinder import commands as c
from cylinder import facts as f
from cylinder.around import Actor
from cylinder.basis import Basis
from cylinder.decide.same_metal import link, open_blocks, split
from cylinder.recorded import NewFact, Recorded
from cylinder.refusal import Refused

CONDEMNED = condemned()
SECOND = a_fact(f.CylinderRegistered(marks=marked(serial="BO471")), "the other record", cylinder=OTHER)
LINKED = linked()


def basis(of: UUID, *facts: Recorded) -> Basis:
    return Basis.of(of, [registered(), SECOND, *facts], CERTIFIED)


def linking(
    *facts: Recorded,
    other: UUID = OTHER,
    by: Actor = OFFICER,
    why: str = "O read as 0",
    evidence: str = "Photograph 3",
) -> NewFact:
    said = f.IdentitiesLinked(other=other, why=why, evidence=evidence)
    return link(basis(KNOWN, *facts), basis(other, *facts), said, record=KNOWN, officer=by.id, now=NOW)


def splitting(
    *facts: Recorded, links: tuple[UUID, ...] = (LINKED.id,), by: Actor = OFFICER, why: str = "Both were here"
) -> NewFact:
    return split(
        basis(KNOWN, *facts), links, why=why, evidence="Photograph 4", record=KNOWN, officer=by.id, now=NOW
    )


def assigning(*facts: Recorded, by: Actor = INSPECTOR, last_four: str = "0471") -> Outcome:
    command = c.AssignBlock(
        key=an_id("assign"),
        cylinder_id=KNOWN,
        block_id=CONDEMNED.id,
        finding="The crack is here",
        last_four=last_four,
    )
    return Given((registered(), SECOND, *facts), actor=by, staff=CERTIFIED).when(command)


def rules(refused: pytest.ExceptionInfo[Refused]) -> set[str]:
    return {reason.rule_id for reason in refused.value.reasons}


def test_linked_each_record_has_the_blocks_of_both() -> None:
    new = linking(CONDEMNED)
    assert isinstance(new.fact, f.IdentitiesLinked)
    assert new.clears == ()
    said = replace(LINKED, fact=new.fact)
    for record in (KNOWN, OTHER):
        assert [one.id for one in open_blocks(basis(record, CONDEMNED, said))] == [CONDEMNED.id]


def test_everything_that_is_wrong_with_a_link_is_said_at_once() -> None:
    with pytest.raises(Refused) as refused:
        linking(LINKED, by=INSPECTOR, why="", evidence="")
    assert rules(refused) == {"identity.officer", "link.linked-before", "link.why", "link.evidence"}
    with pytest.raises(Refused) as refused:
        linking(other=KNOWN)
    assert rules(refused) == {"link.same-record"}
    with pytest.raises(Refused) as refused:
        linking(other=an_id("nobody's record"))
    assert rules(refused) == {"link.unknown"}


def test_the_same_serial_from_two_makers_stays_two_cylinders() -> None:
    theirs = marked(maker="QV")
    another = a_fact(f.CylinderRegistered(marks=theirs), "of another maker", cylinder=an_id("another"))
    with pytest.raises(Refused) as refused:
        linking(another, other=an_id("another"))
    assert rules(refused) == {"link.two-makers"}
    read_again = a_fact(
        f.CylinderIdentified(visit_id=an_id("v"), marks=marked(), was_known=True),
        "read again",
        cylinder=an_id("another"),
    )
    assert isinstance(linking(another, read_again, other=an_id("another")).fact, f.IdentitiesLinked)


def test_a_split_carries_every_open_block_to_each_part_and_clears_none() -> None:
    new = splitting(LINKED, CONDEMNED)
    assert isinstance(new.fact, f.IdentitiesSplit)
    assert (new.fact.carried, new.fact.parts, new.clears) == (
        (CONDEMNED.id,),
        tuple(sorted((KNOWN, OTHER))),
        (),
    )
    done = parted(LINKED, carried=new.fact.carried)
    for record in (KNOWN, OTHER):
        found = basis(record, LINKED, CONDEMNED, done)
        assert found.group == (record,)
        assert [one.id for one in open_blocks(found)] == [CONDEMNED.id]
        assert [one.id for one in found.carried_to(record)] == [CONDEMNED.id]


def test_everything_that_is_wrong_with_a_split_is_said_at_once() -> None:
    with pytest.raises(Refused) as refused:
        splitting(by=INSPECTOR, why="")
    assert rules(refused) == {"identity.officer", "split.not-linked", "split.why"}
    with pytest.raises(Refused) as refused:
        splitting(LINKED, links=())
    assert rules(refused) == {"split.none-chosen"}
    with pytest.raises(Refused) as refused:
        splitting(LINKED, links=(OTHER,))
    assert rules(refused) == {"split.not-holding"}


def test_an_inspector_with_it_in_hand_finds_which_part_a_block_belongs_to() -> None:
    done = (LINKED, CONDEMNED, parted(LINKED, carried=[CONDEMNED.id]))
    (made,) = assigning(*done).makes(f.BlockAssigned)
    assert made.subject == f"cylinder/{KNOWN}"
    found = (*done, assigned(CONDEMNED, KNOWN))
    assert [one.id for one in open_blocks(basis(KNOWN, *found))] == [CONDEMNED.id]
    assert open_blocks(basis(OTHER, *found)) == ()


def test_who_is_no_inspector_or_has_another_cylinder_in_hand_assigns_nothing() -> None:
    done = (LINKED, CONDEMNED, parted(LINKED, carried=[CONDEMNED.id]))
    refused = assigning(*done, by=OPERATOR, last_four="9999")
    assert {"assign.last-four"} < {reason.rule_id for reason in refused.reasons}
    assigning(LINKED, CONDEMNED).is_refused_for("assign.not-carried")
    assert assigning(*done, by=LAPSED).facts == ()
