"""The floor's pages in a real Chromium: readable by axe, touchable, whole at every size, live, and forgiving."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from uuid import UUID

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect, sync_playwright
from tests.branch.a_shop import Shop
from tests.branch.web_floor.conftest import A_WHILE, PIN, Served

from branch.web.gate import DEVICE_COOKIE, SESSION_COOKIE
from cylinder import commands as c
from cylinder.marks import Marks
from eventlog.wire import DiverCard

pytestmark = pytest.mark.browser
QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
SIZES = ((640, 400), (390, 844), (1280, 800), (1920, 1080))
# A link inside a running sentence is exempt (WCAG 2.5.8); a box to tick is as big as its label.
SMALL_TARGETS = """() => [...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary')]
  .filter(e => e.checkVisibility({visibilityProperty: true}) && !e.closest('[hidden], .skip, p'))
  .map(e => [e, (e.closest('label') || e).getBoundingClientRect()])
  .filter(([, box]) => box.width > 0 && (box.width < 48 || box.height < 48))
  .map(([e, box]) => `${e.outerHTML.slice(0, 90)} ${box.width}x${box.height}`)"""


@pytest.fixture(scope="module")
def chromium(chromium_path: str) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=list(QUIET))
        yield browser
        browser.close()


def a_page(
    chromium: Browser, served: Served, *, size: tuple[int, int] = (1280, 800), night: bool = False
) -> Page:
    """A tablet of the shop with somebody signed in."""
    context = chromium.new_context(
        base_url=served.url,
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if night else "light",
        reduced_motion="reduce",
    )
    for name, value in served.cookies.items():
        context.add_cookies([{"name": name, "value": value, "url": served.url}])
    return context.new_page()


def marks(serial: str) -> Marks:
    return Marks(serial=serial, maker="ZQ", spec="3AL", first_test="2021-07")


def furnished(shop: Shop) -> tuple[str, ...]:
    """A floor with something of everything, and the address of every page of it."""
    shop.node.divers.keep(DiverCard(diver_ref="diver-0001", name="Ana Duarte", email="ana@example.org"))
    shop.up_to("hand_over", tag=1, marks=marks("A10001"))
    handed = shop.up_to("hand_over", tag=30, marks=marks("A30001"), visit_id=_elsewhere(shop, 30))
    shop.answer(handed, "hand_over")
    stopped = shop.up_to("standing", tag=2, marks=marks("A20001"))
    held = shop.up_to("people_out", tag=3, marks=marks("A30003"))
    shop.do(c.HoldIt, visit_id=held, why="Valve does not close")
    filling = shop.up_to("fill", tag=4, marks=marks("A40001"))
    cylinder_id = shop.visit(stopped).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id, last_four="0001")
    shop.greet(tag=5)
    return (
        "/", "/?far=1", "/more", "/greet", "/greet?q=ana", "/greet?diver=diver-0001", "/find", "/find?serial=A2OOO1",
        f"/cylinders/{cylinder_id}", f"/visits/{stopped}", f"/visits/{held}", f"/visits/{filling}", "/people-out",
        "/hand-over", "/hand-over?diver=diver-0001", f"/handed-over/{handed}", "/rules", "/network", "/nowhere",
        "/staff",
    )  # fmt: skip


def _elsewhere(shop: Shop, tag: int) -> UUID:
    """A visit whose cylinder stands in no slot yet that another one holds."""
    taken = shop.do(c.Greet, diver_ref="diver-0001", level="Open water", cylinders=(c.Taken(tag=tag),))
    visit_id = taken.visit_ids[0]
    shop.up_to("set_down", visit_id=visit_id, marks=marks("A30001"))
    shop.do(c.SetDownAt, visit_id=visit_id, slot=9)
    return visit_id


@pytest.fixture
def managed(shop: Shop, served: Served) -> Served:
    """The same tablet with the manager signed in, who has every page."""
    token = shop.node.people.sign_in(
        device_token=served.cookies[DEVICE_COOKIE], actor_id=shop.actors["manager"].id, pin=PIN
    )
    return replace(served, cookies={**served.cookies, SESSION_COOKIE: token})


def opened(page: Page, address: str) -> None:
    """Open a page, ready to be used, and make sure that it is that page."""
    page.goto(address)
    expect(page.locator("[inert]")).to_have_count(0)
    assert page.url.endswith(address)


@pytest.mark.slow
@pytest.mark.timeout(500)
def test_axe_finds_nothing_to_complain_of_by_day_and_by_night(
    chromium: Browser, shop: Shop, managed: Served
) -> None:
    addresses = furnished(shop)
    found = []
    for night in (False, True):
        page = a_page(chromium, managed, night=night)
        for address in addresses:
            opened(page, address)
            report = Axe().run(page)
            if report.violations_count:
                found.append(f"{address} {'night' if night else 'light'}: {report.generate_report()}")
        page.context.clear_cookies(name=SESSION_COOKIE)
        for address in ("/sign-in", f"/sign-in?who={shop.actors['operator'].id}"):
            page.goto(address)
            expect(page.locator("[inert]")).to_have_count(0)
            report = Axe().run(page)
            if report.violations_count:
                found.append(f"{address}: {report.generate_report()}")
        page.context.clear_cookies()
        page.goto("/sign-in")
        report = Axe().run(page)
        if report.violations_count:
            found.append(f"enrol: {report.generate_report()}")
        page.context.close()
    assert found == []


@pytest.mark.slow
@pytest.mark.timeout(500)
def test_every_page_is_whole_and_touchable_at_every_size(
    chromium: Browser, shop: Shop, managed: Served
) -> None:
    addresses = furnished(shop)
    found = []
    for size in SIZES:
        page = a_page(chromium, managed, size=size)
        for address in addresses:
            opened(page, address)
            page.evaluate("document.fonts.ready")
            sideways = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            if sideways > 0:
                found.append(f"{address} at {size}: {sideways} px sideways")
            found += [f"{address} at {size}: {small}" for small in page.evaluate(SMALL_TARGETS)]
        page.context.close()
    assert found == []


def test_an_open_fill_turns_into_the_stop_by_itself(chromium: Browser, shop: Shop, served: Served) -> None:
    visit_id = shop.up_to("fill")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    page = a_page(chromium, served)
    page.goto(f"/visits/{visit_id}")
    expect(page.locator("[data-link-words]")).to_have_text("live")
    shop.condemn(cylinder_id)
    expect(page.locator("h1")).to_have_text(re.compile("Stop.*Do not fill"), timeout=2000)
    page.get_by_role("button", name="Both valves are closed").click()
    page.get_by_role("button", name="The whip is bled and off").click()
    page.get_by_role("button", name="It is in the red rack").click()
    expect(page.locator("#floor-count")).to_have_text("Floor: 0 full of 0")
    page.context.close()


@pytest.mark.parametrize("is_practice", [False, True])
@pytest.mark.parametrize("size", [(1280, 800), (390, 844)])
def test_the_ways_out_of_a_stop_are_in_sight_however_much_is_said(
    chromium: Browser, shop: Shop, served: Served, size: tuple[int, int], is_practice: bool
) -> None:
    shop.node.world = replace(shop.node.world, is_practice=is_practice)
    visit_id = shop.up_to("standing")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    for _ in range(9):
        shop.condemn(cylinder_id)
    page = a_page(chromium, served, size=size)
    page.goto(f"/visits/{visit_id}")
    assert page.evaluate("document.documentElement.scrollHeight - innerHeight") > 0, "not too long to fit"
    for label in ("It is in the red rack", "I misread the serial"):
        expect(page.get_by_role("button", name=label)).to_be_in_viewport(ratio=1)
    page.context.close()


def test_the_board_is_live_on_two_tablets_and_its_ages_tick(
    chromium: Browser, shop: Shop, served: Served
) -> None:
    one, two = a_page(chromium, served), a_page(chromium, served)
    for page in (one, two):
        page.goto("/")
        expect(page.locator("[data-link-words]")).to_have_text("live")
        expect(page.locator("#floor")).to_contain_text("Nothing stands on the floor")
    shop.greet(tag=14)
    for page in (one, two):
        expect(page.locator("#tile-14")).to_contain_text("Waiting", timeout=2000)
    shop.do(c.SendPeopleOut)
    expect(two.locator("#mast-chips")).to_contain_text("s ago", timeout=3000)
    one.locator("#tile-14").focus()
    shop.up_to("outside", visit_id=shop.node.desk.open_visits()[0].id)
    expect(one.locator("#tile-14")).to_contain_text("Bench", timeout=2000)
    assert one.evaluate("document.activeElement.id") == "tile-14"
    for page in (one, two):
        page.context.close()


def test_what_was_keyed_outlives_a_lock_in_the_browser(chromium: Browser, shop: Shop, served: Served) -> None:
    shop.node.divers.keep(DiverCard(diver_ref="diver-0001", name="Ana Duarte", email="ana@example.org"))
    page = a_page(chromium, served)
    page.goto("/greet?diver=diver-0001")
    page.select_option("[name=level]", "Rescue")
    page.fill("[name=tag]", "42")
    shop.clock.move(A_WHILE)
    page.get_by_role("button", name="Take in").click()
    expect(page.locator("main")).to_contain_text("This tablet had locked")
    page.get_by_role("button", name="O. Person").click()
    for digit in PIN:
        page.click(f'[data-key="{digit}"]')
        page.wait_for_timeout(100)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Send what was keyed").click()
    page.wait_for_url("**/visits/*")
    assert [visit.tag for visit in shop.node.desk.open_visits()] == [42]
    page.context.close()


def test_a_night_tablet_is_dark_and_a_stop_stays_red(chromium: Browser, shop: Shop, served: Served) -> None:
    visit_id = shop.up_to("outside")
    cylinder_id = shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    shop.condemn(cylinder_id)
    page = a_page(chromium, served, night=True)
    ground = "getComputedStyle(document.body).backgroundColor"
    page.goto("/")
    assert page.evaluate(ground) == "rgb(11, 20, 22)"
    page.goto(f"/visits/{visit_id}")
    assert page.evaluate(ground) == "rgb(179, 18, 29)"
    page.context.close()
