"""The form of the visual inspection at the bench, as an inspector fills it in: nothing lost, nothing better than it is."""

from __future__ import annotations

from uuid import UUID

import httpx
import pytest
from tests.branch.a_shop import MARKS, Shop
from tests.branch.web_floor.conftest import Tablet, form
from tests.branch.web_visit.conftest import question
from tests.branch.web_visit.test_bench import standing

from cylinder import commands as c
from cylinder import facts as f
from cylinder.marks import Marks

STEEL = Marks(serial="S72019", maker="NX", spec="3AA", first_test="1968-06")


def on_record(shop: Shop, marks: Marks) -> UUID:
    made = shop.do(c.Register, marks=marks).cylinder_id
    assert made is not None
    return made


@pytest.fixture
def steel(shop: Shop) -> UUID:
    return on_record(shop, STEEL)


@pytest.fixture
def aluminium(shop: Shop) -> UUID:
    return on_record(shop, MARKS)


def keyed(tablet: Tablet, cylinder: UUID, more: str = "", **values: str | list[str]) -> httpx.Response:
    """What was found, sent from the form: the proposal, or the form again."""
    where = f"/bench/{cylinder}/inspect"
    return tablet.send(tablet.get(where + more), where, **values)


def confirmed(tablet: Tablet, cylinder: UUID, page: httpx.Response, **values: str) -> httpx.Response:
    return tablet.send(page, f"/bench/{cylinder}/inspect", **values)


def test_a_pit_in_steel_is_proposed_for_rejection_with_its_source_and_a_reason_makes_it_milder(
    inspector: Tablet, steel: UUID
) -> None:
    page = keyed(inspector, steel, unit="mm", **{"pit.depth": "1,2", "pit.where": "the base"})
    assert question(page) == "The rules propose: reject. You decide"
    assert "Pit at the base, depth 1.2 mm" in page.text
    assert "Washington Administrative Code" in page.text  # 296-24-92009(3): deeper than 1/32 in, 0.79 mm.
    refused = confirmed(inspector, steel, page, outcome="fail")
    assert "Say why" in refused.text
    assert "Pit at the base, depth 1.2 mm" in refused.text
    done = confirmed(inspector, steel, refused, outcome="fail", overruled_because="Wall to be measured")
    assert done.headers["location"] == f"/bench/{steel}"
    assert [block.kind for block in standing(inspector, steel).blocks] == [f.VisualFailed.KIND]
    life = inspector.get(f"/bench/{steel}").text
    assert "The rules proposed reject" in life
    assert "Wall to be measured" in life


def test_a_valley_in_the_neck_thread_of_aluminium_condemns_and_nothing_milder_is_offered(
    inspector: Tablet, aluminium: UUID
) -> None:
    page = keyed(inspector, aluminium, **{"neck-crack.threads": "2.5"})
    assert question(page) == "It meets a criterion that condemns"
    assert "part 180 Appendix C" in page.text  # Paragraph 5: two thread lengths or longer.
    assert 'type="radio"' not in page.text
    milder = confirmed(inspector, aluminium, page, outcome="pass", overruled_because="A tap stopped there")
    assert "no one overrules it" in milder.text
    not_held = confirmed(inspector, aluminium, page, last_four="0718")
    assert "hold it for two seconds" in not_held.text
    done = confirmed(inspector, aluminium, not_held, last_four="0718", held="yes")
    assert done.status_code == 303
    assert standing(inspector, aluminium).is_condemned


def test_a_composite_with_a_cut_is_asked_for_its_material_and_rejected(inspector: Tablet, shop: Shop) -> None:
    wound = on_record(shop, Marks(serial="W19", maker="WX", spec="DOT-SP 99999", first_test="2019-02"))
    asked = inspector.get(f"/bench/{wound}/inspect")
    assert question(asked) == "What is it made of?"
    page = keyed(inspector, wound, "?material=composite", found=["fibre-damage"])
    assert question(page) == "The rules propose: reject. You decide"
    done = confirmed(inspector, wound, page, outcome="reject")
    assert done.status_code == 303
    assert [block.kind for block in standing(inspector, wound).blocks] == [f.Rejected.KIND]


def test_every_fault_of_the_form_is_said_at_once_and_nothing_that_was_keyed_is_lost(
    inspector: Tablet, steel: UUID
) -> None:
    page = keyed(
        inspector, steel, performed_on="2026-06-99", notes="Rust at the boot", wall="thick",
        **{"pit.depth": "deep", "dent.depth": "-1", "line-corrosion.where": "under the boot"},
    )  # fmt: skip
    assert page.status_code == 422
    for words in ("Pit, the deepest, depth: ", "Dent, the worst, depth: ", "Wall: ", "The day it was done: "):
        assert words in page.text
    kept = form(page, f"/bench/{steel}/inspect")
    assert kept.text("notes") == "Rust at the boot"
    assert kept.text("pit.depth") == "deep"
    assert kept.text("line-corrosion.where") == "under the boot"


def test_measuring_again_brings_the_form_back_as_it_was_keyed(inspector: Tablet, steel: UUID) -> None:
    page = keyed(inspector, steel, unit="in", found=["valve"], **{"pit.depth": "0.05"})
    again = [one for one in page.text.split("<form") if 'id="back"' in one]
    assert len(again) == 1
    form_again = inspector.post(
        f"/bench/{steel}/inspect",
        {"material": "steel", "stage": "again", "unit": "in", "found": ["valve"], "pit.depth": "0.05"},
    )
    kept = form(form_again, f"/bench/{steel}/inspect")
    assert (kept.text("pit.depth"), kept.text("unit"), kept.text("found")) == ("0.05", "in", "valve")


def test_a_day_ahead_is_said_before_the_proposal(inspector: Tablet, steel: UUID) -> None:
    page = keyed(inspector, steel, performed_on="2026-06-16", **{"pit.depth": "deep"})
    assert "lies ahead of today" in page.text
    assert "Pit, the deepest, depth: " in page.text
    page = keyed(inspector, steel, performed_on="2026-06-16")
    assert "lies ahead of today" in page.text
    assert question(page).startswith("What did you find?")


def test_a_harsher_outcome_asks_for_what_it_needs_and_an_outcome_has_to_be_chosen(
    inspector: Tablet, steel: UUID
) -> None:
    page = keyed(inspector, steel, notes="Rings dull")
    assert question(page) == "The rules propose: pass. You decide"
    assert "Choose the outcome." in confirmed(inspector, steel, page).text
    condemning = confirmed(inspector, steel, page, outcome="condemn")
    assert "Key the last 4 of the serial" in condemning.text
    done = confirmed(inspector, steel, condemning, last_four="2019", criterion="condemn.pamphlet", held="yes")
    assert done.status_code == 303
    assert standing(inspector, steel).is_condemned


def test_only_an_inspector_sees_the_form(tablet: Tablet, steel: UUID) -> None:
    assert question(tablet.get(f"/bench/{steel}/inspect")) == "This needs an inspector"
    forced = tablet.post(f"/bench/{steel}/inspect", {"material": "steel", "stage": "confirm"})
    assert question(forced) == "This needs an inspector"
