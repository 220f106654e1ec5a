"""Which two visits may be a set, and what is decided for both: every reason of either half, and safety kept back by none."""

from __future__ import annotations

from dataclasses import replace
from uuid import UUID

import pytest
from tests.cylinder.given import KNOWN, NOW, OPERATOR, OTHER, RULES, TODAY, an_id, psi

from cylinder import commands as c
from cylinder import facts as f
from cylinder.around import Around
from cylinder.decide import decide
from cylinder.decide.sets import decide_both, given_apart, join, joined_with, part
from cylinder.marks import GasWanted
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused
from cylinder.visit import Visit

ONE = Visit(id=an_id("one"), tag=14, version=9, cylinder_id=KNOWN, diver_ref="diver-1")
TWO = Visit(id=an_id("two"), tag=15, version=9, cylinder_id=OTHER, diver_ref="diver-1")


def around(*visits: Visit) -> Around:
    return Around(now=NOW, today=TODAY, actor=OPERATOR, rules=RULES, open_visits=visits)


def as_set(one: Visit = ONE, two: Visit = TWO) -> tuple[Visit, Visit]:
    return replace(one, joined=two.id), replace(two, joined=one.id)


def joining(one: Visit = ONE, two: Visit = TWO, *, other_id: UUID = TWO.id) -> tuple[NewFact, ...]:
    command = c.JoinSet(key=an_id("join"), visit_id=one.id, other_id=other_id)
    return join(one, command, around(one, two))


def rules(refused: pytest.ExceptionInfo[Refused]) -> set[str]:
    return {reason.rule_id for reason in refused.value.reasons}


def done(state: Visit, command: c.Command, surroundings: Around) -> tuple[NewFact, ...]:
    """Decides as the visit is asked to: its tag is in the fact."""
    del command, surroundings
    return (NewFact(f.ValveTaped(visit_id=state.id), f"cylinder/{state.cylinder_id}", TODAY),)


def both(command: c.Command, one: Visit, two: Visit, refusing: UUID | None = None) -> tuple[NewFact, ...]:
    def decide(state: Visit, asked: c.Command, surroundings: Around) -> tuple[NewFact, ...]:
        assert [other.id for other in surroundings.open_visits] == [state.id]
        if state.id == refusing:
            raise Refused([Reason("standing.cylinder.condemned", "Condemned")])
        return done(state, asked, surroundings)

    found = joined_with(one, command, around(one, two))
    assert found is not None
    return decide_both(decide, (one, command, around(one, two)), (*found, around(one, two)))


def test_each_half_says_that_it_is_joined_to_the_other() -> None:
    made = joining()
    assert [(fact.fact, fact.subject) for fact in made] == [
        (f.SetJoined(visit_id=ONE.id, other=TWO.id), f"cylinder/{KNOWN}"),
        (f.SetJoined(visit_id=TWO.id, other=ONE.id), f"cylinder/{OTHER}"),
    ]


def test_every_reason_against_a_set_is_said_at_once() -> None:
    with pytest.raises(Refused) as refused:
        joining(
            replace(ONE, joined=an_id("third")),
            replace(TWO, diver_ref="diver-2", cylinder_id=None, whip=2, gas=GasWanted(oxygen_percent=32)),
        )
    assert rules(refused) == {
        "set.two-divers", "set.joined-before", "set.unidentified", "set.on-whip", "set.two-gases",
    }  # fmt: skip
    with pytest.raises(Refused) as refused:
        joining(two=replace(TWO, cylinder_id=KNOWN))
    assert rules(refused) == {"set.same-cylinder"}
    for nobody in (an_id("nobody"), ONE.id):
        with pytest.raises(Refused) as refused:
            joining(other_id=nobody)
        assert rules(refused) == {"set.unknown"}


def test_what_is_done_at_the_whip_is_done_to_both() -> None:
    command = c.TapeValve(key=an_id("tape"), visit_id=ONE.id, version=9)
    made = both(command, *as_set())
    assert [fact.fact for fact in made] == [f.ValveTaped(visit_id=ONE.id), f.ValveTaped(visit_id=TWO.id)]


def test_what_is_looked_over_is_looked_over_for_one_alone() -> None:
    one, two = as_set()
    command = c.LookOver(key=an_id("look"), visit_id=ONE.id, sound=True)
    assert joined_with(one, command, around(one, two)) is None
    assert joined_with(ONE, c.TapeValve(key=an_id("tape"), visit_id=ONE.id), around(ONE, TWO)) is None


def test_what_stops_either_half_stops_both() -> None:
    command = c.TakeReading(key=an_id("read"), visit_id=ONE.id, reading=psi(2000))
    for half in (ONE, TWO):
        with pytest.raises(Refused) as refused:
            both(command, *as_set(), refusing=half.id)
        assert rules(refused) == {"standing.cylinder.condemned"}


def test_stopping_and_bleeding_are_never_kept_back_by_the_other_half() -> None:
    one, two = as_set(replace(ONE, whip=2), replace(TWO, whip=2))
    command = c.BleedWhip(key=an_id("bleed"), visit_id=ONE.id)
    assert [fact.fact for fact in both(command, one, two, refusing=TWO.id)] == [f.ValveTaped(visit_id=ONE.id)]
    alone = replace(two, whip=None)
    assert joined_with(one, command, around(one, alone)) is None


def test_both_have_to_be_at_the_same_question() -> None:
    seen = f.CertificationSeen(visit_id=ONE.id, level="Open water")
    with pytest.raises(Refused) as refused:
        both(c.TapeValve(key=an_id("tape"), visit_id=ONE.id), *as_set(replace(ONE, certification=seen)))
    assert rules(refused) == {"set.not-so-far"}
    assert "Bring both to the same question" in refused.value.reasons[0].words


def test_a_set_is_not_blended_as_if_it_were_one_cylinder() -> None:
    command = c.PlanBlend(
        key=an_id("plan"), visit_id=ONE.id, cylinder_c=20, step_c=20, end=psi(3000), volume_litre=11.1,
        gases=("Oxygen",), valve="din 300",
    )  # fmt: skip
    with pytest.raises(Refused) as refused:
        both(command, *as_set())
    assert rules(refused) == {"set.blend"}


def test_when_the_other_half_has_left_nothing_is_filled_until_they_are_parted() -> None:
    one, _ = as_set()
    with pytest.raises(Refused) as refused:
        joined_with(one, c.TapeValve(key=an_id("tape"), visit_id=ONE.id), around(one))
    assert rules(refused) == {"set.gone"}
    assert [fact.fact for fact in part(one, around(one))] == [f.SetParted(visit_id=ONE.id, other=TWO.id)]


def test_when_the_other_half_has_left_this_one_can_still_be_stopped_and_bled() -> None:
    one, _ = as_set(replace(ONE, whip=2))
    stop = c.StopFill(key=an_id("stop"), visit_id=ONE.id, why="It hisses")
    bleed = c.BleedWhip(key=an_id("bleed"), visit_id=ONE.id)
    assert [joined_with(one, command, around(one)) for command in (stop, bleed)] == [None, None]


def test_a_set_is_parted_off_the_whip_only() -> None:
    one, two = as_set(two=replace(TWO, whip=2))
    with pytest.raises(Refused) as refused:
        part(one, around(one, two))
    assert rules(refused) == {"set.part-on-whip"}
    with pytest.raises(Refused) as refused:
        part(ONE, around(ONE, TWO))
    assert rules(refused) == {"set.none"}
    one, two = as_set()
    assert {fact.fact for fact in part(one, around(one, two))} == {
        f.SetParted(visit_id=ONE.id, other=TWO.id),
        f.SetParted(visit_id=TWO.id, other=ONE.id),
    }


def test_a_set_is_parted_even_while_one_half_is_on_hold() -> None:
    one, two = as_set(replace(ONE, held="The valve leaks"))
    made = decide(one, c.PartSet(key=an_id("part"), visit_id=ONE.id), around(one, two))
    assert [fact.fact for fact in made] == [
        f.SetParted(visit_id=ONE.id, other=TWO.id),
        f.SetParted(visit_id=TWO.id, other=ONE.id),
    ]


def test_both_halves_are_handed_over_together() -> None:
    one, two = as_set()
    assert [reason.rule_id for reason in given_apart((one,), (one, two))] == ["hand-over.set"]
    assert given_apart((one, two), (one, two)) == []
    assert given_apart((one,), (one,)) == []
