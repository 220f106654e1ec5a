"""Every step and every page of the bench in a real Chromium: readable, reachable by a gloved finger, whole at every size."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from uuid import UUID

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright
from tests.branch.a_shop import MARKS, RATED, Shop
from tests.branch.web_floor.conftest import Served
from tests.signage.conftest import QUIET

from branch.web.gate import SESSION_COOKIE
from cylinder import commands as c
from cylinder.marks import GasWanted, KeyedPressure

pytestmark = pytest.mark.browser

STEPS = ("identify", "outside", "dates", "rating", "standing", "people_out", "blow_out", "whip", "residual", "target",
         "fill", "analyse", "bleed", "tape", "set_down", "hand_over")  # fmt: skip
BENCH = ("", "/inspect", "/requalified", "/oxygen", "/reject", "/condemn", "/unusable", "/hold")
SIZES = ((640, 400), (390, 844), (1280, 800), (1920, 1080))
SMALL_TARGETS = """() => [...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary')]
  .filter(e => e.checkVisibility() && !e.closest('[hidden], .skip, p'))
  .map(e => [e, (e.closest('label') || e).getBoundingClientRect()])
  .filter(([, box]) => box.width > 0 && (box.width < 48 || box.height < 48))
  .map(([e, box]) => `${e.outerHTML.slice(0, 90)} ${box.width}x${box.height}`)"""


@pytest.fixture(scope="module")
def chromium(chromium_path: str) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=list(QUIET))
        yield browser
        browser.close()


def tablet_of(
    chromium: Browser, served: Served, *, size: tuple[int, int] = (1280, 800), script: bool = True
) -> BrowserContext:
    """A tablet of the shop, signed in, that has seen nothing before."""
    context = chromium.new_context(
        viewport={"width": size[0], "height": size[1]},
        base_url=served.url,
        java_script_enabled=script,
        reduced_motion="reduce",
    )
    for name, value in served.cookies.items():
        context.add_cookies([{"name": name, "value": value, "url": served.url}])
    return context


def as_inspector(shop: Shop, served: Served) -> Served:
    """The same tablet with the inspector signed in."""
    device = next(value for name, value in served.cookies.items() if name != SESSION_COOKIE)
    token = shop.node.people.sign_in(device_token=device, actor_id=shop.actors["inspector"].id, pin="407118")
    return Served(served.url, {**served.cookies, SESSION_COOKIE: token}, served.server)


def walk(shop: Shop, look: Callable[[str, str], None]) -> None:
    """Take a mix through a whole visit and look at each page on the way."""
    taken = c.Taken(tag=14, gas=GasWanted(oxygen_percent=32))
    got = shop.do(c.Greet, diver_ref="diver-0001", level="Nitrox", covers_nitrox=True, cylinders=(taken,))
    visit_id = got.visit_ids[0]
    more = {
        "outside": ("/outside/wrong", "/hold"),
        "target": ("?target=3000&unit=psi&room=93&degrees=f&litre=11.1",),
        "fill": ("/fill/reading", "/fill/reached", "/fill/stop"),
        "hand_over": ("/settled",),
    }
    for step in STEPS:
        assert shop.visit(visit_id).step == step
        for page in ("", *more.get(step, ())):
            look(step + page, f"/visits/{visit_id}{page}")
        if step == "analyse":
            shop.analyse(visit_id, 32.0)
        elif step == "target":
            warm = c.FillConditions(room_c=34, volume_litre=11.1)
            shop.do(c.Authorise, visit_id=visit_id, target=RATED, conditions=warm)
            reading = KeyedPressure(value=3600, unit="psi")
            shop.do(c.TakeReading, visit_id=visit_id, reading=reading)
        elif step != "hand_over":
            shop.answer(visit_id, step)


def registered(shop: Shop) -> UUID:
    """A cylinder on record with a hold on it."""
    made = shop.do(c.Register, marks=MARKS).cylinder_id
    assert made is not None
    shop.do(c.PlaceHold, cylinder_id=made, reason="Rattle inside")
    return made


def complaints(page: Page) -> list[str]:
    """What axe finds by day and by night."""
    expect(page.locator("[inert]")).to_have_count(0)
    rules: list[str] = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        found = Axe().run(page)
        rules += [
            f"{scheme} {one['id']} {[node['html'][:120] for node in one['nodes']]}"
            for one in found.response["violations"]
        ]
    return rules


def test_axe_finds_nothing_on_any_step(chromium: Browser, shop: Shop, served: Served) -> None:
    context = tablet_of(chromium, served)
    page = context.new_page()
    found: dict[str, list[str]] = {}

    def look(name: str, url: str) -> None:
        page.goto(url)
        found[name] = complaints(page)

    walk(shop, look)
    context.close()
    assert len(found) == len(STEPS) + 7
    assert {name: wrong for name, wrong in found.items() if wrong} == {}


def test_axe_finds_nothing_at_the_bench(chromium: Browser, shop: Shop, served: Served) -> None:
    cylinder = registered(shop)
    context = tablet_of(chromium, as_inspector(shop, served))
    page = context.new_page()
    found: dict[str, list[str]] = {}
    for url in (
        "/bench",
        "/bench/register",
        "/bench?serial=K4O718",
        *(f"/bench/{cylinder}{more}" for more in BENCH),
    ):
        page.goto(url)
        found[url] = complaints(page)
    shop.condemn(cylinder)
    page.goto(f"/bench/{cylinder}")
    found["condemned"] = complaints(page)
    context.close()
    assert {name: wrong for name, wrong in found.items() if wrong} == {}


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_no_page_moves_sideways_or_hides_a_target(
    chromium: Browser, shop: Shop, served: Served, size: tuple[int, int]
) -> None:
    context = tablet_of(chromium, as_inspector(shop, served), size=size)
    page = context.new_page()
    found: dict[str, list[str]] = {}

    def look(name: str, url: str) -> None:
        page.goto(url)
        sideways = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        found[name] = [*page.evaluate(SMALL_TARGETS), *(["sideways"] if sideways > 0 else [])]

    walk(shop, look)
    cylinder = registered_other(shop)
    for more in BENCH:
        look(f"bench{more}", f"/bench/{cylinder}{more}")
    look("bench list", "/bench")
    look("bench register", "/bench/register")
    context.close()
    assert {name: wrong for name, wrong in found.items() if wrong} == {}


def registered_other(shop: Shop) -> UUID:
    """A cylinder on record that looks like none that is here."""
    made = shop.do(c.Register, marks=MARKS.model_copy(update={"serial": "VX 900 33"})).cylinder_id
    assert made is not None
    return made


def test_the_rating_is_keyed_on_the_pad_with_its_twin_and_one_double_tap_records_once(
    chromium: Browser, shop: Shop, served: Served
) -> None:
    visit_id = shop.up_to("rating")
    context = tablet_of(chromium, served)
    page = context.new_page()
    page.goto(f"/visits/{visit_id}")
    expect(page.locator("[inert]")).to_have_count(0)
    for digit in "3000":
        page.click(f'[data-key="{digit}"]', delay=100)
        page.wait_for_timeout(100)
    expect(page.locator("[data-pad-twin]")).to_have_text("207 bar")
    page.dblclick("[data-primary]")
    expect(page.locator("h1")).to_have_text("No shop has condemned this cylinder")
    assert shop.visit(visit_id).step == "standing"
    context.close()


def test_condemning_takes_two_seconds_on_the_button_and_a_tap_does_nothing(
    chromium: Browser, shop: Shop, served: Served
) -> None:
    cylinder = registered(shop)
    context = tablet_of(chromium, as_inspector(shop, served))
    page = context.new_page()
    page.goto(f"/bench/{cylinder}/condemn")
    expect(page.locator("[inert]")).to_have_count(0)
    page.fill("[name=reason]", "Crack across two threads")
    page.select_option("[name=criterion]", "condemn.cracking")
    page.fill("[name=last_four]", "0718")
    page.click("[data-press]")
    expect(page.locator("h1")).to_have_text("Condemn this cylinder for good?")
    page.focus("[data-press]")
    page.keyboard.down("Enter")
    expect(page.locator("h1")).to_have_text("Condemned. Never fill it", timeout=6000)
    page.keyboard.up("Enter")
    context.close()


def test_the_steps_work_without_script(chromium: Browser, shop: Shop, served: Served) -> None:
    visit_id = shop.up_to("rating")
    context = tablet_of(chromium, served, script=False)
    page = context.new_page()
    page.goto(f"/visits/{visit_id}")
    assert not page.is_visible(".keys")
    page.fill("[name=rated]", "207")
    page.check("[name=unit][value=psi]", force=True)
    page.click(".primary")
    expect(page.locator("main")).to_contain_text("207 psi is low for a rating.")
    page.check("[name=unit][value=bar]", force=True)
    page.click(".primary")
    expect(page.locator("h1")).to_have_text("No shop has condemned this cylinder")
    rating = shop.visit(visit_id).rating
    assert rating is not None
    assert rating.rated == KeyedPressure(value=207, unit="bar")
    context.close()


def test_an_open_step_turns_into_the_stop_by_itself(chromium: Browser, shop: Shop, served: Served) -> None:
    visit_id = shop.up_to("whip")
    cylinder = shop.visit(visit_id).cylinder_id
    assert cylinder is not None
    context = tablet_of(chromium, served)
    page = context.new_page()
    page.goto(f"/visits/{visit_id}")
    expect(page.locator("[data-link-words]")).to_have_text("live")
    shop.condemn(cylinder)
    expect(page.locator("h1")).to_contain_text("Do not fill.", timeout=3000)
    context.close()


def test_axe_finds_nothing_on_the_pages_of_doubt(chromium: Browser, shop: Shop, served: Served) -> None:
    blank = MARKS.model_copy(update={"serial": "K4O7I8", "maker": ""})
    known = shop.do(c.Register, marks=blank).cylinder_id
    assert known is not None
    shop.condemn(known, last_four="O7I8")
    near = MARKS.model_copy(update={"serial": "W1000B", "spec": "3AA"})
    shop.do(c.Register, marks=near)
    visit_id = shop.greet()
    page = tablet_of(chromium, served).new_page()
    found: dict[str, list[str]] = {}

    def key_marks(serial: str) -> None:
        page.goto(f"/visits/{visit_id}")
        page.fill("[name=serial]", serial)
        page.fill("[name=maker]", "ZQ")
        page.select_option("[name=spec]", "3AL")
        page.click("[data-primary]")
        expect(page.locator("h1")).to_have_text("Read its first test date")
        found["first test"] = complaints(page)
        page.check("[name=first_test_month][value='7']", force=True)
        page.fill("[name=first_test_year]", "2021")
        page.click("[data-primary]")

    key_marks("K40718")
    expect(page.locator("h1")).to_have_text("Read the serial again, off the metal")
    found["second reading"] = complaints(page)
    page.fill("[name=second_serial]", "K40718")
    page.click("[data-primary]")
    expect(page.locator("h1")).to_have_text("They cannot be told apart. Do not fill it")
    found["cannot tell"] = complaints(page)
    key_marks("W10008")
    expect(page.locator("h1")).to_have_text("Is it one of these?")
    found["look-alikes"] = complaints(page)
    page.click("text=It is another cylinder")
    expect(page.locator("h1")).to_have_text("Look all round the outside. Is it sound?")
    shop.do(c.LookOver, by="inspector", visit_id=visit_id, sound=True)
    page.click(".choice.is-good")
    expect(page.locator("h1")).to_have_text("I. Person took tag 14 on before you")
    found["moved on"] = complaints(page)
    page.context.close()
    assert {name: wrong for name, wrong in found.items() if wrong} == {}
