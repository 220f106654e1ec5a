"""The bench by its forms: good news from an inspector in date, condemnation only off the metal and on purpose."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

import httpx
import pytest
from tests.branch.a_shop import MARKS, Shop
from tests.branch.web_floor.conftest import Tablet
from tests.branch.web_visit.conftest import AtVisit, question

from cylinder import commands as c
from cylinder.standing import Standing


@pytest.fixture
def cylinder(shop: Shop) -> UUID:
    """On record, nothing against it."""
    registered = shop.do(c.Register, marks=MARKS).cylinder_id
    assert registered is not None
    return registered


def inspect(tablet: Tablet, cylinder: UUID, outcome: str, **values: str) -> httpx.Response:
    """Fill in the form of the inspection, look at the proposal, confirm an outcome."""
    where = f"/bench/{cylinder}/inspect"
    asked = tablet.send(tablet.get(where), where, **values)
    return asked if 'name="outcome"' not in asked.text else tablet.send(asked, where, outcome=outcome)


def standing(tablet: Tablet, cylinder: UUID) -> Standing:
    """What the shop holds of it."""
    found = tablet.get(f"/api/cylinders/{cylinder}/standing")
    return Standing.model_validate_json(found.content)


def judge(tablet: Tablet, cylinder: UUID, what: str, **values: str) -> httpx.Response:
    """Open the judgement's page, fill its form in, send it."""
    where, _, query = what.partition("?")
    page = tablet.get(f"/bench/{cylinder}/{what}" if query else f"/bench/{cylinder}/{where}")
    return tablet.send(page, f"/bench/{cylinder}/{where}", **values)


CONDEMN = {
    "reason": "Crack across two threads",
    "criterion": "condemn.cracking",
    "last_four": "0718",
    "held": "yes",
}


def test_a_cylinder_is_condemned_with_criterion_and_clause_and_the_page_says_what_to_do_next(
    inspector: Tablet, cylinder: UUID
) -> None:
    assert "49 CFR 180.205(i)(1)(iii)" in inspector.get(f"/bench/{cylinder}/condemn").text
    done = judge(inspector, cylinder, "condemn", **CONDEMN)
    assert (done.status_code, done.headers["location"]) == (303, f"/bench/{cylinder}")
    page = inspector.get(f"/bench/{cylinder}")
    assert question(page) == "Condemned. Never fill it"
    assert "stamps X&#39;s over specification and pressure" in page.text
    assert "tells the owner in writing" in page.text
    assert "49 CFR 180.205(i)(1)(iii)" in page.text
    assert standing(inspector, cylinder).is_condemned


@pytest.mark.parametrize("last_four", ["", "0719", "718", "----"])
def test_condemning_needs_the_last_four_off_the_metal(
    inspector: Tablet, cylinder: UUID, last_four: str
) -> None:
    refused = judge(inspector, cylinder, "condemn", **{**CONDEMN, "last_four": last_four})
    assert refused.status_code == 409
    assert "is not the end of this record&#39;s serial" in refused.text
    assert "Crack across two threads" in refused.text
    assert standing(inspector, cylinder).is_clear


def test_condemning_needs_the_button_held_or_the_box_ticked(inspector: Tablet, cylinder: UUID) -> None:
    page = inspector.get(f"/bench/{cylinder}/condemn")
    assert '<noscript><label class="press-plain"><input type="checkbox" name="held"' in page.text
    refused = inspector.send(page, f"/bench/{cylinder}/condemn", **{**CONDEMN, "held": ""})
    assert refused.status_code == 409
    assert "hold it for two seconds" in refused.text
    assert standing(inspector, cylinder).is_clear


def test_condemning_needs_a_criterion(inspector: Tablet, cylinder: UUID) -> None:
    refused = judge(inspector, cylinder, "condemn", **{**CONDEMN, "criterion": ""})
    assert "Choose the criterion that the finding meets." in refused.text


def test_an_operator_sees_why_not_and_may_put_it_on_hold(tablet: Tablet, cylinder: UUID) -> None:
    page = tablet.get(f"/bench/{cylinder}")
    assert "Only an inspector may do that." in page.text
    assert f"/bench/{cylinder}/condemn" not in page.text
    assert question(tablet.get(f"/bench/{cylinder}/condemn")) == "This needs an inspector"
    whole = {**CONDEMN, "key": str(UUID(int=7)), "performed_on": "2026-06-15"}
    forced = tablet.client.post(f"/bench/{cylinder}/condemn", data=whole)
    assert (forced.status_code, question(forced)) == (409, "This needs an inspector")
    assert standing(tablet, cylinder).is_clear
    assert judge(tablet, cylinder, "hold", reason="Rattle inside").status_code == 303
    assert standing(tablet, cylinder).is_only_held


def test_an_inspector_whose_certificate_ran_out_sees_why_not(inspector: Tablet, cylinder: UUID) -> None:
    inspector.shop.clock.move(dt.timedelta(days=600))
    inspector.sign_in("inspector")
    page = inspector.get(f"/bench/{cylinder}/inspect")
    assert "certificate has run out" in page.text


def test_the_certificate_stands_in_the_rail_and_over_the_list(inspector: Tablet, cylinder: UUID) -> None:
    page = inspector.get(f"/bench/{cylinder}").text
    assert "31 Dec 2027" in page
    assert "C-1" in page
    assert "to Dec 2027" in inspector.get("/bench").text


def test_a_hold_is_released_with_a_finding_by_name(inspector: Tablet, cylinder: UUID) -> None:
    inspector.shop.do(c.PlaceHold, cylinder_id=cylinder, reason="Rattle inside")
    block = standing(inspector, cylinder).blocks[0]
    assert f"/bench/{cylinder}/release?block={block.id}" in inspector.get(f"/bench/{cylinder}").text
    empty = judge(inspector, cylinder, f"release?block={block.id}", finding=" ")
    assert empty.status_code == 422
    done = judge(inspector, cylinder, f"release?block={block.id}", finding="Sand, washed out")
    assert done.status_code == 303
    assert standing(inspector, cylinder).is_clear


def test_a_failed_look_blocks_and_a_passed_one_lifts_it(inspector: Tablet, cylinder: UUID) -> None:
    assert inspect(inspector, cylinder, "fail", notes="Pitting at the base").status_code == 303
    assert standing(inspector, cylinder).blocks[0].words == "Failed inside look"
    done = inspect(inspector, cylinder, "pass", notes="Tumbled, clean", rated="3000", rated_unit="psi")
    assert done.status_code == 303
    now = standing(inspector, cylinder)
    assert now.is_clear
    assert (now.looked_inside, now.rated is not None and now.rated.words) == ("2026-06", "3000 psi")


def test_a_rejected_cylinder_comes_back_only_by_requalification(inspector: Tablet, cylinder: UUID) -> None:
    assert judge(
        inspector, cylinder, "reject", reason="Threads worn", criterion="reject.threads_worn"
    ).is_redirect
    assert inspect(inspector, cylinder, "pass").is_redirect
    assert not standing(inspector, cylinder).is_clear
    readings = {"total": "100", "permanent": "2", "rated": "3000", "test_pressure": "5000"}
    passed = judge(inspector, cylinder, "requalified", **readings)
    assert inspector.send(passed, f"/bench/{cylinder}/requalified").is_redirect
    assert standing(inspector, cylinder).is_clear


def test_the_owner_is_told_and_the_metal_made_unusable(inspector: Tablet, cylinder: UUID) -> None:
    judge(inspector, cylinder, "condemn", **CONDEMN)
    assert "Condemned, and it can still hold pressure" in inspector.get("/bench").text
    block = standing(inspector, cylinder).blocks[0]
    assert judge(inspector, cylinder, f"notify?block={block.id}", how="Letter, handed over").is_redirect
    assert judge(inspector, cylinder, "unusable", how="Neck threads drilled out").is_redirect
    page = inspector.get(f"/bench/{cylinder}").text
    assert "The owner was told in writing." in page
    assert "Neck threads drilled out" in page
    assert "can still hold pressure" not in inspector.get("/bench").text


@pytest.mark.parametrize("day", ["2026-06-16", "2026-05-01", "", "2026-13-01", "yesterday"])
def test_a_day_that_cannot_be_is_refused_in_words(inspector: Tablet, cylinder: UUID, day: str) -> None:
    refused = inspect(inspector, cylinder, "pass", performed_on=day)
    assert refused.status_code in (409, 422)
    assert "Not recorded." in refused.text
    assert standing(inspector, cylinder).looked_inside is None


def test_a_cylinder_is_put_on_record_by_its_marks_and_a_blocked_look_alike_asks_again(
    inspector: Tablet, cylinder: UUID
) -> None:
    judge(inspector, cylinder, "condemn", **CONDEMN)
    marks = {"serial": "K4O718", "maker": "PP", "spec": "3AA"}
    date = {"first_test_month": "3", "first_test_year": "1999"}
    page = inspector.get("/bench/register")
    asked = inspector.send(page, "/bench/register", **marks, **date)
    assert question(asked) == "Read the serial again, off the metal"
    done = inspector.send(asked, "/bench/register", second_serial="K4O718")
    assert done.status_code == 303
    assert "K4O718" in inspector.get(done.headers["location"]).text


def test_what_is_on_record_already_is_shown_with_a_way_to_it(inspector: Tablet, cylinder: UUID) -> None:
    page = inspector.get("/bench/register")
    refused = inspector.send(
        page,
        "/bench/register",
        serial="K40718",
        maker="ZQ",
        spec="3AL",
        first_test_month="7",
        first_test_year="2021",
    )
    assert "on record already" in refused.text
    assert f'href="/bench/{cylinder}"' in refused.text


def test_the_bench_lists_what_is_held_and_finds_by_a_near_serial(inspector: Tablet, cylinder: UUID) -> None:
    inspector.shop.do(c.PlaceHold, cylinder_id=cylinder, reason="Rattle inside")
    assert "Rattle inside" in inspector.get("/bench").text
    found = inspector.get("/bench?serial=K4O7I8").text
    assert "Found, nearest first" in found
    assert f'href="/bench/{cylinder}"' in found


def test_what_the_bench_condemns_stops_the_open_visit_at_the_counter(
    visit: AtVisit, inspector: Tablet
) -> None:
    visit.up_to("residual")
    cylinder = visit.shop.visit(visit.id).cylinder_id
    assert cylinder is not None
    assert "tag 14" in inspector.get(f"/bench/{cylinder}").text
    judge(inspector, cylinder, "condemn", **CONDEMN)
    assert "Do not fill." in visit.look().text
