"""Bleed, tape, set down, hand over to the right diver; or the red rack."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from tests.cylinder.given import (
    HERE,
    INSPECTOR,
    KNOWN,
    SECOND_VISIT,
    VISIT,
    Given,
    abandon,
    air_route,
    an_id,
    authorise,
    bleed,
    complete,
    condemned,
    failed,
    greet,
    hand_over,
    held,
    hold_it,
    identify,
    marked,
    origin,
    psi,
    rack_it,
    registered,
    rejected,
    resume,
    set_down,
    tape,
    up_to,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.decide import decide
from cylinder.decide.fill import authorise as start
from cylinder.decide.tape import bleed as bleed_step
from cylinder.decide.tape import tape_valve
from cylinder.marks import GasWanted
from cylinder.recorded import Recorded
from cylinder.refusal import Refused

READY = up_to("hand_over")


def test_a_taped_cylinder_is_handed_over_to_its_diver() -> None:
    made = READY.when(hand_over()).makes(f.HandedOver)
    assert made[0].diver_ref == "diver-0001"
    assert not READY.do(hand_over()).visit().is_open


def test_tape_means_full_so_only_a_completed_fill_is_taped() -> None:
    up_to("fill").when(tape()).is_refused_for("visit.order")
    stopped = up_to("target").when(tape())
    stopped.is_refused_for("visit.order")


def refused_by(step: Callable[[], object]) -> list[str]:
    with pytest.raises(Refused) as refused:
        step()
    return [reason.rule_id for reason in refused.value.reasons]


def test_the_steps_look_again_should_the_order_of_work_ever_let_something_through() -> None:
    """Behind the gate of the order these cannot be reached; each step holds without it."""
    unfilled, filling, off_whip = up_to("target"), up_to("fill"), up_to("whip")
    around = unfilled.around(tape())
    assert refused_by(lambda: tape_valve(unfilled.visit(), around)) == ["tape.not-full"]
    assert refused_by(lambda: bleed_step(filling.visit(), around)) == ["bleed.filling"]
    assert refused_by(lambda: bleed_step(off_whip.visit(), around)) == ["bleed.no-whip"]
    assert refused_by(lambda: start(off_whip.visit(), authorise(), around)) == ["fill.not-read"]


def test_a_cylinder_on_no_whip_is_not_bled() -> None:
    up_to("dates").when(bleed()).is_refused_for("visit.order")
    READY.when(bleed()).is_refused_for("visit.order")


def test_a_floor_slot_holds_one_cylinder() -> None:
    given = Given((registered(),)).do(greet(GasWanted(), GasWanted()), *air_route()[1:])
    moved = [
        identify(marked(serial="X999"), visit_id=SECOND_VISIT),
        *(one.model_copy(update={"visit_id": SECOND_VISIT}) for one in air_route()[2:14]),
    ]
    given = given.do(*moved)
    there = set_down(7).model_copy(update={"visit_id": SECOND_VISIT})
    given.when(there).is_refused_for("slot.taken")
    given.when(there.model_copy(update={"slot": 29})).is_refused_for("slot.unknown")
    given = given.do(there.model_copy(update={"slot": 8}))
    both = given.when(hand_over(VISIT, SECOND_VISIT)).makes(f.HandedOver, f.HandedOver)
    assert len({one.fact.handover_id for one in both if isinstance(one.fact, f.HandedOver)}) == 1
    given.but(condemned()).when(hand_over(VISIT, SECOND_VISIT)).is_refused_for("standing.cylinder.condemned")


def test_the_wrong_diver_gets_nothing() -> None:
    READY.when(hand_over(diver="diver-0002")).is_refused_for("hand-over.wrong-diver")


def test_one_wrong_tag_and_nothing_is_handed_over() -> None:
    READY.when(hand_over(VISIT, an_id("no such visit"))).is_refused_for("hand-over.unknown")
    READY.when(hand_over(VISIT, VISIT)).is_refused_for("hand-over.twice")


def test_every_reason_against_a_hand_over_is_given_at_once() -> None:
    given = up_to("bleed").do(hold_it())
    given.when(hand_over(diver="diver-0002")).is_refused_for(
        "hand-over.wrong-diver", "hand-over.not-full", "visit.held", "standing.cylinder.hold_placed"
    )


@pytest.mark.parametrize("block", [condemned(), rejected(), failed(), held()])
def test_a_block_after_the_fill_stops_the_hand_over(block: Recorded) -> None:
    READY.but(block).when(hand_over()).is_refused_for(f"standing.{block.kind}")


def test_a_standing_that_was_not_found_stops_the_hand_over() -> None:
    around = replace(READY.around(hand_over()), standings=())
    with pytest.raises(Refused) as refused:
        decide(None, hand_over(), around)
    assert [reason.rule_id for reason in refused.value.reasons] == ["standing.not-found"]


def test_a_mix_that_is_off_is_not_handed_over_whatever_the_log_says() -> None:
    gas = GasWanted(oxygen_percent=32)
    given = Given((registered(),)).do(greet(gas, nitrox=True), *air_route()[1:12])
    analysed = f.GasAnalysed(visit_id=VISIT, oxygen_percent=40)
    wrong = replace(given.facts[-1], id=an_id("off"), kind=analysed.KIND, fact=analysed)
    given = given.but(wrong).do(*air_route()[12:])
    given.when(hand_over()).is_refused_for("analyse.off")


def test_an_overfilled_cylinder_goes_on_only_after_an_inspectors_finding() -> None:
    given = up_to("fill").do(complete(psi(3050)), bleed())
    given.when(tape()).is_refused_for("visit.held", "standing.cylinder.hold_placed")
    given = given.by(INSPECTOR).do(resume("Cooled to 3000 psi, bled to the rating"))
    given.when(tape()).makes(f.ValveTaped)


def test_a_filled_cylinder_does_not_leave_as_one_without_a_fill() -> None:
    READY.when(abandon()).is_refused_for("abandon.filled")


def test_a_blocked_cylinder_goes_into_the_red_rack_with_its_reasons() -> None:
    made = READY.but(condemned()).when(rack_it()).makes(f.VisitRefused, f.VisitAbandoned)
    refused = made[0].fact
    assert isinstance(refused, f.VisitRefused)
    assert refused.rule_ids == ("standing.cylinder.condemned",)


def test_nothing_goes_into_the_red_rack_without_a_reason() -> None:
    READY.when(rack_it()).is_refused_for("rack.nothing-against-it")


def test_nothing_goes_into_the_red_rack_on_a_whip() -> None:
    up_to("target").but(condemned()).when(rack_it()).is_refused_for("rack.on-whip")


def test_a_bleed_that_was_not_one_is_taken_back_unless_the_whip_is_in_use() -> None:
    given = up_to("tape")
    taken_back = c.Reopen(key=an_id("again"), visit_id=VISIT, step="bleed")
    given.when(taken_back).makes(f.StepReopened)
    whip = f.WhipConnected(visit_id=an_id("beside"), whip=1)
    received = f.CylinderReceived(visit_id=an_id("beside"), tag=9, gas=GasWanted())
    beside = [
        replace(
            given.facts[-1], id=an_id(f"beside {fact.KIND}"), kind=fact.KIND, fact=fact, origin=origin(HERE)
        )
        for fact in (received, whip)
    ]
    given.but(*beside).when(taken_back).is_refused_for("whip.taken")


def test_the_cylinder_stays_known_after_the_visit() -> None:
    after = READY.do(hand_over())
    assert after.standing(KNOWN).rated == psi(3000)
