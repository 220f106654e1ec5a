"""The stop page and the hold page, and every way out of them."""

from __future__ import annotations

import datetime as dt
import uuid

import pytest
from tests.branch.a_shop import Shop
from tests.branch.web_floor.conftest import Tablet, a_tablet, form

from branch.against import match_words, rule_of
from cylinder import commands as c
from cylinder.facts import Condemned
from cylinder.marks import KeyedPressure, Marks
from cylinder.standing import Block


def condemned(shop: Shop, step: str) -> uuid.UUID:
    """A visit at `step` whose cylinder is condemned there."""
    visit_id = shop.up_to(step)
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id)
    return visit_id


@pytest.mark.parametrize(
    "step", ["outside", "standing", "whip", "residual", "fill", "bleed", "tape", "hand_over"]
)
def test_a_condemned_cylinder_has_no_page_but_the_stop(tablet: Tablet, step: str) -> None:
    visit_id = condemned(tablet.shop, step)
    for address in (f"/visits/{visit_id}", f"/visits/{visit_id}/hold"):
        page = tablet.get(address).text
        assert "Stop. <br>Do not fill." in page
        assert "15 June 2026, Pier, I. Person" in page
        assert "Crack across two threads" in page
        assert "Nobody at this shop can lift this" in page
        assert "It may go on" not in page


def test_before_gas_has_flowed_the_ways_out_are_the_red_rack_and_a_misread_serial(tablet: Tablet) -> None:
    visit_id = condemned(tablet.shop, "standing")
    page = tablet.get(f"/visits/{visit_id}")
    assert "Do not connect it" in page.text
    assert page.text.count('<button class="stop-exit') == 2
    done = tablet.send(page, f"/visits/{visit_id}/stop", do="misread")
    assert done.headers["location"] == f"/visits/{visit_id}"
    assert tablet.shop.visit(visit_id).step == "identify"
    assert "Stop.<br>" not in tablet.get(f"/visits/{visit_id}").text


def test_the_red_rack_ends_the_visit_and_is_recorded_once(tablet: Tablet) -> None:
    visit_id = condemned(tablet.shop, "standing")
    page = tablet.get(f"/visits/{visit_id}")
    assert tablet.send(page, f"/visits/{visit_id}/stop", do="rack").headers["location"] == "/"
    assert not tablet.shop.visit(visit_id).is_open
    before = tablet.facts()
    tablet.send(page, f"/visits/{visit_id}/stop", do="rack")
    assert tablet.facts() == before


def test_while_it_fills_the_first_thing_is_to_stop_then_bleed_then_rack(tablet: Tablet) -> None:
    visit_id = condemned(tablet.shop, "fill")
    page = tablet.get(f"/visits/{visit_id}")
    assert "Stop the fill now: close both valves" in page.text
    assert "It is in the red rack" not in page.text
    early = tablet.send(page, f"/visits/{visit_id}/stop", do="rack")
    assert early.status_code == 409
    assert "Stop the fill and bleed the whip first" in early.text
    tablet.send(page, f"/visits/{visit_id}/stop", do="stop-fill")
    page = tablet.get(f"/visits/{visit_id}")
    assert "Close both valves. Bleed the whip slowly" in page.text
    tablet.send(page, f"/visits/{visit_id}/stop", do="bleed")
    page = tablet.get(f"/visits/{visit_id}")
    assert "It is under pressure: keep people away" in page.text
    assert "I misread the serial" not in page.text
    assert tablet.send(page, f"/visits/{visit_id}/stop", do="misread").status_code == 422
    tablet.send(page, f"/visits/{visit_id}/stop", do="rack")
    assert not tablet.shop.visit(visit_id).is_open


def test_a_held_visit_names_the_inspectors_and_takes_only_their_finding(tablet: Tablet) -> None:
    shop = tablet.shop
    visit_id = shop.up_to("people_out")
    shop.do(c.HoldIt, visit_id=visit_id, why="Valve does not close")
    page = tablet.get(f"/visits/{visit_id}")
    assert "On hold. Do not fill tag 14" in page.text
    assert "Valve does not close" in page.text
    assert "Here: I. Person" in page.text
    assert "red rack" not in page.text
    assert "What was found" not in page.text
    forced = tablet.client.post(
        f"/visits/{visit_id}/stop", data={"key": str(uuid.uuid4()), "do": "finding", "finding": "Looks fine"}
    )
    assert forced.status_code == 409
    assert "Only an inspector may do that" in forced.text
    inspector = a_tablet(shop, role="inspector")
    page = inspector.get(f"/visits/{visit_id}")
    empty = inspector.send(page, f"/visits/{visit_id}/stop", do="finding", finding=" ")
    assert empty.status_code == 422
    inspector.send(page, f"/visits/{visit_id}/stop", do="finding", finding="Stem greased, closes")
    assert shop.visit(visit_id).held is None
    assert shop.visit(visit_id).step == "people_out"
    assert "On hold" not in tablet.get(f"/visits/{visit_id}").text


def test_holds_placed_elsewhere_are_answered_by_name_with_one_finding(tablet: Tablet) -> None:
    shop = tablet.shop
    visit_id = shop.up_to("people_out")
    cylinder_id = shop.visit(visit_id).cylinder_id
    for reason in ("Boot hides rust", "Paint blistered"):
        shop.do(c.PlaceHold, cylinder_id=cylinder_id, reason=reason)
    shop.do(c.HoldIt, visit_id=visit_id, why="Smells of oil")
    inspector = a_tablet(shop, role="inspector")
    page = inspector.get(f"/visits/{visit_id}")
    for reason in ("Boot hides rust", "Paint blistered", "Smells of oil"):
        assert reason in page.text
    done = inspector.send(page, f"/visits/{visit_id}/stop", do="finding", finding="Stripped, cleaned, sound")
    assert done.status_code == 303
    assert "On hold" not in inspector.get(f"/visits/{visit_id}").text
    before = tablet.facts()
    inspector.send(page, f"/visits/{visit_id}/stop", do="finding", finding="Stripped, cleaned, sound")
    assert tablet.facts() == before


def test_a_hold_during_a_fill_says_stop_first(tablet: Tablet) -> None:
    shop = tablet.shop
    visit_id = shop.up_to("fill")
    shop.do(c.PlaceHold, cylinder_id=shop.visit(visit_id).cylinder_id, reason="Burst disc weeps")
    page = tablet.get(f"/visits/{visit_id}")
    assert "It is being filled. Stop the fill now" in page.text
    tablet.send(page, f"/visits/{visit_id}/stop", do="stop-fill")
    tablet.send(tablet.get(f"/visits/{visit_id}"), f"/visits/{visit_id}/stop", do="bleed")
    assert shop.visit(visit_id).holds_whip is None


def test_an_analysis_that_was_off_is_taken_back_from_the_hold_page(tablet: Tablet) -> None:
    shop = tablet.shop
    greeted = shop.do(
        c.Greet,
        diver_ref="diver-0001",
        level="Nitrox",
        covers_nitrox=True,
        cylinders=(c.Taken.model_validate({"tag": 5, "gas": {"oxygen_percent": 32}}),),
    )
    visit_id = shop.up_to("analyse", visit_id=greeted.visit_ids[0])
    shop.analyse(visit_id, 40.0)
    page = tablet.get(f"/visits/{visit_id}")
    assert "40 % oxygen measured, Nitrox 32 asked for" in page.text
    tablet.send(page, f"/visits/{visit_id}/stop", do="reopen", step="analyse")
    assert shop.visit(visit_id).analysed is None


def test_a_page_that_is_out_of_date_is_told_that_the_visit_moved_on(tablet: Tablet) -> None:
    shop = tablet.shop
    visit_id = condemned(shop, "fill")
    page = tablet.get(f"/visits/{visit_id}")
    shop.do(c.StopFill, visit_id=visit_id, why="Heard it hiss", at=KeyedPressure(value=900, unit="psi"))
    late = tablet.send(page, f"/visits/{visit_id}/stop", do="stop-fill")
    assert late.status_code == 409
    assert "Tag 14 has moved on" in late.text
    assert form(late, f"/visits/{visit_id}/stop").text("version") == str(shop.visit(visit_id).version)


def test_how_a_record_was_matched_is_said_mark_by_mark() -> None:
    read = Marks(serial="K40718", maker="ZQ", spec="3AL", first_test="2021-07")
    assert match_words(read, (read,)) == "Same serial, maker, type and first test date as on record."
    other = Marks(serial="K4071-8", maker="", spec="3AL", first_test="2021-07")
    assert (
        match_words(read, (other,))
        == "Same serial, type and first test date as on record. Maker read otherwise."
    )
    assert match_words(read, ()) == "The marks were first read in this visit."


@pytest.mark.parametrize(
    ("clause", "said"),
    [
        ("CGA C-6 none, not read", "Any bulge. CGA C-6"),
        ("49 CFR 180.205(i)(1)(iii), 2015 annual edition", "Any bulge. 49 CFR 180.205(i)(1)(iii), 2015 annual edition"),
    ],
)  # fmt: skip
def test_a_rule_is_said_without_words_for_what_the_pack_lacked(clause: str, said: str) -> None:
    block = Block(
        id=uuid.UUID(int=1), kind=Condemned.KIND, words="Condemned", reason="Bulge", criterion="Any bulge.", clause=clause,
        node="reef", actor="p-1", performed_on=dt.date(2026, 3, 11), at=dt.datetime(2026, 3, 11, tzinfo=dt.UTC),
    )  # fmt: skip
    assert rule_of(block) == said
