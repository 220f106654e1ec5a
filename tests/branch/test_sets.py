"""Twinsets at a shop: two cylinders on one manifold, one fill, two records; what stops one half stops both."""

from __future__ import annotations

import uuid
from pathlib import Path
from uuid import UUID

import pytest
from tests.branch.a_shop import DIVER, MARKS, Shop, make_shop

from branch.desk import Outcome
from cylinder import commands as c
from cylinder.marks import KeyedPressure
from cylinder.refusal import Refused

TWIN = MARKS.model_copy(update={"serial": "W99137"})


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return make_shop(tmp_path)


def two(shop: Shop, *, step: str = "people_out") -> tuple[UUID, UUID]:
    """Both halves of a diver's set on the floor, looked over."""
    one, other = (
        shop.do(c.Greet, diver_ref=DIVER, level="Open water", cylinders=(c.Taken(tag=tag),)).visit_ids[0]
        for tag in (14, 15)
    )
    shop.up_to(step, visit_id=one, marks=MARKS)
    shop.up_to(step, visit_id=other, marks=TWIN)
    return one, other


def joined(shop: Shop) -> tuple[UUID, UUID]:
    one, other = two(shop)
    shop.do(c.JoinSet, visit_id=one, other_id=other)
    return one, other


def rules(shop: Shop, make: object, **fields: object) -> set[str]:
    with pytest.raises(Refused) as refused:
        shop.do(make, **fields)  # type: ignore[arg-type]
    return {reason.rule_id for reason in refused.value.reasons}


def steps(shop: Shop, *visits: UUID) -> list[str]:
    return [shop.visit(one).step for one in visits]


def test_one_fill_is_recorded_for_both_and_both_are_handed_over_together(shop: Shop) -> None:
    one, other = joined(shop)
    for step in ("people_out", "blow_out", "whip", "residual", "target", "fill", "bleed", "tape", "set_down"):
        made: Outcome = shop.answer(other if step == "fill" else one, step)
        assert len({getattr(record.fact, "visit_id", None) for record in made.records} - {None}) == 2, step
        assert len(set(steps(shop, one, other))) == 1, step
    assert [shop.visit(half).completed is not None for half in (one, other)] == [True, True]
    assert "hand-over.set" in rules(shop, c.HandOver, diver_ref=DIVER, visit_ids=(one,))
    shop.do(c.HandOver, diver_ref=DIVER, visit_ids=(one, other))
    assert steps(shop, one, other) == ["done", "done"]


def test_nothing_goes_on_until_both_are_looked_over(shop: Shop) -> None:
    one, other = two(shop, step="outside")
    shop.do(c.JoinSet, visit_id=one, other_id=other)
    shop.up_to("people_out", visit_id=one)
    assert rules(shop, c.SendPeopleOut, visit_id=one) == {"set.not-so-far"}
    shop.up_to("people_out", visit_id=other)
    shop.do(c.SendPeopleOut, visit_id=one)


def test_the_lower_rating_holds_for_both(shop: Shop) -> None:
    one, other = two(shop, step="rating")
    shop.do(c.ReadRating, visit_id=one, rated=KeyedPressure(value=3000, unit="psi"))
    shop.do(c.ReadRating, visit_id=other, rated=KeyedPressure(value=2250, unit="psi"))
    for half in (one, other):
        shop.up_to("people_out", visit_id=half)
    shop.do(c.JoinSet, visit_id=one, other_id=other)
    shop.up_to("target", visit_id=one)
    too_high = rules(shop, c.Authorise, visit_id=one, target=KeyedPressure(value=3000, unit="psi"))
    assert too_high == {"us.fill.limit"}
    shop.do(c.Authorise, visit_id=one, target=KeyedPressure(value=2250, unit="psi"))


@pytest.mark.parametrize("bad", [0, 1])
def test_a_block_on_either_stops_both_and_the_fill_can_still_be_stopped(shop: Shop, bad: int) -> None:
    halves = joined(shop)
    one, other = halves
    shop.up_to("fill", visit_id=one)
    cylinder_id = shop.visit(halves[bad]).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id, last_four=(MARKS, TWIN)[bad].serial[-4:])
    gauge = KeyedPressure(value=2000, unit="psi")
    for half in halves:
        assert "standing.cylinder.condemned" in rules(shop, c.TakeReading, visit_id=half, reading=gauge)
        assert "standing.cylinder.condemned" in rules(shop, c.CompleteFill, visit_id=half, end=gauge)
    shop.do(c.StopFill, visit_id=one, why="Condemned")
    assert [shop.visit(half).aborted is not None for half in halves] == [True, True]
    shop.do(c.BleedWhip, visit_id=other)
    assert [shop.visit(half).holds_whip for half in halves] == [None, None]
    shop.do(c.PartSet, visit_id=one)
    assert [shop.visit(half).joined for half in halves] == [None, None]


def test_everything_that_is_wrong_with_a_set_is_said_at_once(shop: Shop) -> None:
    one, other = joined(shop)
    third = shop.do(
        c.Greet, diver_ref="diver-0002", level="Open water", cylinders=(c.Taken(tag=16),)
    ).visit_ids[0]
    assert rules(shop, c.JoinSet, visit_id=one, other_id=third) == {
        "set.two-divers", "set.joined-before", "set.unidentified",
    }  # fmt: skip
    assert rules(shop, c.JoinSet, visit_id=one, other_id=uuid.uuid4()) == {"set.unknown"}
    assert rules(shop, c.PartSet, visit_id=third) == {"set.none"}
    shop.up_to("residual", visit_id=one)
    assert rules(shop, c.PartSet, visit_id=other) == {"set.part-on-whip"}


def test_when_one_half_leaves_the_other_is_parted_before_it_goes_on(shop: Shop) -> None:
    one, other = joined(shop)
    shop.do(c.Abandon, visit_id=other, why="Another day")
    assert rules(shop, c.SendPeopleOut, visit_id=one) == {"set.gone"}
    shop.do(c.PartSet, visit_id=one)
    shop.up_to("tape", visit_id=one)
