"""A diver signs with a finger in a real Chromium, by day and by night; without enough of a stroke the button sleeps."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect, sync_playwright
from tests.branch.a_shop import MARKS, Shop
from tests.branch.web_floor.conftest import Served
from tests.branch.web_visit.test_looks import complaints, tablet_of
from tests.signage.conftest import QUIET

from cylinder import commands as c
from cylinder.marks import GasWanted

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def chromium(chromium_path: str) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=list(QUIET))
        yield browser
        browser.close()


def test_a_finger_signs_and_the_label_is_shown(chromium: Browser, shop: Shop, served: Served) -> None:
    taken = c.Taken(tag=14, gas=GasWanted(oxygen_percent=18, helium_percent=45))
    got = shop.do(c.Greet, diver_ref="diver-0001", level="Trimix", covers_trimix=True, cylinders=(taken,))
    visit_id = shop.up_to("analyse", visit_id=got.visit_ids[0], marks=MARKS)
    shop.analyse(visit_id, 18.2, 44.6)
    shop.up_to("hand_over", visit_id=visit_id, marks=MARKS)
    context = tablet_of(chromium, served)
    page = context.new_page()
    page.goto(f"/visits/{visit_id}/sign")
    assert complaints(page) == []
    page.check("[name=read]", force=True)
    field = page.locator("[data-sign-field]").bounding_box()
    assert field is not None
    left, middle = field["x"] + 20, field["y"] + 60
    page.mouse.click(left, middle)
    expect(page.locator("[data-primary]")).to_be_disabled()
    page.click("[data-sign-clear]")
    page.mouse.move(left, middle)
    page.mouse.down()
    page.mouse.move(left + 150, middle + 30, steps=12)
    page.mouse.up()
    expect(page.locator("[data-primary]")).to_be_enabled()
    page.click("[data-primary]")
    expect(page.locator("h1")).to_have_text("Tag 14 is full")
    signed = shop.visit(visit_id).signed
    assert signed is not None
    assert signed.how == "drawn"
    page.goto(f"/visits/{visit_id}/label")
    assert page.evaluate("document.querySelector('.label-picture').naturalWidth") == 732
    context.close()
