"""The pressure test at the bench, as an inspector keys it: what follows is shown before anything is recorded."""

from __future__ import annotations

from uuid import UUID

import httpx
import pytest
from tests.branch.a_shop import MARKS, Shop
from tests.branch.web_floor.conftest import Tablet, form
from tests.branch.web_visit.conftest import question
from tests.branch.web_visit.test_bench import standing

from cylinder import commands as c
from cylinder.marks import Marks

READINGS = {"total": "120", "permanent": "12", "rated": "3000", "test_pressure": "5000", "rin": "A123"}


@pytest.fixture
def steel(shop: Shop) -> UUID:
    made = shop.do(c.Register, marks=Marks(serial="S72019", maker="NX", spec="3AA", first_test="1968-06"))
    assert made.cylinder_id is not None
    return made.cylinder_id


def keyed(tablet: Tablet, cylinder: UUID, **values: str) -> httpx.Response:
    where = f"/bench/{cylinder}/requalified"
    return tablet.send(tablet.get(where), where, **values)


def test_exactly_ten_percent_passes_and_the_stamp_is_shown_before_it_is_recorded(
    inspector: Tablet, steel: UUID
) -> None:
    # 49 CFR 180.205(i)(1)(iv), 2015: condemned when permanent expansion "exceeds 10 percent" of total expansion;
    # 180.213(d): RIN A123 stands as A1 over 32, clockwise; 180.209 Table 1: five years.
    passed = keyed(inspector, steel, **READINGS, wants_plus="yes", plus_conditions="yes")
    assert question(passed) == "The test is passed"
    assert "12 cc, 10.0 % of the total" in passed.text
    assert 'aria-label="6, A1 over 32, 26 +"' in passed.text
    assert "Due again by the end of June 2031" in passed.text
    assert standing(inspector, steel).requalified is None
    done = inspector.send(passed, f"/bench/{steel}/requalified")
    assert done.headers["location"] == f"/bench/{steel}"
    assert standing(inspector, steel).requalified == "2026-06"
    assert "Permanent 12 of 120 cc, 10.0%. Plus." in inspector.get(f"/bench/{steel}").text


def test_above_ten_percent_nothing_but_condemning_is_offered(inspector: Tablet, steel: UUID) -> None:
    page = keyed(inspector, steel, **{**READINGS, "total": "119,5", "test_pressure": ""})
    assert question(page) == "This test condemns it"
    assert "12 cc, 10.04 % of the total" in page.text
    where = f"/bench/{steel}/requalified"
    not_held = inspector.send(page, where, last_four="2019")
    assert "hold it for two seconds" in not_held.text
    wrong = inspector.send(not_held, where, last_four="2018", held="yes")
    assert "is not the end of this record&#39;s serial" in wrong.text
    assert inspector.send(wrong, where, last_four="2019", held="yes").status_code == 303
    assert standing(inspector, steel).is_condemned


def test_every_fault_is_said_at_once_and_nothing_is_lost(inspector: Tablet, steel: UUID) -> None:
    page = keyed(
        inspector,
        steel,
        total="0",
        permanent="120 ml",
        rated="high",
        performed_on="soon",
        test_pressure="5000",
    )
    assert page.status_code == 422
    for label in ("Total expansion: ", "Permanent expansion: ", "Rated pressure: ", "The day it was done: "):
        assert label in page.text
    kept = form(page, f"/bench/{steel}/requalified")
    assert (kept.text("permanent"), kept.text("performed_on")) == ("120 ml", "soon")
    both = keyed(
        inspector,
        steel,
        total="12",
        permanent="120",
        test_pressure="345",
        rated="3000",
        performed_on="2026-06-16",
    )
    assert both.status_code == 409
    for words in ("larger than the total", "lies ahead of today", "5000 psi is the least"):
        assert words in both.text
    mixed = keyed(
        inspector,
        steel,
        total="12",
        permanent="120",
        test_pressure="345",
        rated="3000",
        performed_on="2026-06-16",
        held_s="soon",
    )
    assert mixed.status_code == 422
    for words in (
        "Seconds at test pressure: ", "larger than the total", "lies ahead of today", "5000 psi is the least",
    ):  # fmt: skip
        assert words in mixed.text
    assert "needs its total" not in page.text


def test_old_aluminium_asks_for_eddy_current_and_who_made_it(inspector: Tablet, shop: Shop) -> None:
    old = shop.do(
        c.Register, marks=MARKS.model_copy(update={"serial": "K884", "first_test": "1984-06"})
    ).cylinder_id
    assert old is not None
    page = inspector.get(f"/bench/{old}/requalified")
    assert "Taken for alloy 6351-T6" in page.text
    more = {**READINGS, "method": "hydrostatic", "alloy": "not known"}
    assert "sustained-load cracking" in keyed(inspector, old, **more).text
    more |= {"method": "hydrostatic and eddy current", "crack": "0", "eddy_by": "R. Amat, C-1"}
    assert "26 VE" in keyed(inspector, old, **more).text
