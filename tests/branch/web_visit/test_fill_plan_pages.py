"""The fill plan at the tablet: one field more, a plan before the valve opens, readings beside it, and what it settled to."""

from __future__ import annotations

import datetime as dt
import uuid

import httpx
import pytest
from tests.branch.a_shop import MARKS
from tests.branch.web_floor.conftest import Tablet
from tests.branch.web_visit.conftest import AtVisit, question

from branch.web.pages.steps_target import DEGREES_COOKIE
from cylinder import commands as c
from cylinder import facts as f
from cylinder.fill_plan import plan_of
from cylinder.marks import KeyedPressure


def psi(value: float) -> KeyedPressure:
    return KeyedPressure(value=value, unit="psi")


def started(visit: AtVisit, *, room: str = "34", degrees: str = "c", litre: str = "11.1") -> f.FillPlanned:
    """Start the fill at the tablet and give back its plan."""
    visit.up_to("target")
    visit.recorded("target", target="3000", unit="psi", room=room, degrees=degrees, litre=litre)
    plan = plan_of(visit.shop.visit(visit.id))
    assert plan is not None
    return plan


def later(visit: AtVisit, **by: float) -> None:
    """The clock moves on, and whoever works at the tablet signs in again."""
    visit.shop.clock.move(dt.timedelta(**by))
    assert visit.tablet.sign_in().status_code == 303


def sent(tablet: Tablet, visit: AtVisit, value: float) -> httpx.Response:
    """What a gauge sends."""
    body = {"key": str(uuid.uuid4()), "reading": {"value": value, "unit": "psi"}}
    answer = tablet.client.post(f"/api/visits/{visit.id}/readings", json=body)
    assert isinstance(answer, httpx.Response)
    return answer


def test_the_plan_is_shown_before_anything_is_recorded_and_says_how_sure_it_is(visit: AtVisit) -> None:
    visit.up_to("target")
    before = visit.tablet.facts()
    page = visit.answer("target", look="3000", unit="psi", room="34", degrees="c", litre="11.1").text
    assert "Stop the gauge at <b>3" in page
    assert "give or take" in page
    assert "Estimates by a heat model that was never checked against a measured fill." in page
    assert visit.tablet.facts() == before


def test_a_preset_is_in_the_unit_of_the_stamp_whatever_the_switch_says(visit: AtVisit) -> None:
    visit.up_to("target")
    looked = visit.answer("target", look="2700", unit="bar", room="", degrees="c")
    assert looked.status_code == 200
    assert visit.tablet.send(looked, f"{visit.here}/target").status_code == 303
    started = visit.shop.visit(visit.id).authorised
    assert started is not None
    assert started.target == psi(2700)


def test_one_field_is_enough_and_is_offered_again_to_the_next_cylinder(visit: AtVisit) -> None:
    started(visit, room="93", degrees="f")
    shop = visit.shop
    shop.up_to("done", visit_id=visit.id)
    later(visit, minutes=25)
    other = AtVisit(visit.tablet, shop.greet(tag=15)).up_to("target")
    page = other.look().text
    assert 'value="93"' in page
    assert "Keyed here <b" in page
    assert "11.1 litres, 290 psi a minute" in page  # The same marks: its size is on record.
    later(visit, hours=5)
    assert 'value="93"' not in other.look().text


def test_the_water_capacity_that_was_typed_off_the_shoulder_is_offered(tablet: Tablet) -> None:
    shop = tablet.shop
    visit = AtVisit(tablet, shop.greet())
    typed = "DOT-3AL3000 K40718 ZQ 07 21 11.1L"
    shop.do(c.Identify, visit_id=visit.id, marks=MARKS, shoulder=typed)
    page = visit.up_to("target").look().text
    assert "As typed off the shoulder" in page
    assert 'value="11.1"' in page


def test_the_scale_of_the_thermometer_is_remembered_on_this_device(visit: AtVisit) -> None:
    plan = started(visit, room="93.2", degrees="f")
    assert plan.room_c == pytest.approx(34.0)
    assert visit.tablet.client.cookies[DEGREES_COOKIE] == "f"


def test_without_a_temperature_the_cautious_plan_says_so(visit: AtVisit) -> None:
    visit.up_to("target")
    page = visit.answer("target", look="3000", unit="psi", room="", litre="11.1").text
    assert "No temperature was read, so this is the cautious plan" in page
    assert "3000 psi at the most; how much less is not known" in page


@pytest.mark.parametrize(
    ("keyed", "said"),
    [
        ({"room": "-40", "degrees": "c"}, "is no temperature to fill at"),
        ({"room": "mild"}, "this should be a valid number"),
        ({"room": "nan"}, "finite number"),
        ({"litre": "80"}, "80 litres is no size of a cylinder"),
        ({"rate": "fast"}, "this should be a valid number"),
        ({"target": "400", "unit": "bar"}, "400 bar asked"),
        ({"target": "0"}, "target above zero"),
        ({"target": "full"}, "this should be a valid number"),
    ],
)
def test_bad_figures_are_answered_in_words_and_nothing_is_recorded(
    visit: AtVisit, keyed: dict[str, str], said: str
) -> None:
    visit.up_to("target")
    before = visit.tablet.facts()
    answered = visit.answer("target", **{"target": "3000", "unit": "psi", **keyed})
    assert answered.status_code in (409, 422)
    assert said in answered.text
    assert visit.tablet.facts() == before


def test_a_room_above_40_degrees_is_asked_about_and_then_believed(visit: AtVisit) -> None:
    visit.up_to("target")
    asked = visit.answer("target", target="3000", unit="psi", room="110", degrees="f", litre="11.1")
    assert "43 °C (110 °F) is hot for a room" in asked.text
    assert "It is that hot" in asked.text
    sure = visit.tablet.send(asked, f"{visit.here}/target", room_is_sure="yes")
    assert sure.status_code == 303
    assert visit.step == "fill"


def test_the_curve_runs_beside_the_plan_and_words_follow_the_gauge(visit: AtVisit) -> None:
    plan = started(visit)
    assert question(visit.look()) == f"Stop at {plan.stop.words}"
    shop = visit.shop
    for minutes, value in ((2, 1200), (3, 2100)):
        shop.clock.move(dt.timedelta(minutes=minutes))
        shop.do(c.TakeReading, visit_id=visit.id, reading=psi(value))
    page = visit.look().text
    assert "chart-plan" in page
    assert "300 psi a minute is faster than the" not in page
    shop.clock.move(dt.timedelta(minutes=1))
    shop.do(c.TakeReading, visit_id=visit.id, reading=psi(2900))
    assert (
        "800 psi a minute is faster than the 580 psi a minute of the shop&#39;s policy." in visit.look().text
    )
    shop.clock.move(dt.timedelta(seconds=30))
    shop.do(c.TakeReading, visit_id=visit.id, reading=psi(2700))
    assert "The gauge fell from 2900 psi to 2700 psi while filling" in visit.look().text
    shop.clock.move(dt.timedelta(minutes=2))
    shop.do(c.TakeReading, visit_id=visit.id, reading=plan.stop)
    assert "At the gauge to stop at. Close the valves" in visit.look().text


def test_a_reading_above_the_gauge_to_stop_at_says_not_to_bleed_it_in_a_hurry(visit: AtVisit) -> None:
    plan = started(visit)
    visit.recorded("fill/reading", page="/fill/reading", gauge=f"{plan.stop.value + 60:g}", unit="psi")
    page = visit.look().text
    assert "too much. Close the cylinder valve and the station valve now." in page
    assert "Do not bleed it in a hurry because it is warm" in page


def test_a_gauge_sends_its_readings_and_is_told_when_to_stop(tablet: Tablet, visit: AtVisit) -> None:
    plan = started(visit)
    shop = visit.shop
    shop.clock.move(dt.timedelta(minutes=1))
    first = sent(tablet, visit, 900).json()
    assert (first["is_kept"], first["must_stop"], first["stop"]["value"]) == (True, False, plan.stop.value)
    before = tablet.facts()
    shop.clock.move(dt.timedelta(seconds=2))
    assert sent(tablet, visit, 910).json()["is_kept"] is False
    assert tablet.facts() == before
    fell = sent(tablet, visit, 700).json()
    assert (fell["is_kept"], fell["must_stop"]) == (True, True)
    later(visit, minutes=9)
    assert sent(tablet, visit, plan.stop.value).json()["is_reached"] is True
    shop.clock.move(dt.timedelta(seconds=1))
    over = sent(tablet, visit, plan.stop.value + 40).json()
    assert (over["is_kept"], over["must_stop"]) == (True, True)


def test_a_gauge_needs_the_session_of_the_tablet_and_an_open_fill(tablet: Tablet, visit: AtVisit) -> None:
    visit.up_to("target")
    assert sent(tablet, visit, 900).status_code == 409
    started(visit)
    tablet.client.cookies.clear()
    assert sent(tablet, visit, 900).status_code == 401


def test_a_fill_is_ended_though_the_gauge_sent_a_reading_since_the_page_was_opened(
    tablet: Tablet, visit: AtVisit
) -> None:
    started(visit)
    pad = visit.look("/fill/reached")
    visit.shop.clock.move(dt.timedelta(minutes=4))
    assert sent(tablet, visit, 2900).json()["is_kept"]
    assert tablet.send(pad, f"{visit.here}/fill/reached", gauge="3000", unit="psi").status_code == 303
    assert visit.shop.visit(visit.id).completed is not None


def test_a_settled_reading_is_keyed_while_it_waits_and_its_lesson_is_said(visit: AtVisit) -> None:
    plan = started(visit)
    visit.shop.clock.move(dt.timedelta(minutes=round(plan.minutes)))
    visit.shop.do(c.CompleteFill, visit_id=visit.id, end=plan.stop)
    visit.up_to("hand_over")
    later(visit, minutes=1)
    page = visit.look().text
    assert f"{visit.here}/settled" in page
    assert "give or take 90 psi (estimate)" in page
    early = visit.answer("settled", page="/settled", settled="2900", unit="psi", wall="21", degrees="c")
    assert "It is still warm inside" in early.text
    later(visit, hours=2)
    assert "Three such readings begin to correct" in visit.look("/settled").text
    visit.recorded("settled", page="/settled", settled="2900", unit="psi", wall="69.8", degrees="f")
    settled = visit.shop.visit(visit.id).settled
    assert settled is not None
    assert settled.wall_c == pytest.approx(21.0)
    assert settled.foreseen_bar is not None
    assert "1 settled reading so far" in visit.look("/settled").text
