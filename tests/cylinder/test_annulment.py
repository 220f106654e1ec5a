"""A condemnation goes only as a clerical error: an officer, an inspector of another shop, and a day in public."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from tests.cylinder.given import (
    CERTIFIED,
    HERE,
    INSPECTOR,
    KNOWN,
    MANAGER,
    NEXT_DOOR,
    OFFICER,
    OPERATOR,
    an_id,
    certified,
    condemned,
    origin,
)
from tests.cylinder.histories import (
    SECOND_OFFICER,
    annulled,
    annulment_proposed,
    annulment_seconded,
    filed,
    revoked,
    withdrawn,
)

from cylinder import facts as f
from cylinder.around import Actor
from cylinder.recorded import HUB, Recorded

CONDEMNED = condemned()  # Next door, by INSPECTOR.
PROPOSED = annulment_proposed(CONDEMNED)
SECONDED = annulment_seconded(CONDEMNED, PROPOSED)  # Here.
ANNULLED = annulled(CONDEMNED, PROPOSED)
WHOLE = (CONDEMNED, PROPOSED, SECONDED, ANNULLED)


def is_condemned(*facts: Recorded) -> bool:
    return filed([*CERTIFIED, certified(SECOND_OFFICER, HUB), *facts]).standing(KNOWN).is_condemned


def test_proposed_seconded_and_annulled_after_a_day_it_is_gone() -> None:
    assert not is_condemned(*WHOLE)
    assert not is_condemned(*reversed(WHOLE))


@pytest.mark.parametrize("missing", [PROPOSED, SECONDED, ANNULLED])
def test_with_a_piece_missing_it_stands(missing: Recorded) -> None:
    assert is_condemned(*(fact for fact in WHOLE if fact != missing))


@pytest.mark.parametrize(
    ("after", "stands"), [(dt.timedelta(hours=24), False), (dt.timedelta(hours=24, microseconds=-1), True)]
)
def test_it_is_a_day_in_public_by_the_hubs_clock(after: dt.timedelta, stands: bool) -> None:
    assert is_condemned(CONDEMNED, PROPOSED, SECONDED, annulled(CONDEMNED, PROPOSED, after=after)) is stands


def test_the_shop_that_condemned_does_not_second_nor_does_the_hub() -> None:
    for node in (NEXT_DOOR, HUB):
        second = annulment_seconded(CONDEMNED, PROPOSED, node=node)
        assert is_condemned(CONDEMNED, PROPOSED, second, ANNULLED, certified(INSPECTOR, HUB))


@pytest.mark.parametrize("actor", [OPERATOR, MANAGER, OFFICER, Actor("in-77", "inspector")])
def test_only_an_inspector_on_record_seconds(actor: Actor) -> None:
    second = annulment_seconded(CONDEMNED, PROPOSED, by=actor)
    assert is_condemned(CONDEMNED, PROPOSED, second, ANNULLED)


def test_one_person_in_two_roles_is_one_person() -> None:
    both = Actor(OFFICER.id, "inspector", certificate="C-1")
    second = annulment_seconded(CONDEMNED, PROPOSED, by=both)
    assert is_condemned(CONDEMNED, PROPOSED, second, ANNULLED, certified(both, HERE))


@pytest.mark.parametrize(
    ("actor", "node"), [(OFFICER, HERE), (INSPECTOR, HUB), (Actor("of-7", "officer"), HUB)]
)
def test_only_an_officer_at_the_hub_proposes_and_annuls(actor: Actor, node: str) -> None:
    claimed = certified(OFFICER, HERE)
    assert is_condemned(*WHOLE[:3], annulled(CONDEMNED, PROPOSED, by=actor, node=node), claimed)
    proposed = annulment_proposed(CONDEMNED, by=actor, node=node)
    assert is_condemned(
        CONDEMNED, proposed, annulment_seconded(CONDEMNED, proposed), annulled(CONDEMNED, proposed), claimed
    )


def test_another_officer_may_annul_what_one_proposed() -> None:
    assert not is_condemned(*WHOLE[:3], annulled(CONDEMNED, PROPOSED, by=SECOND_OFFICER))


def test_it_names_one_condemnation_and_leaves_the_next() -> None:
    again = replace(CONDEMNED, id=an_id("condemned again"))
    assert is_condemned(*WHOLE, again)
    assert is_condemned(*WHOLE[:3], again, replace(ANNULLED, clears=(again.id,)))


def test_it_falls_when_a_proof_falls() -> None:
    assert is_condemned(*WHOLE, withdrawn(OFFICER, HUB))
    assert is_condemned(*WHOLE, withdrawn(INSPECTOR, HERE))
    assert is_condemned(*WHOLE, revoked(0, node=HERE))
    assert is_condemned(*WHOLE[:2], replace(SECONDED, origin=origin(HERE, proven=False)), ANNULLED)


def test_made_unusable_is_annulled_by_nothing() -> None:
    drilled = replace(CONDEMNED, kind=f.RenderedUnusable.KIND, fact=f.RenderedUnusable(how="Drilled"))
    assert is_condemned(drilled, *WHOLE[1:])
