"""Looking it over: outside, dates, rating blind, the network's standing, the age of the news, holds and second thoughts."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from pydantic import ValidationError
from tests.cylinder.given import (
    INSPECTOR,
    KNOWN,
    LAPSED,
    MANAGER,
    OFFICER,
    VISIT,
    Given,
    a_fact,
    abandon,
    an_id,
    authorise,
    bar,
    bleed,
    blow_out,
    condemned,
    connect_whip,
    failed,
    greet,
    held,
    hold_it,
    identify,
    look_over,
    marked,
    psi,
    rack_it,
    rating_read,
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
    tape,
    up_to,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.decide import decide
from cylinder.marks import KeyedPressure
from cylinder.refusal import Refused
from cylinder.standing import Standing

WEEK_AND_MORE = dt.timedelta(days=7, minutes=1)


def test_a_sound_outside_is_recorded() -> None:
    up_to("outside").when(look_over()).makes(f.OutsideLookedOver)


def test_an_outside_that_is_not_sound_puts_the_cylinder_on_hold_in_every_shop() -> None:
    made = (
        up_to("outside")
        .when(look_over(sound=False, note="Bulge"))
        .makes(f.OutsideLookedOver, f.HoldPlaced, f.VisitHeld)
    )
    assert made[1].subject == f"cylinder/{KNOWN}"


def test_not_sound_needs_to_say_what_is_wrong() -> None:
    up_to("outside").when(look_over(sound=False)).is_refused_for("outside.say-what")


@pytest.mark.parametrize(
    ("requalified", "looked_inside", "rule_ids"),
    [
        ("2026-07", "2026-01", ["dates.requalified-ahead"]),
        ("2024-03", "2026-07", ["dates.inside-ahead"]),
        ("2026-07", "2026-07", ["dates.requalified-ahead", "dates.inside-ahead"]),
        ("2018-03", "2026-01", ["dates.requalified-before-first-test"]),
        (None, "2018-03", ["dates.inside-before-first-test"]),
    ],
)
def test_dates_that_cannot_be_are_refused(
    requalified: str | None, looked_inside: str, rule_ids: list[str]
) -> None:
    up_to("dates").when(read_dates(requalified, looked_inside)).is_refused_for(*rule_ids)


def test_month_13_never_reaches_a_decision() -> None:
    with pytest.raises(ValidationError):
        read_dates("2024-13")


@pytest.mark.parametrize(
    ("requalified", "looked_inside", "rule_id"),
    [
        ("2021-05", "2026-01", "us.requalification.overdue"),  # 49 CFR 180.209(a) Table 1: 5 years.
        (None, "2026-01", "us.requalification.overdue"),  # First test 2019-03 counts, and is past too.
        ("2024-03", "2025-05", "us.visual.overdue"),
        ("2024-03", None, "us.visual.unread"),
    ],
)
def test_overdue_dates_stop_at_the_standing_and_again_before_the_fill(
    requalified: str | None, looked_inside: str | None, rule_id: str
) -> None:
    given = up_to("dates").do(read_dates(requalified, looked_inside), read_rating())
    given.when(see_standing()).is_refused_for(rule_id)


def test_a_due_month_counts_to_its_last_day() -> None:
    up_to("dates").do(read_dates("2021-06", "2025-06"), read_rating()).when(see_standing()).makes(
        f.StandingSeen
    )


def test_a_date_that_runs_out_during_the_visit_stops_the_fill() -> None:
    given = up_to("dates").do(read_dates("2021-06"), read_rating(), see_standing(), send_people_out())
    given = given.do(blow_out(), connect_whip(), read_residual()).later(days=16).do(send_people_out(None))
    given.when(authorise()).is_refused_for("us.requalification.overdue")


def test_the_benchs_own_later_record_counts() -> None:
    passed = a_fact(f.VisualPassed(), "passed", performed_on=dt.date(2026, 5, 2))
    given = up_to("dates", Given((registered(), passed))).do(read_dates("2024-03", None), read_rating())
    given.when(see_standing()).makes(f.StandingSeen)


def test_a_record_by_somebody_who_may_not_inspect_makes_no_date_good() -> None:
    passed = a_fact(f.VisualPassed(), "passed", actor=MANAGER, performed_on=dt.date(2026, 5, 2))
    given = up_to("dates", Given((registered(), passed))).do(read_dates("2024-03", None), read_rating())
    given.when(see_standing()).is_refused_for("us.visual.unread")


def test_a_cylinder_said_to_be_of_two_types_is_held_to_the_stricter_period() -> None:
    given = Given((registered(),)).do(greet(), identify(marked(spec="ISO 7866"), second="B0471"), look_over())
    given = given.do(read_dates("2020-03"), read_rating(bar(207)))
    # As a UN cylinder it needs its country of approval as well, 49 CFR 171.23(a)(2)(iv), and nobody has read one.
    given.when(see_standing()).is_refused_for("us.requalification.overdue", "us.spec.un_country")


def test_the_rating_is_recorded_as_it_was_read() -> None:
    made = up_to("rating").when(read_rating(bar(207))).makes(f.RatingRead)[0].fact
    assert isinstance(made, f.RatingRead)
    assert (made.rated, made.on_record, made.agrees) == (bar(207), None, True)


@pytest.mark.parametrize("rated", [psi(3000), bar(207)])
def test_the_same_rating_in_the_other_unit_agrees(rated: KeyedPressure) -> None:
    given = up_to("rating", Given((registered(), rating_read(psi(3000)))))
    given.when(read_rating(rated)).makes(f.RatingRead)


def test_a_rating_that_differs_from_the_record_is_a_hold_and_never_an_average() -> None:
    given = up_to("rating", Given((registered(), rating_read(psi(3000)))))
    made = given.when(read_rating(psi(3442))).makes(f.RatingRead, f.HoldPlaced, f.VisitHeld)
    assert isinstance(made[0].fact, f.RatingRead)
    assert not made[0].fact.agrees


def test_an_answered_hold_does_not_make_the_higher_of_two_ratings_good() -> None:
    given = up_to("rating", Given((registered(), rating_read(psi(3000))))).do(read_rating(psi(3442)))
    given = given.by(INSPECTOR).do(resume(), see_standing(), send_people_out(), blow_out(), connect_whip())
    given.do(read_residual()).when(authorise(psi(3442))).is_refused_for("rating.differs")


def test_a_wrong_rating_on_record_is_put_right_at_the_bench() -> None:
    given = up_to("rating", Given((registered(), rating_read(psi(3000))))).do(read_rating(psi(3442)))
    passed = c.PassVisual(
        key=an_id("pass"), cylinder_id=KNOWN, performed_on=given.now.date(), rated=psi(3442)
    )
    given = given.by(INSPECTOR).do(passed, resume(), see_standing(), send_people_out(), blow_out())
    given = given.do(connect_whip(), read_residual())
    given.when(authorise(psi(3442))).makes(f.FillAuthorised)


@pytest.mark.parametrize("rated", [bar(3000), psi(207)])
def test_3000_keyed_as_bar_and_207_keyed_as_psi_ask_for_the_unit(rated: KeyedPressure) -> None:
    up_to("rating").when(read_rating(rated)).is_refused_for("rating.unit")


def test_being_sure_of_3000_bar_does_not_help() -> None:
    up_to("rating").when(read_rating(bar(3000), sure=True)).is_refused_for("us.rating.beyond_use")


def test_being_sure_of_207_psi_is_a_hold() -> None:
    up_to("rating").when(read_rating(psi(207), sure=True)).makes(f.RatingRead, f.HoldPlaced, f.VisitHeld)


def test_a_rating_of_nothing_was_not_read() -> None:
    up_to("rating").when(read_rating(psi(0))).is_refused_for("us.rating.unread")


def test_a_clear_standing_is_seen_with_the_age_of_the_news() -> None:
    made = up_to("standing").when(see_standing("just in case")).makes(f.StandingSeen)[0].fact
    assert made == f.StandingSeen(visit_id=VISIT, news_age_s=300, supervised="")


def test_every_reason_is_given_at_once() -> None:
    given = up_to("dates").do(read_dates("2021-05", None), read_rating()).with_news(WEEK_AND_MORE)
    given.when(see_standing()).is_refused_for(
        "us.requalification.overdue", "us.visual.unread", "standing.news-too-old"
    )


def test_every_block_is_a_reason_condemnations_first() -> None:
    given = up_to("standing").but(held(), failed(), rejected(), condemned())
    reasons = given.when(see_standing()).is_refused_for(
        "standing.cylinder.condemned",
        "standing.cylinder.rejected",
        "standing.cylinder.visual_failed",
        "standing.cylinder.hold_placed",
    )
    assert reasons[0].words == "Condemned on 15 June 2026 at le-phare: Crack across the neck threads"
    assert reasons[0].source.startswith("49 CFR 180.205(i)(1)(iii)")


@pytest.mark.parametrize(
    "age", [None, WEEK_AND_MORE, dt.timedelta(minutes=-5)], ids=["never", "week", "ahead of now"]
)
def test_news_too_old_or_of_unknown_age_stops_everybody(age: dt.timedelta | None) -> None:
    up_to("standing").with_news(age).when(see_standing()).is_refused_for("standing.news-too-old")


def test_a_manager_goes_on_with_a_reason_and_an_operator_does_not() -> None:
    given = up_to("standing").with_news(WEEK_AND_MORE)
    given.when(see_standing("Line down")).is_refused_for("standing.news-too-old")
    given.by(MANAGER).when(see_standing()).is_refused_for("standing.news-too-old")
    made = given.by(MANAGER).when(see_standing("Line down")).makes(f.StandingSeen)[0].fact
    assert isinstance(made, f.StandingSeen)
    assert made.supervised == "Line down"


def test_a_shop_that_never_heard_the_network_fills_for_no_manager() -> None:
    up_to("standing").with_news(None).by(MANAGER).when(see_standing("Line down")).is_refused_for(
        "standing.news-too-old"
    )


def test_a_supervised_override_is_the_managers_own_up_to_the_fill() -> None:
    given = up_to("standing").with_news(WEEK_AND_MORE).by(MANAGER).do(see_standing("Line down"))
    given = given.do(send_people_out(), blow_out(), connect_whip(), read_residual())
    given.when(authorise()).makes(f.FillAuthorised)
    given.by(INSPECTOR).when(authorise()).is_refused_for("standing.news-too-old")


def test_a_standing_that_was_not_found_counts_as_a_block() -> None:
    given = up_to("standing")
    found_nothing = replace(given.around(see_standing()), standing=None)
    another = replace(found_nothing, standing=Standing(cylinder_id=an_id("another"), marks=(marked(),)))
    empty = replace(found_nothing, standing=Standing(cylinder_id=KNOWN))
    for around in (found_nothing, another, empty):
        with pytest.raises(Refused) as refused:
            decide(given.visit(), see_standing(), around)
        assert [reason.rule_id for reason in refused.value.reasons] == ["standing.not-found"]


def test_a_condemned_serial_is_identified_and_then_only_what_is_safe_goes_on() -> None:
    given = Given((registered(), condemned())).do(greet(), identify())
    given.when(look_over()).is_refused_for("standing.cylinder.condemned")
    given.when(see_standing()).is_refused_for("visit.order", "standing.cylinder.condemned")
    given.when(abandon()).makes(f.VisitAbandoned)
    given.when(rack_it()).makes(f.VisitRefused, f.VisitAbandoned)
    given.when(reopen("identify")).makes(f.StepReopened)
    given.when(hold_it()).makes(f.HoldPlaced, f.VisitHeld)
    given.do(hold_it()).when(look_over()).is_refused_for(
        "standing.cylinder.condemned", "standing.cylinder.hold_placed", "visit.held"
    )


@pytest.mark.parametrize(
    ("step", "command"),
    [
        ("outside", look_over()),
        ("dates", read_dates()),
        ("rating", read_rating()),
        ("standing", see_standing()),
        ("people_out", send_people_out()),
        ("blow_out", blow_out()),
        ("whip", connect_whip()),
        ("residual", read_residual()),
        ("target", authorise()),
        ("bleed", None),
        ("tape", tape()),
        ("set_down", set_down()),
    ],
)
def test_a_condemnation_next_door_stops_the_visit_at_whatever_step_it_stands(
    step: f.StepName, command: c.Command | None
) -> None:
    given = up_to(step).but(condemned())
    if command is None:  # Bleeding makes it safe: that is always allowed.
        given.when(bleed()).makes(f.WhipBled)
    else:
        given.when(command).is_refused_for("standing.cylinder.condemned")


@pytest.mark.parametrize(
    ("step", "command", "missing"),
    [
        ("outside", read_dates(), "look over the outside"),
        ("standing", connect_whip(), "ask the network, then send people out, then blow out the valve"),
        ("outside", authorise(), "look over the outside, then read the dates"),
        ("target", tape(), "set the target, then fill, then bleed the whip"),
    ],
)
def test_no_step_can_be_skipped_and_the_refusal_says_which(
    step: f.StepName, command: c.Command, missing: str
) -> None:
    outcome = up_to(step).when(command)
    outcome.is_refused_for("visit.order")
    assert f"Before that: {missing}" in outcome.words


def test_an_answer_is_not_given_twice() -> None:
    up_to("rating").when(look_over()).is_refused_for("visit.order")


def test_an_answer_for_a_page_that_has_moved_on_is_refused() -> None:
    given = up_to("rating")
    old = read_rating().model_copy(update={"version": given.visit().version - 1})
    now = read_rating().model_copy(update={"version": given.visit().version})
    given.when(old).is_refused_for("visit.moved-on")
    given.when(now).makes(f.RatingRead)


def test_a_visit_that_has_ended_takes_no_more_answers() -> None:
    up_to("outside").do(abandon()).when(look_over()).is_refused_for("visit.closed")


def test_a_hold_by_hand_stops_the_visit_and_an_operator_cannot_lift_it() -> None:
    given = up_to("outside").do(hold_it())
    given.when(look_over()).is_refused_for("visit.held", "standing.cylinder.hold_placed")
    given.when(resume()).is_refused_for("bench.inspector")
    given.by(MANAGER).when(resume()).is_refused_for("bench.inspector")
    given.by(OFFICER).when(resume()).is_refused_for("bench.inspector")
    given.by(LAPSED).when(resume()).is_refused_for("bench.certificate")


def test_an_inspectors_finding_lifts_the_hold_of_this_visit_by_name() -> None:
    given = up_to("outside").do(hold_it()).by(INSPECTOR)
    made = given.when(resume()).makes(f.HoldReleased, f.VisitResumed)
    assert made[0].clears == (given.standing().blocks[0].id,)
    given.do(resume()).when(look_over()).makes(f.OutsideLookedOver)


def test_a_hold_placed_elsewhere_is_not_lifted_by_resuming_this_visit() -> None:
    given = up_to("outside").do(hold_it()).but(held()).by(INSPECTOR)
    given.when(resume()).is_refused_for("standing.cylinder.hold_placed")


def test_a_held_visit_of_a_condemned_cylinder_is_not_resumed() -> None:
    given = up_to("outside").do(hold_it()).but(condemned()).by(INSPECTOR)
    given.when(resume()).is_refused_for("standing.cylinder.condemned")


def test_once_the_bench_has_answered_anybody_may_go_on() -> None:
    given = up_to("outside").do(hold_it())
    block = given.standing().blocks[0].id
    release = c.ReleaseHold(key=an_id("release"), cylinder_id=KNOWN, block_id=block, finding="Only paint")
    given.by(INSPECTOR).do(release).by(given.actor).when(resume()).makes(f.VisitResumed)


def test_a_visit_that_is_not_held_is_not_resumed() -> None:
    up_to("outside").when(resume()).is_refused_for("visit.not-held")


def test_taking_an_answer_back_takes_back_all_after_it() -> None:
    state = up_to("people_out").do(reopen("dates")).visit()
    assert (state.step, state.outside is None, state.rating, state.standing_seen) == (
        "dates",
        False,
        None,
        None,
    )


def test_taking_an_answer_back_leaves_the_hold_in_place() -> None:
    given = up_to("outside").do(look_over(sound=False, note="Dent"), reopen("outside"))
    given.when(look_over()).is_refused_for("visit.held", "standing.cylinder.hold_placed")


def test_a_step_without_an_answer_has_nothing_to_take_back() -> None:
    up_to("dates").when(reopen("rating")).is_refused_for("reopen.not-yet")
