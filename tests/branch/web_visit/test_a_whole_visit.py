"""From the marks to the floor slot through the forms of a browser without script, on a real node."""

from __future__ import annotations

import datetime as dt

from tests.branch.web_floor.conftest import Tablet, a_tablet, air
from tests.branch.web_visit.conftest import FIRST_TEST, IDENTITY, AtVisit, question

from cylinder import commands as c
from cylinder.marks import GasWanted, KeyedPressure


def test_a_visit_goes_from_the_marks_to_the_floor_slot_by_its_forms(visit: AtVisit) -> None:
    first = visit.answer("identify", **IDENTITY)
    assert question(first) == "Read its first test date"
    done = visit.tablet.send(first, f"{visit.here}/identify", **FIRST_TEST)
    assert (done.status_code, visit.step) == (303, "outside")
    visit.recorded("outside", sound="yes", note="scuff at the boot")
    second = visit.answer("dates", requalified_month="5", requalified_year="2024")
    assert question(second) == "Read the sticker of the last look inside"
    done = visit.tablet.send(second, f"{visit.here}/dates", inside_month="2", inside_year="2026")
    assert (done.status_code, visit.step) == (303, "rating")
    visit.recorded("rating", rated="3000", unit="psi")
    standing = visit.look().text
    assert "No shop has condemned this cylinder" in standing
    assert "Good to the end of May 2029" in standing
    visit.recorded("standing")
    visit.recorded("people_out", people="out")
    visit.recorded("blow_out", is_blown_out="yes", o_ring="good")
    visit.recorded("whip", whip="2")
    visit.recorded("residual", residual="620", unit="psi")
    visit.recorded("target", target="3000", unit="psi")
    visit.shop.clock.move(dt.timedelta(minutes=5))
    visit.recorded("fill/reading", page="/fill/reading", gauge="1770", unit="psi")
    filling = visit.look().text
    assert "About 5 min to go at 230 psi a minute (estimate)." in filling
    visit.recorded("fill/reached", page="/fill/reached", gauge="2990", unit="psi")
    visit.recorded("bleed")
    assert "14 · FULL · 2990 psi · Air" in visit.look().text
    visit.recorded("tape")
    visit.recorded("set_down", slot="7")
    full = visit.look().text
    assert "Tag 14 is full" in full
    assert f"/hand-over?diver={visit.shop.visit(visit.id).diver_ref}" in full
    state = visit.shop.visit(visit.id)
    assert (state.step, state.slot, state.whip) == ("hand_over", 7, 2)


def test_every_page_names_its_next_and_carries_the_feed_of_its_visit(visit: AtVisit) -> None:
    page = visit.look().text
    assert f'data-stream="/stream?visit={visit.id}"' in page
    assert "<title>Which cylinder is this? · Tag 14, Ana Duarte</title>" in page


def test_a_measured_mix_is_named_on_the_way_with_its_depth_rounded_down(tablet: Tablet) -> None:
    shop = tablet.shop
    taken = c.Taken(tag=5, gas=GasWanted(oxygen_percent=32))
    got = shop.do(c.Greet, diver_ref="diver-0001", level="Nitrox", covers_nitrox=True, cylinders=(taken,))
    visit = AtVisit(tablet, got.visit_ids[0]).up_to("analyse")
    shop.analyse(visit.id, 31.6)
    # 10·(1.4/0.316 − 1) = 34.3 m; 33·(1.4/0.316 − 1) = 113.2 ft.
    assert "Measured 31.6 % oxygen. To 34 m or 113 ft" in visit.look().text


def test_back_takes_the_last_answer_back_and_asks_nothing(visit: AtVisit) -> None:
    visit.up_to("rating")
    visit.recorded("reopen")
    assert visit.step == "dates"


def test_there_is_no_way_back_over_a_fill(visit: AtVisit) -> None:
    visit.up_to("bleed")
    assert f"{visit.here}/reopen" not in visit.look().text


def test_what_hangs_on_a_whip_comes_off_it_by_the_page(visit: AtVisit) -> None:
    visit.up_to("residual")
    visit.recorded("take_off")
    assert visit.step == "whip"


def test_hold_it_is_on_every_step_and_names_who_can_release(visit: AtVisit) -> None:
    steps = ["identify", "outside", "dates", "rating", "standing", "people_out", "blow_out", "whip", "residual",
             "target", "bleed", "tape", "set_down"]  # fmt: skip
    for step in steps:
        visit.up_to(step)
        assert f'href="{visit.here}/hold"' in visit.look().text, step
    assert "I. Person" in visit.look("/hold").text


def test_a_hold_needs_a_reason_and_keeps_what_was_read(visit: AtVisit) -> None:
    visit.up_to("rating")
    refused = visit.answer("hold", page="/hold")
    assert refused.status_code == 422
    visit.recorded("hold", page="/hold", reason=["Water or rattle inside"], why="sand too")
    state = visit.shop.visit(visit.id)
    assert state.held == "Water or rattle inside. sand too"
    assert state.dates is not None


def test_the_note_of_the_last_look_is_shown_at_the_next(visit: AtVisit, tablet: Tablet) -> None:
    visit.up_to("outside")
    visit.recorded("outside", sound="yes", note="light rust under the boot")
    visit.shop.do(c.Abandon, visit_id=visit.id, why="no time")
    later = AtVisit(tablet, visit.shop.greet(tag=3)).up_to("outside")
    assert "Last time here, 15 June 2026: light rust under the boot. Look there again." in later.look().text


def test_something_wrong_outside_asks_what_and_holds(visit: AtVisit) -> None:
    visit.up_to("outside")
    empty = visit.answer("outside", page="/outside/wrong")
    assert (empty.status_code, question(empty)) == (409, "What is wrong with it?")
    answered = visit.answer("outside", page="/outside/wrong", wrong=["Bulge"], note="10 mm at the base")
    assert answered.status_code == 303
    assert "Outside: Bulge. 10 mm at the base" in visit.look().text


def test_people_out_says_how_long_ago_it_was_said_and_one_tap_confirms(visit: AtVisit) -> None:
    visit.shop.do(c.SendPeopleOut)
    visit.up_to("people_out")
    visit.shop.clock.move(dt.timedelta(minutes=3))
    page = visit.look().text
    assert "Is everyone still out of the fill area?" in page
    assert "3 min ago" in page
    visit.shop.clock.move(dt.timedelta(minutes=20))
    visit.shop.node.sync.link.heard_at = visit.shop.clock.now()
    visit.tablet.sign_in()
    assert "Ask everyone to leave the fill area" in visit.look().text


def test_the_area_is_cleared_again_from_the_target_when_that_was_too_long_ago(visit: AtVisit) -> None:
    visit.up_to("target")
    visit.shop.clock.move(dt.timedelta(minutes=21))
    visit.shop.node.sync.link.heard_at = visit.shop.clock.now()
    visit.tablet.sign_in()
    refused = visit.answer("target", target="3000", unit="psi")
    assert (refused.status_code, "Send everybody out" in refused.text) == (409, True)
    visit.recorded("people_out")
    visit.recorded("target", target="3000", unit="psi")


def test_a_taken_whip_is_shown_with_its_tag_and_cannot_be_taken(visit: AtVisit, tablet: Tablet) -> None:
    visit.up_to("residual")
    other = AtVisit(tablet, visit.shop.greet(tag=9))
    other.recorded_marks("N00001")
    visit.shop.do(c.BleedWhip, visit_id=visit.id)
    visit.shop.do(c.ConnectWhip, visit_id=visit.id, whip=1)
    for step in ("outside", "dates", "rating", "standing", "people_out", "blow_out"):
        visit.shop.answer(other.id, step)
    page = other.look().text
    assert "on tag 14" in page
    assert other.answer("whip", whip="1").status_code == 409
    other.recorded("whip", whip="3")


def test_a_reading_above_the_rating_says_in_red_what_to_do(visit: AtVisit) -> None:
    visit.up_to("fill")
    visit.recorded("fill/reading", page="/fill/reading", gauge="3060", unit="psi")
    page = visit.look().text
    assert "too much. Close the cylinder valve and the station valve now." in page
    assert "notice is-stop" in page


def test_a_stopped_fill_is_held_with_its_reason(visit: AtVisit) -> None:
    visit.up_to("fill")
    visit.recorded("fill/stop", page="/fill/stop", why="Leak at the O-ring", gauge="")
    assert "Fill stopped: Leak at the O-ring" in visit.look().text


def test_the_full_page_leads_to_the_next_cylinder_of_the_same_diver(tablet: Tablet) -> None:
    shop = tablet.shop
    got = shop.do(c.Greet, diver_ref="diver-0001", level="Open water", cylinders=(air(1), air(2)))
    one = AtVisit(tablet, got.visit_ids[0]).up_to("hand_over")
    assert "On to tag 2" in one.look().text


def test_news_too_old_needs_a_manager_with_a_reason(visit: AtVisit) -> None:
    visit.up_to("standing")
    visit.shop.node.sync.link.heard_at = visit.shop.clock.now() - dt.timedelta(days=8)
    page = visit.look().text
    assert "Nobody here can know what others have found" in page
    assert "Only a manager may go on" in page
    assert visit.answer("standing", supervised="busy day").status_code == 409
    manager = AtVisit(a_tablet(visit.shop, role="manager"), visit.id)
    assert manager.answer("standing").status_code == 422
    manager.recorded("standing", supervised="Rang the shop that saw it last")
    seen = visit.shop.visit(visit.id).standing_seen
    assert seen is not None
    assert seen.supervised == "Rang the shop that saw it last"


def test_news_of_more_than_a_day_is_amber_and_goes_on(visit: AtVisit) -> None:
    visit.up_to("standing")
    visit.shop.node.sync.link.heard_at = visit.shop.clock.now() - dt.timedelta(hours=30)
    page = visit.look().text
    assert "The news is 30 h old" in page
    visit.recorded("standing")


def test_dates_out_of_order_stand_on_the_standing_page_with_their_rules(visit: AtVisit) -> None:
    visit.up_to("dates")
    visit.shop.do(c.ReadDates, visit_id=visit.id, requalified=None, looked_inside=None)
    visit.shop.do(c.ReadRating, visit_id=visit.id, rated=KeyedPressure(value=3000, unit="psi"))
    page = visit.look().text
    assert "Do not fill it as it is" in page
    assert "No date of a look inside was read." in page
    assert "Go on to connect" not in page
    assert visit.answer("standing").status_code == 409
    left = visit.tablet.send(visit.look(), f"{visit.here}/stop", do="leave")
    assert left.status_code == 303
    assert question(visit.look()) == "Tag 14 has left the floor"
