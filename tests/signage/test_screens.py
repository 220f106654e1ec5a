"""Every screen in a real Chromium: readable, reachable by a gloved finger, whole at every size."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect
from tests.signage.conftest import Stand

pytestmark = pytest.mark.browser
SCREENS = (
    "board",
    "board?far=1",
    "rated",
    "dates",
    "outside",
    "people",
    "standing",
    "fill",
    "tape",
    "stop",
    "condemn",
    "desk",
    "parts",
)
SIZES = ((640, 400), (390, 844), (1280, 800), (1920, 1080))
# A link inside a running sentence is exempt (WCAG 2.5.8); the hidden radio inside a key is as big as the key.
SMALL_TARGETS = """() => [...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary')]
  .filter(e => e.checkVisibility() && !e.closest('[hidden], .skip, p'))
  .map(e => [e, (e.closest('label') || e).getBoundingClientRect()])
  .filter(([, box]) => box.width > 0 && (box.width < 48 || box.height < 48))
  .map(([e, box]) => `${e.outerHTML.slice(0, 90)} ${box.width}x${box.height}`)"""
CLIPPED = """() => [...document.querySelectorAll('.face, .face-state, .whip-words, .rating, .key, .primary, .foot-button')]
  .filter(e => e.checkVisibility() && (e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1) && e.clientWidth)
  .map(e => `${e.className}: ${e.textContent.trim()}`)
  .concat([...document.querySelectorAll('.floor > li')].filter(e => e.scrollHeight > e.clientHeight + 1).map(e => `too tall: ${e.textContent.trim()}`))
  .concat([...document.querySelectorAll('.face-tag')].filter(e => e.getClientRects().length > 1 || e.offsetHeight > 150).map(e => `broken: ${e.textContent}`))"""


def address(screen: str, night: str) -> str:
    return f"/p/{screen}{'&' if '?' in screen else '?'}night={night}"


@pytest.mark.parametrize("night", ["0", "1"], ids=["light", "night"])
@pytest.mark.parametrize("screen", SCREENS)
def test_axe_finds_nothing_to_complain_of(tablet: Page, screen: str, night: str) -> None:
    tablet.goto(address(screen, night))
    expect(tablet.locator("[inert]")).to_have_count(0)
    found = Axe().run(tablet)
    assert found.violations_count == 0, found.generate_report()


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("screen", SCREENS)
def test_a_screen_is_whole_and_touchable_at_every_size(
    chromium: Browser, stand: Stand, screen: str, size: tuple[int, int]
) -> None:
    page = chromium.new_page(viewport={"width": size[0], "height": size[1]}, base_url=stand.url)
    page.goto(address(screen, "0"))
    page.evaluate("document.fonts.ready")
    sideways = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    small, clipped = page.evaluate(SMALL_TARGETS), page.evaluate(CLIPPED)
    page.close()
    assert (sideways <= 0, small, clipped) == (True, [], [])


def test_forced_colours_keep_tape_hatch_and_octagon(chromium: Browser, stand: Stand) -> None:
    page = chromium.new_page(forced_colors="active", base_url=stand.url)
    page.goto("/p/board?night=0")
    ground = "e => getComputedStyle(e).backgroundColor"
    assert page.eval_on_selector(".face.is-full", ground) == "rgb(11, 95, 62)"
    assert (
        page.evaluate("getComputedStyle(document.querySelector('.face.is-stop'), '::before').backgroundColor")
        == "rgb(164, 17, 27)"
    )
    assert "repeating-linear-gradient" in page.eval_on_selector(
        ".face .hatch", "e => getComputedStyle(e).backgroundImage"
    )
    page.close()


def test_the_night_of_the_system_is_followed_unless_a_person_chose(chromium: Browser, stand: Stand) -> None:
    page = chromium.new_page(color_scheme="dark", base_url=stand.url)
    ground = "getComputedStyle(document.body).backgroundColor"
    page.goto("/p/board")
    assert page.evaluate(ground) == "rgb(11, 20, 22)"
    page.goto("/p/board?night=0")
    assert page.evaluate(ground) == "rgb(228, 233, 232)"
    page.close()


def test_a_step_works_without_script(chromium: Browser, stand: Stand) -> None:
    stand.box.records.clear()
    page = chromium.new_page(java_script_enabled=False, base_url=stand.url)
    page.goto("/p/rated")
    assert not page.is_visible(".keys")
    page.fill("[name=rated]", "3000")
    page.click(".primary")
    assert page.url.endswith("/p/standing")
    assert stand.box.records == [{"key": "k-1", "rated": "3000", "unit": "psi"}]
    page.goto("/p/condemn")
    assert page.is_visible("input[name=held]")
    page.close()
