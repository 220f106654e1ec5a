"""The banks and the depth aids in a real Chromium: readable by axe, touchable, whole on a phone, and used by hand."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect, sync_playwright
from tests.branch.a_shop import Shop
from tests.branch.web_floor.conftest import PIN, Served
from tests.branch.web_floor.test_browser import QUIET, SMALL_TARGETS

from branch.web.gate import DEVICE_COOKIE, SESSION_COOKIE

pytestmark = pytest.mark.browser
ASKED = "delivery=12&swept=1&ratio=15&least=200"


def look(page: Page, path: str) -> None:
    page.goto(path)
    assert Axe().run(page).response["violations"] == [], path
    assert page.evaluate(SMALL_TARGETS) == [], path
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path


def set_up_by_hand(page: Page) -> str:
    page.goto("/banks/set-up")
    page.get_by_label("What it is called").fill("Air bank")
    page.get_by_label("Oxygen, %").fill("20.9")
    page.get_by_label("Bottle 1, name").fill("A")
    page.get_by_label("Water volume, litres", exact=True).first.fill("50")
    page.get_by_label("Service pressure", exact=True).first.fill("4350")
    page.get_by_label("Whip 1").check()
    page.get_by_role("button", name="Set it up").click()
    expect(page.get_by_role("heading", name="What does bottle A read?")).to_be_visible()
    here = page.url.partition("/read")[0]
    page.get_by_label("Temperature of the bottle").fill("75")
    for key in "4217":
        page.get_by_role("button", name=key, exact=True).click()
    page.get_by_role("button", name="Record the gauge").click()
    # The first figure of a node waits for its engine.
    expect(page.get_by_text("4217 psi at 24 °C")).to_be_visible(timeout=60_000)
    return here.partition("/banks/")[2]


def test_banks_and_depth_aids_by_hand(served: Served, shop: Shop, chromium_path: str) -> None:
    device = served.cookies[DEVICE_COOKIE]
    session = shop.node.people.sign_in(device_token=device, actor_id=shop.actors["manager"].id, pin=PIN)
    cookies = {DEVICE_COOKIE: device, SESSION_COOKIE: session}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=list(QUIET))
        context = browser.new_context(
            base_url=served.url, viewport={"width": 1280, "height": 800}, reduced_motion="reduce"
        )
        for name, value in cookies.items():
            context.add_cookies([{"name": name, "value": value, "url": served.url}])
        page = context.new_page()
        look(page, "/banks")
        bank = set_up_by_hand(page)
        page.set_viewport_size({"width": 390, "height": 844})
        page.emulate_media(color_scheme="dark")
        paths = (
            "",
            f"/{bank}?{ASKED}",
            f"/{bank}?litre=x",
            f"/{bank}/read",
            f"/{bank}/topped-up",
            f"/{bank}/set-up",
        )
        for path in paths:
            look(page, f"/banks{path}")
        for path in ("", "/end?oxygen=18&helium=45&depth=200", "/exposure?oxygen=50&depth=x"):
            look(page, f"/depth{path}")
        browser.close()
