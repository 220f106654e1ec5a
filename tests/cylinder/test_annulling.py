"""Who may take back a record of the wrong cylinder, when, and every reason why not, all at once."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from uuid import UUID

import pytest
from tests.cylinder.given import (
    CERTIFIED,
    HERE,
    INSPECTOR,
    KNOWN,
    LAPSED,
    NEXT_DOOR,
    NOW,
    OFFICER,
    OPERATOR,
    OTHER,
    Given,
    Outcome,
    an_id,
    certified,
    condemned,
    registered,
)
from tests.cylinder.histories import SECOND_OFFICER, annulled, annulment_proposed, annulment_seconded, revoked

from cylinder import commands as c
from cylinder import facts as f
from cylinder.around import Actor
from cylinder.basis import Basis
from cylinder.decide.annul import annul, propose
from cylinder.recorded import HUB, NewFact, Recorded
from cylinder.refusal import Refused

CONDEMNED = condemned()  # Next door, by INSPECTOR.
PROPOSED = annulment_proposed(CONDEMNED)
SECONDED = annulment_seconded(CONDEMNED, PROPOSED)  # Here.
A_DAY_ON = NOW + dt.timedelta(hours=24)
STAFF = (*CERTIFIED, certified(SECOND_OFFICER, HUB))


def basis(*facts: Recorded) -> Basis:
    return Basis.of(KNOWN, [registered(), *facts], STAFF)


def proposing(
    *facts: Recorded, block: UUID = CONDEMNED.id, by: Actor = OFFICER, meant: UUID | None = None
) -> NewFact:
    said = f.AnnulmentProposed(block=block, why="Misread", evidence="Photograph 12", meant=meant)
    return propose(basis(*facts), said, officer=by.id, now=NOW)


def annulling(*facts: Recorded, by: Actor = OFFICER, now: dt.datetime = A_DAY_ON) -> NewFact:
    return annul(basis(*facts), PROPOSED.id, why="Wrong record", officer=by.id, now=now)


def seconding(
    *facts: Recorded,
    by: Actor = INSPECTOR,
    proposal: UUID = PROPOSED.id,
    last_four: str = "0471",
    staff: tuple[Recorded, ...] = STAFF,
) -> Outcome:
    command = c.SecondAnnulment(
        key=an_id("second"), cylinder_id=KNOWN, proposal_id=proposal, finding="No crack", last_four=last_four
    )
    return Given((registered(), *facts), actor=by, staff=staff).when(command)


def rules(refused: pytest.ExceptionInfo[Refused]) -> set[str]:
    return {reason.rule_id for reason in refused.value.reasons}


def test_an_officer_proposes_names_the_condemnation_and_lifts_nothing() -> None:
    new = proposing(CONDEMNED)
    assert isinstance(new.fact, f.AnnulmentProposed)
    assert (new.fact.block, new.subject, new.clears) == (CONDEMNED.id, CONDEMNED.subject, ())


def test_who_is_no_officer_proposes_nothing_and_hears_the_rest_as_well() -> None:
    with pytest.raises(Refused) as refused:
        proposing(CONDEMNED, PROPOSED, by=INSPECTOR, meant=KNOWN)
    assert rules(refused) == {"annul.officer", "annul.proposed-before", "annul.same-record"}


def test_only_a_condemnation_that_stands_is_proposed() -> None:
    with pytest.raises(Refused) as refused:
        proposing(CONDEMNED, block=OTHER)
    assert rules(refused) == {"annul.not-open"}
    drilled = replace(CONDEMNED, kind=f.RenderedUnusable.KIND, fact=f.RenderedUnusable(how="Drilled"))
    with pytest.raises(Refused) as refused:
        proposing(drilled)
    assert rules(refused) == {"annul.not-open"}


def test_seconded_and_a_day_later_it_is_annulled_by_name_and_the_fold_believes_it() -> None:
    new = annulling(CONDEMNED, PROPOSED, SECONDED)
    assert isinstance(new.fact, f.CondemnationAnnulled)
    assert (new.fact.proposal, new.clears) == (PROPOSED.id, (CONDEMNED.id,))
    whole = (registered(), CONDEMNED, PROPOSED, SECONDED, annulled(CONDEMNED, PROPOSED))
    assert Given(whole, staff=STAFF).standing().is_clear


def test_all_that_is_missing_is_said_at_once() -> None:
    with pytest.raises(Refused) as refused:
        annulling(CONDEMNED, PROPOSED, by=INSPECTOR, now=A_DAY_ON - dt.timedelta(seconds=1))
    assert rules(refused) == {"annul.officer", "annul.no-second", "annul.too-early"}


def test_what_is_not_proposed_or_is_annulled_already_is_not_annulled() -> None:
    for facts in ((CONDEMNED,), (CONDEMNED, PROPOSED, SECONDED, annulled(CONDEMNED, PROPOSED))):
        with pytest.raises(Refused) as refused:
            annulling(*facts)
        assert rules(refused) == {"annul.no-proposal"}


def test_the_inspector_who_agreed_does_not_annul_as_an_officer() -> None:
    both = Actor(SECOND_OFFICER.id, "inspector", certificate="C-1")
    by_both = annulment_seconded(CONDEMNED, PROPOSED, by=both)
    known = Basis.of(
        KNOWN, [CONDEMNED, PROPOSED, by_both], [*STAFF, certified(both, HERE, on=dt.date(2026, 6, 1))]
    )
    with pytest.raises(Refused) as refused:
        annul(known, PROPOSED.id, why="Wrong record", officer=both.id, now=A_DAY_ON)
    assert rules(refused) == {"annul.one-person"}
    assert annul(known, PROPOSED.id, why="Wrong record", officer=OFFICER.id, now=A_DAY_ON).clears


def test_a_second_that_does_not_count_is_none() -> None:
    for node in (NEXT_DOOR, HUB):
        with pytest.raises(Refused) as refused:
            annulling(CONDEMNED, PROPOSED, annulment_seconded(CONDEMNED, PROPOSED, node=node))
        assert rules(refused) == {"annul.no-second"}


def test_an_inspector_of_another_shop_agrees_with_the_cylinder_in_hand() -> None:
    (new,) = seconding(CONDEMNED, PROPOSED).makes(f.AnnulmentSeconded)
    assert new.fact == f.AnnulmentSeconded(proposal=PROPOSED.id, block=CONDEMNED.id, finding="No crack")
    assert (new.subject, new.clears) == (CONDEMNED.subject, ())


@pytest.mark.parametrize(
    ("by", "rule_id"),
    [(OPERATOR, "bench.inspector"), (OFFICER, "bench.inspector"), (LAPSED, "bench.certificate")],
)
def test_only_an_inspector_in_date_agrees(by: Actor, rule_id: str) -> None:
    assert rule_id in {one.rule_id for one in seconding(CONDEMNED, PROPOSED, by=by).reasons}


def test_an_agreement_that_no_shop_would_count_is_not_recorded() -> None:
    nobody = tuple(one for one in STAFF if one.subject != f"actor/{INSPECTOR.id}")
    seconding(CONDEMNED, PROPOSED, staff=nobody).is_refused_for("bench.not-on-record")
    seconding(CONDEMNED, PROPOSED, revoked(0, node=HERE)).is_refused_for(
        "bench.key-in-doubt", "bench.not-on-record"
    )


def test_what_nobody_proposed_is_not_agreed_to() -> None:
    seconding(CONDEMNED).is_refused_for("second.unknown")
    seconding(CONDEMNED, PROPOSED, proposal=OTHER).is_refused_for("second.unknown")


def test_the_shop_that_condemned_does_not_agree_and_the_serial_is_read() -> None:
    here = condemned(node=HERE)
    proposed = annulment_proposed(here)
    seconding(here, proposed, proposal=proposed.id, last_four="9999").is_refused_for(
        "second.same-shop", "second.last-four"
    )


@pytest.mark.parametrize("last_four", ["", "----", "471", "0472"])
def test_the_last_four_are_read_off_the_metal(last_four: str) -> None:
    seconding(CONDEMNED, PROPOSED, last_four=last_four).is_refused_for("second.last-four")


def test_who_proposed_or_has_agreed_does_not_agree_again() -> None:
    both = Actor(OFFICER.id, "inspector", certificate="C-1", certificate_until=dt.date(2027, 1, 31))
    staff = (*STAFF, certified(both, HERE, on=dt.date(2026, 6, 1)))
    seconding(CONDEMNED, PROPOSED, by=both, staff=staff).is_refused_for("second.same-person")
    seconding(CONDEMNED, PROPOSED, SECONDED).is_refused_for("second.said-before")
