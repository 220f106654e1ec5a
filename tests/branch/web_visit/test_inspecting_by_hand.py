"""An inspector at the bench in a real Chromium: a pit in steel, a valley in a neck thread, a cut in a wound cylinder."""

from __future__ import annotations

from uuid import UUID

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect
from tests.branch.a_shop import MARKS, Shop
from tests.branch.web_floor.conftest import Served
from tests.branch.web_visit.test_looks import as_inspector, chromium, tablet_of

from cylinder import commands as c
from cylinder.marks import Marks

__all__ = ["chromium"]
pytestmark = pytest.mark.browser


def on_record(shop: Shop, serial: str, spec: str, first_test: str) -> UUID:
    marks = Marks(serial=serial, maker="NX", spec=spec, first_test=first_test)
    made = shop.do(c.Register, marks=marks).cylinder_id
    assert made is not None
    return made


def go_on(page: Page) -> None:
    """The primary button, once the page answers again after it has turned."""
    expect(page.locator("[inert]")).to_have_count(0)
    page.locator("[data-primary]").click()


def look_at(page: Page, question: str) -> None:
    """The page asks this, and axe finds nothing against it."""
    expect(page.locator("h1")).to_have_text(question)
    assert [one["id"] for one in Axe().run(page).response["violations"]] == []


def test_an_inspector_rejects_a_pit_condemns_a_valley_and_rejects_a_cut(
    chromium: Browser,
    shop: Shop,
    served: Served,
) -> None:
    steel = on_record(shop, "S72019", "3AA", "1968-06")
    wound = on_record(shop, "W19", "DOT-SP 99999", "2019-02")
    aluminium = shop.do(c.Register, marks=MARKS).cylinder_id
    context = tablet_of(chromium, as_inspector(shop, served))
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))

    page.goto(f"/bench/{steel}/inspect")
    page.select_option("[name=unit]", "mm")
    page.fill('[name="pit.depth"]', "1.2")
    go_on(page)
    look_at(page, "The rules propose: reject. You decide")
    page.check("[name=outcome][value=reject]")
    go_on(page)
    expect(page.locator("h1")).to_have_text("Rejected")

    page.goto(f"/bench/{wound}/inspect?material=composite")
    page.check('[value="fibre-damage"]')
    go_on(page)
    look_at(page, "The rules propose: reject. You decide")

    page.goto(f"/bench/{aluminium}/inspect")
    page.fill('[name="neck-crack.threads"]', "2.5")
    go_on(page)
    look_at(page, "It meets a criterion that condemns")
    page.fill("[name=last_four]", "0718")
    button = page.locator("[data-press]")
    expect(button).to_be_enabled()
    expect(page.locator("[inert]")).to_have_count(0)
    button.focus()
    page.keyboard.down("Enter")
    expect(page.locator("h1")).to_have_text("Condemned. Never fill it", timeout=15_000)
    page.keyboard.up("Enter")
    assert faults == []
    context.close()
