"""Two records of one cylinder: what is held against either is held against both, until somebody says whose it is."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from tests.cylinder.given import (
    CERTIFIED,
    HERE,
    INSPECTOR,
    KNOWN,
    OFFICER,
    OPERATOR,
    OTHER,
    TODAY,
    a_fact,
    condemned,
    held,
    marked,
    psi,
    rating_read,
    registered,
)
from tests.cylinder.histories import THIRD, assigned, clear_on, filed, linked, revoked, split, withdrawn

from cylinder import facts as f
from cylinder.gather import touched_by
from cylinder.recorded import HUB, Recorded
from cylinder.standing import Standing

LINK = linked()
HELD = held(OTHER)
BOTH = (*CERTIFIED, registered(), registered(OTHER, marked(maker="QV")))
PASSED = f.VisualPassed(rated=psi(3000))


def seen(*facts: Recorded, of: UUID = KNOWN) -> Standing:
    return filed([*BOTH, *facts]).standing(of)


def blocks(*facts: Recorded, of: UUID = KNOWN) -> set[UUID]:
    return {block.id for block in seen(*facts, of=of).blocks}


def test_a_link_by_anybody_holds_the_blocks_of_both_against_both() -> None:
    assert (
        blocks(LINK, HELD, condemned())
        == blocks(LINK, HELD, condemned(), of=OTHER)
        == {HELD.id, condemned().id}
    )
    found = seen(LINK)
    assert (found.linked, found.links, len(found.marks)) == ((OTHER,), (LINK.id,), 2)


def test_a_link_reaches_through_a_third_record() -> None:
    assert blocks(LINK, linked(OTHER, THIRD), held(THIRD)) == {held(THIRD).id}


def test_a_link_makes_no_date_younger_and_no_rating_higher() -> None:
    fresh = clear_on(OTHER, PASSED, [])
    assert seen(LINK, fresh, rating_read(psi(2400))).looked_inside is None
    assert seen(LINK, fresh, rating_read(psi(2400))).rated == psi(2400)
    old = clear_on(KNOWN, f.VisualPassed(), [], on=dt.date(2020, 3, 1))
    assert seen(LINK, fresh, old).looked_inside == seen(LINK, fresh, old, of=OTHER).looked_inside == "2020-03"


def test_good_news_lifts_a_block_from_the_record_that_it_stands_on() -> None:
    assert blocks(LINK, HELD, clear_on(KNOWN, PASSED, [HELD.id])) == {HELD.id}
    assert blocks(LINK, HELD, clear_on(OTHER, PASSED, [HELD.id])) == set()
    assert [block.on for block in seen(LINK, HELD).blocks] == [(OTHER,)]


def test_a_split_by_an_officer_ends_exactly_the_links_it_names() -> None:
    another = linked(node="le-phare")
    assert blocks(LINK, HELD, split(LINK)) == set()
    assert blocks(LINK, another, HELD, split(LINK)) == {HELD.id}
    assert blocks(LINK, another, HELD, split(LINK, another)) == set()


def test_nobody_else_splits() -> None:
    for by, node in ((OPERATOR, HERE), (INSPECTOR, HERE), (OFFICER, HERE), (INSPECTOR, HUB)):
        assert blocks(LINK, HELD, split(LINK, by=by, node=node)) == {HELD.id}


def test_a_carried_block_counts_for_every_part_until_an_inspector_assigns_it() -> None:
    parted = (LINK, HELD, split(LINK, carried=[HELD.id]))
    assert blocks(*parted) == blocks(*parted, of=OTHER) == {HELD.id}
    to_this = (*parted, assigned(HELD, KNOWN))
    assert (blocks(*to_this), blocks(*to_this, of=OTHER)) == ({HELD.id}, set())
    to_that = (*parted, assigned(HELD, OTHER))
    assert (blocks(*to_that), blocks(*to_that, of=OTHER)) == (set(), {HELD.id})


def test_an_assignment_by_nobody_who_may_assigns_nothing() -> None:
    parted = (LINK, HELD, split(LINK, carried=[HELD.id]))
    for not_one in (assigned(HELD, KNOWN, by=OPERATOR), assigned(HELD, THIRD)):
        assert blocks(*parted, not_one) == blocks(*parted, not_one, of=OTHER) == {HELD.id}
    assert blocks(*parted, assigned(HELD, KNOWN), withdrawn(INSPECTOR), of=OTHER) == {HELD.id}


def test_each_part_is_cleared_for_itself() -> None:
    parted = (LINK, HELD, split(LINK, carried=[HELD.id]), clear_on(KNOWN, PASSED, [HELD.id]))
    assert (blocks(*parted), blocks(*parted, of=OTHER)) == (set(), {HELD.id})


def test_good_news_that_rests_on_a_link_falls_with_it() -> None:
    passed = clear_on(OTHER, PASSED, [HELD.id, LINK.id])
    assert blocks(LINK, HELD, passed, of=OTHER) == set()
    apart = seen(LINK, HELD, passed, split(LINK), of=OTHER)
    assert ({block.id for block in apart.blocks}, apart.looked_inside) == ({HELD.id}, None)


def test_a_split_falls_with_its_officer_and_the_link_holds_again() -> None:
    assert blocks(LINK, HELD, split(LINK), revoked(0, node=HUB)) == {HELD.id}


def test_a_block_that_arrives_after_the_split_is_its_own_records_alone() -> None:
    late = a_fact(f.HoldPlaced(reason="Late"), "late", cylinder=OTHER, performed_on=TODAY)
    parted = (LINK, split(LINK), late)
    assert (blocks(*parted), blocks(*parted, of=OTHER)) == (set(), {late.id})


def test_what_is_said_of_one_record_touches_all_that_it_was_ever_linked_with() -> None:
    known = filed([*BOTH, LINK, split(LINK), HELD])
    assert touched_by(HELD, known) == touched_by(LINK, known) == {KNOWN, OTHER}
    assert touched_by(registered(THIRD), known) == {THIRD}


def test_a_word_about_a_person_or_a_key_touches_every_cylinder_they_judged() -> None:
    known = filed([*BOTH, clear_on(THIRD, PASSED, []), held(OTHER)])
    assert touched_by(withdrawn(INSPECTOR), known) == {KNOWN, OTHER, THIRD}
    assert touched_by(withdrawn(OPERATOR), known) == {OTHER}
    assert touched_by(revoked(node=HERE), known) == frozenset()
    assert touched_by(revoked(node=HUB), known) == {KNOWN, OTHER, THIRD}
