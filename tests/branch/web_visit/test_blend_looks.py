"""The pages of a blend in a real Chromium: readable by day and by night, reachable by a glove, whole on a phone, good without script."""

from __future__ import annotations

import datetime as dt
import uuid
from urllib.parse import urlencode

import pytest
from playwright.sync_api import expect, sync_playwright
from tests.branch.a_shop import Shop
from tests.branch.web_floor.conftest import Served
from tests.branch.web_visit.test_blend import GASES, SHEET, TICKED, a_mix
from tests.branch.web_visit.test_looks import SMALL_TARGETS, complaints, tablet_of
from tests.signage.conftest import QUIET

from cylinder import commands as c
from cylinder.marks import GasWanted, KeyedPressure

pytestmark = pytest.mark.browser


def test_a_blend_is_whole_on_tablet_and_phone_by_day_and_by_night_and_goes_without_script(
    chromium_path: str, shop: Shop, served: Served
) -> None:
    shop.node.gases.keep(GASES)
    shop.node.gases.set_trained(shop.actors["operator"].id, dt.date(2027, 1, 1))
    visit_id = a_mix(shop, GasWanted(oxygen_percent=32)).id
    shop.do(c.SayGasFit, visit_id=visit_id, shown_by="Sheet of June", was_filled_nowhere_else=True)
    plan = urlencode([*SHEET.items(), *(("gas", name) for name in TICKED)])
    here = f"/visits/{visit_id}"
    found: dict[str, list[str]] = {}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=list(QUIET))
        tablet = tablet_of(browser, served).new_page()
        phone = tablet_of(browser, served, size=(390, 844), script=False).new_page()

        def look(name: str, url: str, *, by_axe: bool = True) -> None:
            phone.goto(url)
            sideways = phone.evaluate("document.documentElement.scrollWidth - innerWidth")
            found[name] = [*phone.evaluate(SMALL_TARGETS), *(["sideways"] if sideways > 0 else [])]
            if by_axe:
                tablet.goto(url)
                found[name] += complaints(tablet)

        look("sheet", f"/blend?{plan}")
        look("gases", "/blend/gases", by_axe=False)
        look("asked", f"{here}/blend")
        phone.goto(f"{here}/blend")
        phone.check("[name=measured][value=yes]", force=True)
        phone.check("[name=degrees][value=c]", force=True)
        for name, value in (("oxygen", "36"), ("helium", "0"), ("cylinder_c", "20"), ("step_c", "20")):
            phone.fill(f"[name={name}]", value)
        phone.fill("[name=end]", "3000")
        phone.fill("[name=volume]", "11.1")
        phone.click(".primary")
        expect(phone.locator("h1")).to_contain_text("start like this?")
        phone.click(".primary")
        expect(phone.locator("h1")).to_contain_text("Add Oxygen bank until")
        look("step", here)
        shop.do(
            c.DoBlendStep,
            key=uuid.uuid4(),
            visit_id=visit_id,
            read=KeyedPressure(value=2990, unit="psi"),
            at_c=20,
        )
        look("stuck", here)
        look("anew", f"{here}/blend_anew", by_axe=False)
        browser.close()
    assert len(found) == 6
    assert {name: wrong for name, wrong in found.items() if wrong} == {}
