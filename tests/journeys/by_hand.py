"""A person's hand on a page in a real browser: reads the question, taps, keys, and has axe look at what it passes."""

from __future__ import annotations

import os
import re
import time
from dataclasses import dataclass, field
from pathlib import Path

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect
from tests.journeys.a_network import ShopProgram

QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
    "--disable-component-update",
    "--disable-sync",
)
TABLET, PHONE = (1280, 800), (390, 844)
WAIT_MS = 15_000
VIOLATIONS = "axe.run({resultTypes: ['violations']}).then(found => found.violations)"
# The same key twice within 90 ms is one press that bounced.
BOUNCE_S = 0.1


def a_context(browser: Browser, url: str) -> BrowserContext:
    """A browser that has never been here."""
    context = browser.new_context(
        base_url=url, viewport={"width": TABLET[0], "height": TABLET[1]}, reduced_motion="reduce"
    )
    context.set_default_timeout(WAIT_MS)
    return context


def signed_in(browser: Browser, shop: ShopProgram, role: str = "operator") -> BrowserContext:
    """A tablet of the shop's with somebody signed in."""
    context = a_context(browser, shop.url)
    for name, value in shop.tablet(role).http.cookies.items():
        context.add_cookies([{"name": name, "value": value, "url": shop.url}])
    return context


@dataclass
class Hand:
    """One page, and what axe found wrong on the way. A page of a name in `looked` was read before and is not read again.

    With FILLTRAIL_SHOTS naming a folder, every page that is looked at leaves its pictures there.
    """

    page: Page
    looked: set[str]
    wrong: list[str] = field(default_factory=list)

    def open(self, address: str) -> None:
        self.page.goto(address)

    def asks(self, question: str | re.Pattern[str], *, within_ms: float = WAIT_MS) -> None:
        """The page's question is this one."""
        expect(self.page.locator("h1")).to_have_text(question, timeout=within_ms)

    def says(self, *words: str) -> None:
        """The page holds all of these words."""
        for each in words:
            expect(self.page.locator("main")).to_contain_text(each, timeout=WAIT_MS)

    def shows(self, selector: str, words: str | re.Pattern[str]) -> None:
        """A part of the page holds these words, now or soon."""
        expect(self.page.locator(selector)).to_contain_text(words, timeout=WAIT_MS)

    def shows_value(self, label: str, value: str) -> None:
        """The field of this label holds this."""
        expect(self.page.get_by_label(label, exact=True)).to_have_value(value, timeout=WAIT_MS)

    def is_live(self) -> None:
        expect(self.page.locator("[data-link-words]")).to_have_text("live", timeout=WAIT_MS)

    def press(self, name: str) -> None:
        """Tap the button or the link of this name."""
        self._named(name).click()

    def press_twice(self, name: str) -> None:
        """A double tap."""
        self._named(name).dblclick()

    def hold_down(self, name: str, *, seconds: float) -> None:
        """Put the pointer on it, and lift it after so long."""
        self._rests()
        button = self._named(name)
        button.hover()
        self.page.mouse.down()
        self.page.wait_for_timeout(seconds * 1000)
        self.page.mouse.up()

    def key(self, digits: str) -> None:
        """Tap the digits on the keys of the page."""
        before = ""
        for digit in digits:
            if digit == before:
                time.sleep(BOUNCE_S)
            self.page.click(f'[data-key="{digit}"]')
            before = digit

    def key_month(self, year_month: str) -> None:
        """Tap a stamped month, "2024-05", on the month-and-year pad."""
        year, month = year_month.split("-")
        self.page.locator(".month").nth(int(month) - 1).click()
        self.key(year)

    def write(self, label: str, words: str) -> None:
        self.page.get_by_label(label, exact=True).fill(words)

    def choose(self, label: str, option: str) -> None:
        self.page.get_by_label(label, exact=True).select_option(label=option)

    def tick(self, label: str) -> None:
        self.page.get_by_text(label).click()

    def look(self, name: str, *, on_phone: bool = False) -> None:
        """Have axe read the page by day and by night, and if asked on a phone: there are other places, the same colours."""
        if name in self.looked:
            return
        self.looked.add(name)
        self._rests()
        self.page.evaluate(Axe().axe_script)
        self._read_by_axe(f"{name}-day")
        self.page.emulate_media(color_scheme="dark")
        self._read_by_axe(f"{name}-night")
        self.page.emulate_media(color_scheme="light")
        if on_phone:
            self.page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
            self._read_by_axe(f"{name}-phone")
            self.page.set_viewport_size({"width": TABLET[0], "height": TABLET[1]})

    def close(self) -> None:
        self.page.context.close()

    def _read_by_axe(self, where: str) -> None:
        self.wrong += [
            f"{where}: {one['id']} {[node['html'][:120] for node in one['nodes']]}"
            for one in self.page.evaluate(VIOLATIONS)
        ]
        if self.page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            self.wrong.append(f"{where}: moves sideways")
        _picture(self.page, where)

    def _named(self, name: str) -> Locator:
        page = self.page
        return page.get_by_role("button", name=name).or_(page.get_by_role("link", name=name)).first

    def _rests(self) -> None:
        """A page's buttons are dead for a moment when it appears."""
        expect(self.page.locator("[inert]")).to_have_count(0, timeout=WAIT_MS)


def _picture(page: Page, name: str) -> None:
    folder = os.environ.get("FILLTRAIL_SHOTS")
    if folder:
        page.screenshot(path=Path(folder) / f"J-{name}.png")
