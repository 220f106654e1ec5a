"""The shoulder, the signs and the rules on the pages: typed as it stands, read at once, judged with every source shown."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest
from tests.branch.a_shop import Clock, Shop, open_shop
from tests.branch.web_floor.conftest import a_tablet, form
from tests.branch.web_visit.conftest import AtVisit, question

from branch.history import line
from branch.house_rules import HouseRulesAreFaulty, house_policy
from branch.settings import read_settings
from branch.store.rows import history
from cylinder import commands as c
from cylinder.marks import KeyedPressure, Marks
from rulebook import load

SHOULDER = "icc 3aa 2250\n123456 abc\n5-66+\n4 b456 24+"


def test_a_shoulder_is_read_at_once_part_by_part_and_nothing_is_recorded(visit: AtVisit) -> None:
    before = visit.tablet.facts()
    page = visit.answer("identify", shoulder=SHOULDER, read="yes")
    assert page.status_code == 200
    assert "Read without doubt." in page.text
    for part in ("ICC-3AA", "2250 psi", "05 1966, +", "04 2024 by B456, +"):
        assert part in page.text
    filled = form(page, f"{visit.here}/identify")
    assert filled.text("serial") == "123456"
    assert (filled.text("maker"), filled.text("spec_typed")) == ("ABC", "ICC-3AA")
    assert (filled.text("first_test_month"), filled.text("first_test_year")) == ("05", "1966")
    assert visit.tablet.facts() == before


def test_a_doubt_points_at_its_sign_and_a_tap_settles_it(visit: AtVisit) -> None:
    page = visit.answer("identify", shoulder="dot 3aa 24O0\nA12345 xy\n6-78", read="yes")
    assert "dot 3aa 24<u>O</u>0" in page.text
    assert "cannot stand here: it is read as 0" in page.text
    settled = visit.tablet.send(page, f"{visit.here}/identify", instead="dot 3aa 2400\nA12345 xy\n6-78")
    assert "Read without doubt." in settled.text
    assert form(settled, f"{visit.here}/identify").text("shoulder").startswith("dot 3aa 2400")


def test_what_is_in_doubt_fills_no_field(visit: AtVisit) -> None:
    page = visit.answer("identify", shoulder="dot 3aa 2400\nA12345 xy\n6 66", read="yes")
    fields = [name for name, value in form(page, f"{visit.here}/identify").fields if value]
    assert "first_test_year" not in fields


def test_a_shoulder_goes_through_the_dates_to_its_judgement_with_every_source(visit: AtVisit) -> None:
    page = visit.answer("identify", shoulder=SHOULDER, read="yes")
    assert visit.tablet.send(page, f"{visit.here}/identify").status_code == 303
    visit.recorded("outside", sound="yes")
    dates = visit.look()
    assert form(dates, f"{visit.here}/dates").text("requalified_year") == "2024"
    assert ("sign", "+") in form(dates, f"{visit.here}/dates").fields
    second = visit.tablet.send(dates, f"{visit.here}/dates")
    assert (
        visit.tablet.send(second, f"{visit.here}/dates", inside_month="2", inside_year="2026").status_code
        == 303
    )
    assert "2250" not in visit.look().text.split("<main", 1)[1], (
        "the blind step tells what only the metal may tell"
    )
    visit.recorded("rating", rated="2250", unit="psi")
    standing = visit.look().text
    assert question(visit.look()) == "No shop has condemned this cylinder"
    assert "49 CFR 173.302a(b), 2015 annual edition (law). Line us.plus.conditions" in standing
    assert "Line us.fill.limit" in standing


def test_what_was_typed_stays_behind_the_veil_until_the_rating_is_read(visit: AtVisit) -> None:
    page = visit.answer("identify", shoulder=SHOULDER, read="yes")
    visit.tablet.send(page, f"{visit.here}/identify")
    with visit.shop.node.store.reading() as cursor:
        told = history(cursor, f"cylinder/{visit.shop.visit(visit.id).cylinder_id}", 20)
    veiled = " ".join(line(one, is_veiled=True) for one in told)
    assert "Identified as 123456" in veiled
    assert "2250" not in veiled
    assert "ICC-3AA2250" in " ".join(line(one) for one in told)


def test_a_rating_that_contradicts_the_typed_shoulder_is_a_hold(visit: AtVisit) -> None:
    page = visit.answer("identify", shoulder=SHOULDER.replace("4 b456", "5 b456"), read="yes")
    visit.tablet.send(page, f"{visit.here}/identify")
    visit.up_to("rating")
    visit.recorded("rating", rated="3000", unit="psi")
    assert "3000 psi keyed here, 2250 psi typed off the same shoulder" in visit.look().text


def test_a_condemned_mark_is_recorded_as_a_hold_for_every_shop(visit: AtVisit) -> None:
    page = visit.answer("identify", shoulder=f"CONDEMNED {SHOULDER}", read="yes")
    assert "Marked condemned: never fill it." in page.text
    assert visit.tablet.send(page, f"{visit.here}/identify").status_code == 303
    assert "The shoulder is stamped CONDEMNED" in visit.look().text


def test_the_shop_serves_by_its_own_papers_and_shows_them_beside_the_law(shop: Shop, tmp_path: Path) -> None:
    shop.node.store.close()
    data = tmp_path / "pier"
    with_papers(
        data,
        'source = "House rules of Pier"\nedition = "1 May 2026"\nlook_inside_every_months = 3\nrefused_specs = ["3HT"]\n',
        '[[permit]]\nnumber = "14157"\nrequalify_every_months = 60\nedition = "Fifth revision"\nread_by = "M. Person"\n',
    )
    again = open_shop(data, Clock())
    try:
        tablet = a_tablet(again)
        rules = tablet.get("/rules").text
        for words in (
            "House rules of Pier, 1 May 2026", "Every cylinder is looked into every 3 months.", "A 3HT is not filled.",
            "This shop asks for more", "Fifth revision", "Defer to local codes and to licensed practice",
        ):  # fmt: skip
            assert words in rules
        visit_id = again.up_to("standing")  # Looked into four months ago.
        stop = tablet.get(f"/visits/{visit_id}").text
        assert "Here every cylinder is looked into every 3 months." in stop
        assert "Line house.look_inside" in stop
    finally:
        again.node.store.close()


def test_faulty_papers_are_refused_at_the_start_with_every_reason(shop: Shop, tmp_path: Path) -> None:
    data = tmp_path / "pier"
    with_papers(
        data,
        'source = "House"\nlook_inside_every_months = 99\nallows_everything = true\n',
        '[[permit]]\nnumber = "14"\nrequalify_every_months = 0\nedition = "x"\nread_by = "y"\n',
    )
    with pytest.raises(HouseRulesAreFaulty) as refused:
        house_policy(data, read_settings(data), load("us"))
    words = str(refused.value)
    for problem in (
        "look_inside_every_months of 99 is looser",
        "allows_everything",
        "no edition",
        "permit.0.number",
        "permit.0.requalify_every_months",
    ):
        assert problem in words


def with_papers(data: Path, policy: str, permits: str) -> None:
    (data / "house.toml").write_text(policy)
    (data / "permits.toml").write_text(permits)
    settings = json.loads((data / "shop.json").read_text())
    named = {**settings, "store_policy": "house.toml", "permits": "permits.toml"}
    (data / "shop.json").write_text(json.dumps(named))


def test_gas_filled_before_the_date_ran_out_may_be_used_and_the_cylinder_is_not_filled_again(
    visit: AtVisit,
) -> None:
    """49 CFR 180.205(c), 2015 edition: tested in June 2021, filled in June 2026, brought in again in July."""
    shop, marks = visit.shop, Marks(serial="K40718", maker="ZQ", spec="3AL", first_test="2021-06")
    gauge = KeyedPressure(value=2980, unit="psi")
    for step in ("identify", "outside"):
        shop.answer(visit.id, step, marks=marks)
    shop.do(c.ReadDates, visit_id=visit.id, requalified=None, looked_inside="2026-02")
    shop.up_to("fill", visit_id=visit.id)
    shop.do(c.CompleteFill, visit_id=visit.id, end=gauge)
    for step in ("bleed", "tape", "set_down", "hand_over"):
        shop.answer(visit.id, step)
    shop.clock.move(dt.timedelta(days=20))
    shop.node.sync.link.heard_at = shop.clock.now()
    later = AtVisit(a_tablet(shop), shop.greet(tag=15))
    for step in ("identify", "outside"):
        shop.answer(later.id, step, marks=marks)
    shop.do(c.ReadDates, visit_id=later.id, requalified=None, looked_inside="2026-02")
    shop.answer(later.id, "rating")
    page = later.look().text
    assert question(later.look()) == "Do not fill it as it is"
    assert "Line us.requalification.overdue" in page
    assert "it may stay in service until emptied" in page
