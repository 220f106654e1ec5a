"""A fill is planned from this cylinder's rating, the temperature that was read, its size and the rate; and it settles later."""

from __future__ import annotations

import pytest
from tests.cylinder.given import (
    RULES,
    VISIT,
    Given,
    an_id,
    authorise,
    bar,
    complete,
    hand_over,
    psi,
    stop,
    take_reading,
    up_to,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.fill_plan import limits, most_on_gauge, plan_of
from cylinder.marks import KeyedPressure
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, REFERENCE_21_C, Temperature
from gas.states import at_temperature

AT_TARGET = up_to("target")


def planned(
    room_c: float | None = 34.0,
    litre: float | None = 11.1,
    rate: float | None = None,
    *,
    target: KeyedPressure | None = None,
    sure: bool = False,
) -> c.Authorise:
    """Start the fill to a plan for these conditions."""
    conditions = c.FillConditions(room_c=room_c, volume_litre=litre, rate_bar_per_min=rate, room_is_sure=sure)
    return authorise(target).model_copy(update={"conditions": conditions})


def read_settled(settled: KeyedPressure, wall_c: float = 21.0) -> c.ReadSettled:
    """Key the gauge of the cooled cylinder."""
    return c.ReadSettled(key=an_id("settled"), visit_id=VISIT, settled=settled, wall_c=wall_c)


def plan(given: Given) -> f.FillPlanned:
    """The plan of the fill that was started."""
    found = plan_of(given.visit())
    assert found is not None
    return found


def filled(room_c: float = 34.0, minutes: float = 9.0) -> Given:
    """A cylinder filled to its plan in so many minutes."""
    started = AT_TARGET.do(planned(room_c))
    return started.later(minutes=minutes).do(complete(plan(started).stop))


def test_on_a_hot_day_the_gauge_to_stop_at_is_above_the_rating_and_settles_below_it() -> None:
    made = plan(AT_TARGET.do(planned(34.0)))
    assert made.stop.value > 3000
    assert made.settles_to_bar is not None
    assert made.settles_within_bar is not None
    assert made.settles_to_bar < psi(3000).pressure.bar
    # 49 CFR 173.301a(c): what it holds is at 21 °C no more than the service pressure, were the gas as cold as the guess allows.
    assert made.rise_kelvin is not None
    assert made.rise_within_kelvin is not None
    coldest = Temperature.of_c(34.0 + made.rise_kelvin - made.rise_within_kelvin)
    assert at_temperature(made.stop.pressure, DRY_AIR, at=coldest, then=REFERENCE_21_C).psi <= 3000.5


def test_in_a_cold_room_the_gauge_to_stop_at_is_below_the_rating() -> None:
    cold = AT_TARGET.do(planned(5.0, rate=4))
    assert plan(cold).stop.value < 3000
    outcome = cold.when(complete(psi(3000)))
    assert [type(fact) for fact in (new.fact for new in outcome.facts)] == [
        f.FillCompleted,
        f.HoldPlaced,
        f.VisitHeld,
    ]


def test_without_a_thermometer_no_warmth_is_counted_and_the_rating_stays_the_limit() -> None:
    started = AT_TARGET.do(planned(None, 11.1))
    made = plan(started)
    assert made.stop.value < 3000
    assert (made.rise_kelvin, made.settles_to_bar) == (None, None)
    assert len(started.when(complete(psi(3000))).facts) == 1
    assert len(started.when(complete(psi(3001))).facts) == 3


def test_without_a_size_no_warmth_is_counted() -> None:
    assert plan(AT_TARGET.do(planned(34.0, None))).stop.value < plan(AT_TARGET.do(planned(34.0))).stop.value


def test_slower_is_cooler_and_stops_lower() -> None:
    slow, fast = (plan(AT_TARGET.do(planned(rate=rate))) for rate in (5.0, 40.0))
    assert (slow.rise_kelvin or 0) < (fast.rise_kelvin or 0)
    assert slow.stop.value < fast.stop.value
    assert slow.minutes > fast.minutes


def test_less_than_the_rating_may_be_asked_for() -> None:
    assert plan(AT_TARGET.do(planned(target=psi(2700)))).stop.value < plan(AT_TARGET.do(planned())).stop.value


def test_a_fill_without_conditions_is_stored_as_it_always_was() -> None:
    started = AT_TARGET.do(authorise())
    assert type(started.visit().authorised) is f.FillAuthorised
    assert most_on_gauge(started.visit()) == psi(3000).pressure


@pytest.mark.parametrize(
    ("asked", "rule", "said"),
    [
        (planned(-40.0), "fill.room", "-40 °C (-40 °F) is no temperature to fill at"),
        (planned(75.0), "fill.room", "75 °C (167 °F) is no temperature to fill at"),
        (planned(45.0), "fill.room-hot", "45 °C (113 °F) is hot for a room"),
        (planned(litre=0.0), "fill.size", "0 litres is no size of a cylinder"),
        (planned(litre=80.0), "fill.size", "80 litres is no size of a cylinder"),
        (planned(rate=0.0), "fill.rate", "0 bar a minute is no rate of a fill"),
        (planned(rate=4000.0), "fill.rate", "4000 bar a minute is no rate of a fill"),
        (planned(target=bar(400)), "us.fill.limit", "400 bar asked"),
        (planned(target=bar(0)), "us.fill.no_target", "target above zero"),
    ],
)
def test_bad_figures_get_clear_words_and_no_plan(asked: c.Authorise, rule: str, said: str) -> None:
    outcome = AT_TARGET.when(asked)
    assert outcome.facts == ()
    assert rule in {reason.rule_id for reason in outcome.reasons}
    assert said in " ".join(reason.words for reason in outcome.reasons)


def test_a_hot_room_that_somebody_is_sure_of_is_planned_for() -> None:
    assert plan(AT_TARGET.do(planned(45.0, sure=True))).stop.value > 3000


def test_what_is_full_already_gets_no_plan() -> None:
    outcome = (
        up_to("residual")
        .do(c.ReadResidual(key=an_id("residual"), visit_id=VISIT, residual=psi(2950)))
        .when(planned(5.0))
    )
    assert {reason.rule_id for reason in outcome.reasons} == {"fill.no-plan"}
    assert "as full as it may be" in outcome.words


def test_without_a_thermometer_a_nearly_full_cylinder_asks_for_one() -> None:
    outcome = (
        up_to("residual")
        .do(c.ReadResidual(key=an_id("residual"), visit_id=VISIT, residual=psi(2950)))
        .when(planned(None))
    )
    assert {reason.rule_id for reason in outcome.reasons} == {"fill.no-plan"}
    assert "read a thermometer" in outcome.words


def test_above_the_gauge_to_stop_at_the_cylinder_is_held_however_the_fill_ends() -> None:
    started = AT_TARGET.do(planned(34.0))
    over = psi(plan(started).stop.value + 40)
    assert f.HoldPlaced in {type(new.fact) for new in started.when(complete(over)).facts}
    assert f.HoldPlaced in {type(new.fact) for new in started.when(stop(over)).facts}
    assert started.when(take_reading(over)).facts
    assert len(started.when(complete(plan(started).stop)).facts) == 1


def test_no_limit_is_above_the_rating_since_a_visit_reads_no_plus() -> None:
    # 49 CFR 173.302a(b): ten per cent more only with a plus behind the latest test date.
    found = limits(RULES, "3AA", Pressure(2400, "psi"), Pressure(2640, "psi"))
    assert [limit.gauge for limit in found] == [Pressure(2400, "psi"), Pressure(3000, "psi")]
    assert [limit.at.c for limit in found] == pytest.approx([21, 55])


def test_a_settled_reading_is_kept_with_what_the_model_foresaw() -> None:
    outcome = filled().later(hours=3).when(read_settled(psi(2900)))
    (settled,) = (new.fact for new in outcome.facts)
    assert isinstance(settled, f.SettledRead)
    assert settled.came_to_bar == pytest.approx(psi(2900).pressure.bar, abs=0.01)
    assert settled.foreseen_bar is not None
    assert settled.foreseen_rise_kelvin is not None
    assert settled.foreseen_bar < psi(3000).pressure.bar


def test_a_settled_reading_of_an_unplanned_fill_teaches_nothing() -> None:
    unplanned = AT_TARGET.do(authorise()).later(minutes=9).do(complete(psi(3000))).later(hours=3)
    (settled,) = (new.fact for new in unplanned.when(read_settled(psi(2900))).facts)
    assert isinstance(settled, f.SettledRead)
    assert settled.foreseen_bar is None


def test_a_settled_reading_of_too_much_gas_holds_the_cylinder() -> None:
    outcome = filled().later(hours=3).when(read_settled(psi(3000), wall_c=10.0))
    assert [type(new.fact) for new in outcome.facts] == [f.SettledRead, f.HoldPlaced, f.VisitHeld]


@pytest.mark.parametrize(
    ("hours", "asked", "rule"),
    [
        (0.1, read_settled(psi(2900)), "settled.warm"),
        (3.0, read_settled(psi(2900), -40.0), "settled.wall"),
        (3.0, read_settled(psi(0)), "settled.empty"),
        (3.0, read_settled(bar(400)), "settled.above-end"),
    ],
)
def test_a_settled_reading_that_cannot_be_is_refused(hours: float, asked: c.ReadSettled, rule: str) -> None:
    assert {reason.rule_id for reason in filled().later(hours=hours).when(asked).reasons} == {rule}


def test_what_was_never_filled_has_nothing_to_settle() -> None:
    outcome = AT_TARGET.when(read_settled(psi(2900)))
    assert {reason.rule_id for reason in outcome.reasons} == {"settled.not-filled"}


def test_what_has_left_the_floor_is_not_read_any_more() -> None:
    gone = up_to("hand_over").do(hand_over())
    assert gone.when(read_settled(psi(2900))).reasons
