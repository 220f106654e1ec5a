"""What people mis-key at a visit's pages: a clear message, what was keyed still there, nothing half-written."""

from __future__ import annotations

import uuid

import pytest
from tests.branch.web_floor.conftest import a_tablet, form
from tests.branch.web_visit.conftest import FIRST_TEST, IDENTITY, AtVisit, question

from cylinder import commands as c
from cylinder.marks import KeyedPressure, Marks


def test_a_target_over_the_rating_is_refused_with_the_rule(visit: AtVisit) -> None:
    before = visit.up_to("target").tablet.facts()
    refused = visit.answer("target", target="3100", unit="psi")
    assert refused.status_code == 409
    assert "3100 psi asked, 3000 psi is the limit of this cylinder." in refused.text
    assert "49 CFR 173.301a(c)" in refused.text
    assert 'value="3100"' in refused.text
    assert (visit.step, visit.tablet.facts()) == ("target", before)


def test_3000_keyed_as_bar_is_asked_about_at_the_rating_and_refused_when_insisted(visit: AtVisit) -> None:
    before = visit.up_to("rating").tablet.facts()
    asked = visit.answer("rating", rated="3000", unit="bar")
    assert asked.status_code == 409
    assert "3000 bar is more than any usual rating. Is the stamp in psi?" in asked.text
    insisted = visit.tablet.send(asked, f"{visit.here}/rating", unit_is_sure="yes")
    assert insisted.status_code == 409
    assert "Not recorded." in insisted.text
    assert visit.tablet.facts() == before
    corrected = visit.tablet.send(asked, f"{visit.here}/rating", unit="psi")
    assert (corrected.status_code, visit.step) == (303, "standing")


def test_the_unit_may_be_right_although_it_is_odd(visit: AtVisit) -> None:
    visit.up_to("rating")
    asked = visit.answer("rating", rated="310", unit="psi")
    assert "310 psi is low for a rating. Is the stamp in bar?" in asked.text
    assert 'name="unit_is_sure"' in asked.text
    visit.tablet.send(asked, f"{visit.here}/rating", unit_is_sure="yes")
    rating = visit.shop.visit(visit.id).rating
    assert rating is not None
    assert rating.rated == KeyedPressure(value=310, unit="psi")


@pytest.mark.parametrize("where", ["target", "fill/reached"])
def test_3000_keyed_as_bar_is_seen_at_target_and_end(visit: AtVisit, where: str) -> None:
    visit.up_to(where.split("/")[0])
    field, page = ("target", "") if where == "target" else ("gauge", "/fill/reached")
    refused = visit.answer(where, page=page, **{field: "3000", "unit": "bar"})
    assert refused.status_code in (409, 422)
    assert "3000 bar" in refused.text
    assert visit.step == where.split("/")[0]


@pytest.mark.parametrize("month", ["13", "0"])
def test_a_month_13_says_that_months_run_to_12(visit: AtVisit, month: str) -> None:
    before = visit.up_to("dates").tablet.facts()
    refused = visit.answer("dates", requalified_month=month, requalified_year="2024")
    assert refused.status_code == 409
    assert "months run from 1 to 12" in refused.text
    assert 'value="2024"' in refused.text
    assert visit.tablet.facts() == before


def test_a_month_13_on_the_second_pad_keeps_the_first_date(visit: AtVisit) -> None:
    visit.up_to("dates")
    second = visit.answer("dates", requalified_month="5", requalified_year="2024")
    refused = visit.tablet.send(second, f"{visit.here}/dates", inside_month="13", inside_year="2026")
    assert "months run from 1 to 12" in refused.text
    assert form(refused, f"{visit.here}/dates").text("requalified") == "2024-05"


def test_a_year_of_two_figures_is_asked_in_full(visit: AtVisit) -> None:
    visit.up_to("dates")
    refused = visit.answer("dates", requalified_month="5", requalified_year="24")
    assert "the year in four figures" in refused.text


def test_a_date_ahead_of_today_goes_back_to_its_own_pad(visit: AtVisit) -> None:
    visit.up_to("dates")
    second = visit.answer("dates", requalified_month="5", requalified_year="2031")
    refused = visit.tablet.send(second, f"{visit.here}/dates", inside_month="2", inside_year="2026")
    assert refused.status_code == 409
    assert question(refused) == "Read the newest requalification stamp"
    assert "2031-05 lies ahead of today" in refused.text


@pytest.mark.parametrize("serial", ["    ", "-- /", "É4711"])
def test_a_serial_of_spaces_is_no_serial(visit: AtVisit, serial: str) -> None:
    refused = visit.answer("identify", **{**IDENTITY, "serial": serial})
    assert refused.status_code == 422
    assert "Serial:" in refused.text
    assert visit.step == "identify"


def test_a_type_that_the_rulebook_does_not_know_is_said_with_everything_still_there(visit: AtVisit) -> None:
    first = visit.answer("identify", **{**IDENTITY, "spec": "", "spec_typed": "9ZZ"})
    refused = visit.tablet.send(first, f"{visit.here}/identify", **FIRST_TEST)
    assert refused.status_code == 409
    assert "9ZZ is not a type in this rulebook" in refused.text
    assert 'value="K40718"' in refused.text


@pytest.mark.parametrize(("field", "value"), [("residual", ""), ("residual", "lots"), ("unit", "atm")])
def test_a_gauge_that_is_no_number_is_told_and_not_recorded(visit: AtVisit, field: str, value: str) -> None:
    visit.up_to("residual")
    refused = visit.answer("residual", **{"residual": "620", "unit": "psi", field: value})
    assert (refused.status_code, visit.step) == (422, "residual")
    assert "parse" not in refused.text


def test_nothing_left_is_an_answer_and_holds_it_for_a_look_inside(visit: AtVisit) -> None:
    visit.up_to("residual")
    visit.recorded("residual", residual="0", unit="psi")
    assert "0 psi left." in visit.look().text
    assert "water may have got in" in visit.look().text


def test_two_tablets_on_one_cylinder_the_second_is_told_who_and_when(visit: AtVisit) -> None:
    visit.up_to("outside")
    slow = visit.look()
    other = AtVisit(a_tablet(visit.shop, role="inspector"), visit.id)
    other.recorded("outside", sound="yes")
    before = visit.tablet.facts()
    late = visit.tablet.send(slow, f"{visit.here}/outside", sound="yes")
    assert late.status_code == 409
    assert "I. Person took tag 14 on before you" in late.text
    assert "at 09:30" in late.text
    assert f'href="{visit.here}"' in late.text
    assert visit.tablet.facts() == before


def test_a_double_tap_with_one_key_writes_once(visit: AtVisit) -> None:
    visit.up_to("rating")
    page = visit.look()
    values = {"rated": "3000", "unit": "psi"}
    before = visit.tablet.facts()
    one = visit.tablet.send(page, f"{visit.here}/rating", **values)
    two = visit.tablet.send(page, f"{visit.here}/rating", **values)
    assert (one.status_code, two.status_code) == (303, 303)
    assert visit.tablet.facts() == before + 1


def test_a_form_without_its_key_writes_nothing(visit: AtVisit) -> None:
    before = visit.up_to("outside").tablet.facts()
    refused = visit.tablet.client.post(f"{visit.here}/outside", data={"sound": "yes"})
    assert refused.status_code == 422
    assert visit.tablet.facts() == before


def test_an_address_of_no_visit_is_a_page_with_words(visit: AtVisit) -> None:
    gone = visit.tablet.get(f"/visits/{uuid.uuid4()}")
    assert gone.status_code == 409
    assert "There is no such visit here" in gone.text


def test_a_near_serial_of_a_condemned_cylinder_asks_for_a_second_reading_without_showing_the_first(
    visit: AtVisit,
) -> None:
    shop = visit.shop
    known = shop.do(c.Register, marks=Marks(serial="K4O7I8", maker="ZQ", spec="3AA", first_test="2011-03"))
    assert known.cylinder_id is not None
    shop.condemn(known.cylinder_id, last_four="O7I8")
    first = visit.answer("identify", **IDENTITY)
    asked = visit.tablet.send(first, f"{visit.here}/identify", **FIRST_TEST)
    assert question(asked) == "Read the serial again, off the metal"
    seen = asked.text.replace('type="hidden" name="serial" value="K40718"', "")
    assert "K40718" not in seen
    assert "K4O7I8" not in seen
    assert "Condemned 15 June 2026" in seen
    differs = visit.tablet.send(asked, f"{visit.here}/identify", second_serial="K40719")
    assert "The two readings differ" in differs.text
    same = visit.tablet.send(asked, f"{visit.here}/identify", second_serial="K40718")
    assert (same.status_code, visit.step) == (303, "outside")


def test_what_cannot_be_told_apart_is_held(visit: AtVisit) -> None:
    shop = visit.shop
    known = shop.do(c.Register, marks=Marks(serial="K4O7I8", maker="", spec="3AL", first_test="2021-07"))
    assert known.cylinder_id is not None
    shop.condemn(known.cylinder_id, last_four="O7I8")
    first = visit.answer("identify", **IDENTITY)
    asked = visit.tablet.send(first, f"{visit.here}/identify", **FIRST_TEST)
    stuck = visit.tablet.send(asked, f"{visit.here}/identify", second_serial="K40718")
    assert "They cannot be told apart. Do not fill it" in stuck.text
    held = visit.tablet.send(stuck, f"{visit.here}/hold")
    assert (held.status_code, visit.shop.visit(visit.id).held) == (303, "Cannot be told apart from K4O7I8")


def test_a_look_alike_is_chosen_or_said_to_be_another(visit: AtVisit) -> None:
    shop = visit.shop
    known = shop.do(c.Register, marks=Marks(serial="K4071B", maker="ZQ", spec="3AA", first_test="2011-03"))
    first = visit.answer("identify", **IDENTITY)
    listed = visit.tablet.send(first, f"{visit.here}/identify", **FIRST_TEST)
    assert question(listed) == "Is it one of these?"
    assert "Nothing against it, as far as this shop has heard." in listed.text
    assert "B read as 8" in listed.text
    chosen = visit.tablet.send(listed, f"{visit.here}/identify", chosen=str(known.cylinder_id))
    assert chosen.status_code == 303
    assert visit.shop.visit(visit.id).cylinder_id == known.cylinder_id


def test_another_cylinder_with_nearly_the_same_serial_gets_its_own_record(visit: AtVisit) -> None:
    known = visit.shop.do(
        c.Register, marks=Marks(serial="K4071B", maker="ZQ", spec="3AA", first_test="2011-03")
    )
    first = visit.answer("identify", **IDENTITY)
    listed = visit.tablet.send(first, f"{visit.here}/identify", **FIRST_TEST)
    other = visit.tablet.send(listed, f"{visit.here}/identify", is_another="yes")
    assert other.status_code == 303
    assert visit.shop.visit(visit.id).cylinder_id not in (None, known.cylinder_id)


def test_a_visit_that_was_another_cylinder_before_is_read_twice(visit: AtVisit) -> None:
    visit.up_to("outside")
    visit.recorded("reopen")
    first = visit.answer("identify", **{**IDENTITY, "serial": "W90000"})
    again = visit.tablet.send(first, f"{visit.here}/identify", **FIRST_TEST)
    assert question(again) == "Read the serial again, off the metal"
    done = visit.tablet.send(again, f"{visit.here}/identify", second_serial="W90000")
    assert (done.status_code, visit.step) == (303, "outside")


def test_a_form_gone_back_to_and_changed_is_not_taken_for_the_same_tap(visit: AtVisit) -> None:
    visit.up_to("fill")
    page = visit.look("/fill/reading")
    first, again, changed = (
        visit.tablet.send(page, f"{visit.here}/fill/reading", gauge=gauge, unit="psi")
        for gauge in ("1500", "1500", "2900")
    )
    assert (first.status_code, again.status_code) == (303, 303)
    # It was made of an older version of the visit: refused with words, and not answered as if it were recorded.
    assert changed.status_code == 409
    assert [one.pressure.words for one in visit.shop.visit(visit.id).readings] == ["620 psi", "1500 psi"]
