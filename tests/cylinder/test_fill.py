"""Connecting and filling: people out, whip, what is left, the last look, readings, the end, the mix."""

from __future__ import annotations

import pytest
from tests.cylinder.given import (
    INSPECTOR,
    KNOWN,
    OFFICER,
    VISIT,
    Given,
    abandon,
    air_route,
    an_id,
    analyse,
    authorise,
    bar,
    bleed,
    complete,
    condemned,
    connect_whip,
    failed,
    greet,
    hand_over,
    held,
    hold_it,
    identify,
    look_over,
    marked,
    psi,
    rack_it,
    read_dates,
    read_rating,
    read_residual,
    registered,
    rejected,
    reopen,
    resume,
    see_standing,
    send_people_out,
    set_down,
    sign,
    stop,
    take_reading,
    tape,
    up_to,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.marks import GasWanted, KeyedPressure
from cylinder.recorded import Recorded

NITROX = GasWanted(oxygen_percent=32)
TRIMIX = GasWanted(oxygen_percent=18, helium_percent=45)
FILLING = up_to("fill")


def filled_with(gas: GasWanted) -> Given:
    """A cylinder filled with a mix, still on its whip and not analysed."""
    given = Given((registered(),)).do(greet(gas, nitrox=True, trimix=True))
    return given.do(*air_route()[1:12])


def test_people_out_is_recorded_for_the_bay_and_for_the_visit() -> None:
    up_to("people_out").when(send_people_out()).makes(f.PeopleOut, f.AreaCleared)
    up_to("people_out").when(send_people_out(None)).makes(f.PeopleOut)
    up_to("dates").when(send_people_out()).is_refused_for("visit.order")


def test_people_out_counts_for_20_minutes() -> None:
    given = up_to("target")
    given.later(minutes=20).when(authorise()).makes(f.FillAuthorised)
    late = given.later(minutes=20, seconds=1)
    late.when(authorise()).is_refused_for("people-out")
    late.do(send_people_out(None)).when(authorise()).makes(f.FillAuthorised)


def test_people_out_at_a_time_that_lies_ahead_does_not_count() -> None:
    up_to("target").later(minutes=-5).when(authorise()).is_refused_for("people-out")


def test_the_door_opening_asks_for_people_out_again() -> None:
    given = up_to("target").do(c.SayDoorOpened(key=an_id("door")))
    given.when(authorise()).is_refused_for("people-out")


def test_a_whip_that_is_taken_or_not_there_is_refused() -> None:
    given = up_to("target")
    greeting = greet().model_copy(update={"key": an_id("next"), "cylinders": (c.Taken(tag=9),)})
    after = given.do(greeting)
    beside = next(one for one in after.around(greeting).open_visits if one.tag == 9).id
    moved = [
        identify(marked(serial="X999"), visit_id=beside),
        *(one.model_copy(update={"visit_id": beside}) for one in air_route()[2:8]),
    ]
    after = after.do(*moved)
    after.when(connect_whip(1, beside)).is_refused_for("whip.taken")
    after.when(connect_whip(5, beside)).is_refused_for("whip.unknown")
    after.when(connect_whip(2, beside)).makes(f.WhipConnected)


@pytest.mark.parametrize(
    ("left", "is_held"), [(psi(99), True), (psi(100), False), (bar(6.9), True), (bar(7), False)]
)
def test_less_than_100_psi_or_7_bar_left_is_a_hold_for_an_inside_look(
    left: KeyedPressure, is_held: bool
) -> None:
    made = up_to("residual").when(read_residual(left))
    made.makes(*((f.ResidualRead, f.HoldPlaced, f.VisitHeld) if is_held else (f.ResidualRead,)))


def test_a_cylinder_held_for_an_inside_look_is_bled_off_and_goes_on_after_the_look() -> None:
    given = up_to("residual").do(read_residual(psi(20)))
    given.when(authorise()).is_refused_for("visit.held", "standing.cylinder.hold_placed")
    given = given.do(bleed())
    passed = c.PassVisual(key=an_id("pass"), cylinder_id=KNOWN, performed_on=given.now.date())
    given = given.by(INSPECTOR).do(passed, resume())
    assert given.visit().step == "whip"


def test_more_left_than_the_rating_is_refused() -> None:
    up_to("residual").when(read_residual(psi(3100))).is_refused_for("residual.above-rating")


def test_a_fill_that_may_start_says_up_to_where() -> None:
    made = up_to("target").when(authorise(psi(2900))).makes(f.FillAuthorised)[0].fact
    assert made == f.FillAuthorised(visit_id=VISIT, target=psi(2900), rated=psi(3000))


@pytest.mark.parametrize(
    ("target", "rule_ids"),
    [
        (psi(3001), ["us.fill.limit"]),  # 49 CFR 173.301a(c): never above the marked pressure.
        (psi(0), ["us.fill.no_target", "fill.nothing-to-fill"]),
        (psi(500), ["fill.nothing-to-fill"]),
        (bar(3000), ["us.fill.limit", "pressure.unit"]),
        (psi(207), ["pressure.unit", "fill.nothing-to-fill"]),
    ],
)
def test_a_target_that_cannot_be_is_refused(target: KeyedPressure, rule_ids: list[str]) -> None:
    up_to("target").when(authorise(target)).is_refused_for(*rule_ids)


def test_only_the_shops_own_people_fill() -> None:
    up_to("target").by(OFFICER).when(authorise()).is_refused_for("fill.role")


@pytest.mark.parametrize("block", [condemned(), rejected(), failed(), held()])
def test_no_block_lets_a_fill_start(block: Recorded) -> None:
    up_to("target").but(block).when(authorise()).is_refused_for(f"standing.{block.kind}")


def test_readings_are_kept_in_order() -> None:
    given = FILLING.do(take_reading(psi(1500)), take_reading(psi(2500)), complete())
    assert [one.pressure for one in given.visit().readings] == [psi(500), psi(1500), psi(2500), psi(2980)]


def test_a_fill_ends_with_all_its_figures() -> None:
    made = FILLING.when(complete(psi(2980))).makes(f.FillCompleted)[0].fact
    assert made == f.FillCompleted(
        visit_id=VISIT, end=psi(2980), start=psi(500), target=psi(3000), rated=psi(3000), gas=GasWanted()
    )


def test_an_end_above_the_rating_is_recorded_and_held() -> None:
    FILLING.when(complete(psi(3010))).makes(f.FillCompleted, f.HoldPlaced, f.VisitHeld)


@pytest.mark.parametrize("end", [bar(3000), psi(207)])
def test_an_end_in_the_wrong_unit_asks(end: KeyedPressure) -> None:
    assert "pressure.unit" in {reason.rule_id for reason in FILLING.when(complete(end)).reasons}


def test_an_end_below_the_start_is_read_again() -> None:
    FILLING.when(complete(psi(400))).is_refused_for("fill.end-below-start")


def test_what_is_not_being_filled_has_no_reading_no_end_and_no_stop() -> None:
    given = FILLING.do(complete())
    given.when(take_reading(psi(3000))).is_refused_for("fill.not-filling")
    given.when(complete()).is_refused_for("visit.order")
    given.when(stop()).is_refused_for("fill.not-filling")


@pytest.mark.parametrize("command", [bleed(), tape(), set_down(), authorise(), look_over()])
def test_while_it_fills_there_is_only_the_gauge_the_end_and_the_stop(command: c.Command) -> None:
    FILLING.when(command).is_refused_for("visit.order")


def test_a_filling_cylinder_is_neither_racked_nor_abandoned_nor_reopened() -> None:
    FILLING.when(rack_it()).is_refused_for("rack.filling")
    FILLING.when(abandon()).is_refused_for("abandon.on-whip")
    FILLING.when(reopen("target")).is_refused_for("reopen.filled")
    FILLING.when(reopen("identify")).is_refused_for("reopen.filled")


def test_a_condemnation_in_mid_fill_refuses_the_end_and_lets_it_be_made_safe() -> None:
    given = FILLING.but(condemned())
    given.when(complete()).is_refused_for("standing.cylinder.condemned")
    given.when(take_reading(psi(1000))).is_refused_for("standing.cylinder.condemned")
    given = given.do(stop(), bleed())
    given.when(abandon()).is_refused_for("standing.cylinder.condemned", "visit.held")
    made = given.when(rack_it()).makes(f.VisitRefused, f.VisitAbandoned)[0].fact
    assert isinstance(made, f.VisitRefused)
    assert "standing.cylinder.condemned" in made.rule_ids


def test_a_stopped_fill_is_held_and_does_not_end_as_filled() -> None:
    given = FILLING.do(stop(psi(1200)))
    given.when(complete()).is_refused_for("visit.held")
    given.do(resume()).when(complete()).is_refused_for("fill.not-filling")
    given.do(resume()).when(authorise()).is_refused_for("visit.order")
    given.do(resume()).when(tape()).is_refused_for("visit.order")


def test_a_fill_stopped_above_the_rating_is_held_in_every_shop() -> None:
    FILLING.when(stop(psi(3100))).makes(f.FillAborted, f.HoldPlaced)


def test_after_a_stop_what_is_left_is_read_again_before_the_next_start() -> None:
    given = FILLING.do(stop(psi(1200)), resume())
    given.when(reopen("target")).is_refused_for("reopen.read-again")
    given.when(reopen("fill")).is_refused_for("reopen.not-yet", "reopen.read-again")
    given = given.do(reopen("residual"))
    given.when(authorise()).is_refused_for("visit.order")
    given.do(read_residual(psi(1200))).when(authorise()).makes(f.FillAuthorised)


def test_after_a_stop_and_a_bleed_it_has_to_be_connected_again() -> None:
    given = FILLING.do(stop(psi(1200)), bleed(), resume())
    assert given.visit().holds_whip is None
    given.when(authorise()).is_refused_for("visit.order")
    given = given.do(connect_whip(2), read_residual(psi(1200)))
    given.when(authorise()).makes(f.FillAuthorised)


def test_a_stopped_fill_with_nothing_against_it_may_leave() -> None:
    given = FILLING.do(stop(psi(1200)), bleed())
    given.when(abandon()).is_refused_for("visit.held")
    given.do(resume()).when(abandon()).makes(f.VisitAbandoned)


def test_what_hangs_on_a_whip_is_bled_off_before_earlier_answers_are_taken_back() -> None:
    given = up_to("target")
    for step in ("identify", "rating", "whip"):
        given.when(reopen(step)).is_refused_for("reopen.on-whip")
    given.when(abandon()).is_refused_for("abandon.on-whip")
    given = given.do(bleed())
    given.when(reopen("rating")).makes(f.StepReopened)
    given.when(authorise()).is_refused_for("visit.order")


def test_what_was_read_before_a_completed_fill_stands() -> None:
    given = FILLING.do(complete())
    for step in ("identify", "rating", "residual", "target", "fill"):
        given.when(reopen(step)).is_refused_for("reopen.filled")


def test_a_mix_is_analysed_before_it_is_taped() -> None:
    given = filled_with(NITROX).do(bleed())
    given.when(tape()).is_refused_for("visit.order")
    given.do(analyse(32.4)).when(tape()).makes(f.ValveTaped)


@pytest.mark.parametrize(("oxygen", "is_off"), [(31.0, False), (33.0, False), (30.9, True), (33.1, True)])
def test_an_analysis_off_by_more_than_1_percent_is_held(oxygen: float, is_off: bool) -> None:
    filled_with(NITROX).when(analyse(oxygen)).makes(
        *((f.GasAnalysedTwice, f.VisitHeld) if is_off else (f.GasAnalysedTwice,))
    )


@pytest.mark.parametrize(("helium", "is_off"), [(45.0, False), (43.0, False), (42.9, True), (0.0, True)])
def test_helium_is_measured_as_well(helium: float, is_off: bool) -> None:
    filled_with(TRIMIX).when(analyse(18.0, helium)).makes(
        *((f.GasAnalysedTwice, f.VisitHeld) if is_off else (f.GasAnalysedTwice,))
    )


def test_oxygen_and_helium_of_more_than_the_whole_are_refused() -> None:
    filled_with(TRIMIX).when(analyse(60, 50)).is_refused_for("analyse.sum")


def test_a_mix_that_is_off_is_handed_over_as_the_wish_on_nobodys_word() -> None:
    given = filled_with(NITROX).do(analyse(36.0))
    given.when(resume()).is_refused_for("analyse.off")
    given.by(INSPECTOR).when(resume()).is_refused_for("analyse.off")
    given.when(tape()).is_refused_for("visit.order", "visit.held")
    measured_again = given.do(
        reopen("analyse"), resume(), analyse(32.1), bleed(), tape(), set_down(), sign(32.1)
    )
    measured_again.when(hand_over()).makes(f.HandedOver)


def test_a_mix_that_stays_off_goes_into_the_red_rack() -> None:
    given = filled_with(NITROX).do(analyse(36.0), bleed())
    given.when(abandon()).is_refused_for("abandon.filled")
    given.when(rack_it()).makes(f.VisitRefused, f.VisitAbandoned)


def test_measuring_again_does_not_put_the_cylinder_back_on_its_whip() -> None:
    given = filled_with(NITROX).do(analyse(32.0), bleed(), reopen("analyse"))
    assert given.visit().is_bled
    assert given.visit().holds_whip is None


def test_a_block_before_the_analysis_still_lets_the_whip_be_bled() -> None:
    given = filled_with(NITROX).but(condemned())
    given.when(analyse(32)).is_refused_for("standing.cylinder.condemned")
    given.do(bleed()).when(rack_it()).makes(f.VisitRefused, f.VisitAbandoned)


def test_a_hold_in_mid_fill_stops_it() -> None:
    given = FILLING.do(hold_it())
    given.when(complete()).is_refused_for("visit.held", "standing.cylinder.hold_placed")
    given.when(stop()).makes(f.FillAborted)


def test_a_second_look_at_standing_dates_and_rating_is_not_skipped_by_going_back() -> None:
    given = up_to("target").do(bleed(), reopen("standing"))
    given.when(connect_whip()).is_refused_for("visit.order")
    given.but(rejected()).when(see_standing()).is_refused_for("standing.cylinder.rejected")
    given.do(see_standing()).when(read_dates()).is_refused_for("visit.order")
    given.do(see_standing()).when(read_rating()).is_refused_for("visit.order")
