"""A cylinder that is condemned while it is here has one page, whatever address is asked for; and nothing tells its rating early."""

from __future__ import annotations

import pytest
from tests.branch.web_floor.conftest import Tablet
from tests.branch.web_visit.conftest import FIRST_TEST, IDENTITY, AtVisit

from cylinder import commands as c
from cylinder.marks import KeyedPressure
from cylinder.visit import STEPS

STEPS_HERE = [step for step in STEPS if step not in ("certification", "hand_over")]
ODD_RATING = KeyedPressure(value=3442, unit="psi")


def condemn(visit: AtVisit) -> None:
    cylinder_id = visit.shop.visit(visit.id).cylinder_id
    assert cylinder_id is not None
    visit.shop.condemn(cylinder_id)


def test_a_condemned_cylinder_shows_the_stop_at_every_step_address(visit: AtVisit) -> None:
    visit.up_to("whip")
    condemn(visit)
    for more in ("", "/hold", "/outside/wrong", "/fill/reading", *(f"/{step}" for step in STEPS_HERE)):
        page = visit.look(more)
        assert "Do not fill." in page.text, more
        assert 'class="is-stop"' in page.text, more


@pytest.mark.parametrize("step", ["outside", "dates", "rating", "standing", "people_out", "blow_out", "whip", "residual",
                                  "target", "bleed", "tape", "set_down"])  # fmt: skip
def test_a_form_that_was_open_when_it_was_condemned_meets_the_stop(visit: AtVisit, step: str) -> None:
    visit.up_to(step)
    page = visit.look()
    condemn(visit)
    values = {
        "outside": {"sound": "yes"},
        "dates": {"requalified": "2024-05", "inside_month": "2", "inside_year": "2026"},
        "rating": {"rated": "3000", "unit": "psi"},
        "blow_out": {"is_blown_out": "yes", "o_ring": "good"},
        "whip": {"whip": "1"},
        "residual": {"residual": "620", "unit": "psi"},
        "target": {"target": "3000", "unit": "psi"},
        "set_down": {"slot": "4"},
    }.get(step, {})
    answered = visit.tablet.send(page, f"{visit.here}/{step}", **values)
    if step == "bleed":  # Making it safe is never refused.
        assert answered.status_code == 303
        answered = visit.look()
    assert "Do not fill." in answered.text


def test_a_fill_under_way_can_be_stopped_although_the_cylinder_is_condemned(visit: AtVisit) -> None:
    visit.up_to("fill")
    condemn(visit)
    assert visit.look("/fill/stop").status_code == 200
    stopped = visit.answer("fill/stop", page="/fill/stop", why="Condemned next door", gauge="")
    assert stopped.status_code == 303
    assert not visit.shop.visit(visit.id).is_filling


def test_a_condemned_serial_typed_at_the_counter_goes_no_further_than_identify(visit: AtVisit) -> None:
    visit.up_to("outside")
    condemn(visit)
    visit.shop.do(c.RackIt, visit_id=visit.id)
    again = AtVisit(visit.tablet, visit.shop.greet(tag=8))
    first = again.answer("identify", **IDENTITY)
    done = again.tablet.send(first, f"{again.here}/identify", **FIRST_TEST)
    assert done.status_code == 303
    assert "Do not fill." in again.look().text


def known_with_an_odd_rating(tablet: Tablet) -> AtVisit:
    """A cylinder that was here before and is rated 3442 psi on record; here again under another tag."""
    shop = tablet.shop
    before = AtVisit(tablet, shop.greet(tag=2)).up_to("rating")
    shop.do(c.ReadRating, visit_id=before.id, rated=ODD_RATING)
    shop.do(c.Abandon, visit_id=before.id, why="no time")
    return AtVisit(tablet, shop.greet(tag=14))


def test_the_rating_on_record_is_on_no_page_before_it_is_read(tablet: Tablet) -> None:
    visit = known_with_an_odd_rating(tablet)
    seen = []
    for step in ("identify", "outside", "dates", "rating"):
        visit.up_to(step)
        seen.append(visit.look().text)
        seen.append(visit.look("/hold").text)
    seen.append(visit.answer("rating", rated="2600", unit="bar").text)
    seen.append(visit.answer("rating", rated="", unit="psi").text)
    cylinder_id = visit.shop.visit(visit.id).cylinder_id
    seen += [tablet.get(f"/bench/{cylinder_id}").text, tablet.get("/bench?serial=K40718").text]
    assert len(seen) == 12
    for html in seen:
        assert "3442" not in html
        assert "237" not in html.replace(str(visit.id), "").replace(str(cylinder_id), "").split("<main", 1)[1]
    assert "rating hidden until it is read" in seen[2]
    assert "Only the stamp counts" in seen[6]


def test_the_rating_stands_on_the_plate_once_it_is_read(tablet: Tablet) -> None:
    visit = known_with_an_odd_rating(tablet).up_to("rating")
    visit.recorded("rating", rated="3442", unit="psi")
    page = visit.look().text
    assert "rating hidden" not in page
    assert "237 bar, read 09:30 by O. Person" in page


def test_a_rating_that_differs_from_the_record_is_held_and_says_both(tablet: Tablet) -> None:
    visit = known_with_an_odd_rating(tablet).up_to("rating")
    visit.recorded("rating", rated="3000", unit="psi")
    assert "Rated 3000 psi read here, 3442 psi on record." in visit.look().text


def test_a_hold_that_was_answered_does_not_tell_the_rating_at_the_next_visit(
    tablet: Tablet, inspector: Tablet
) -> None:
    visit = known_with_an_odd_rating(tablet).up_to("rating")
    visit.recorded("rating", rated="3000", unit="psi")
    visit.shop.do(c.Resume, by="inspector", visit_id=visit.id, finding="Read it again at the bench")
    visit.shop.do(c.Abandon, visit_id=visit.id, why="no time")
    again = AtVisit(tablet, visit.shop.greet(tag=15)).up_to("rating")
    cylinder = visit.shop.visit(again.id).cylinder_id
    for page in (again.look(), inspector.get(f"/bench/{cylinder}"), tablet.get(f"/cylinders/{cylinder}")):
        assert "3442" not in page.text
