"""The whole road by hand in a real Chromium, over a network of real processes: filled, condemned next door, stopped here.

Each test takes cylinders and tags of its own; axe reads every page on the way by day and by night.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright
from tests.conftest import new_database
from tests.journeys.a_bench_by_hand import SEEN, condemn_by_hand
from tests.journeys.a_network import Network, ShopProgram, start_network, wait_until
from tests.journeys.a_visit_by_hand import (
    EVERYBODY_OUT,
    blow_out,
    connect,
    enrol_and_sign_in,
    fill,
    greet,
    hand_over,
    identify,
    look_it_over,
    read_the_rating,
    sign_in,
    tape_and_set_down,
    to_the_valve,
)
from tests.journeys.by_hand import QUIET, Hand, a_context, signed_in
from tests.journeys.visits import Cylinder, Taken, condemn

pytestmark = [pytest.mark.wire, pytest.mark.browser, pytest.mark.slow]
STOP_WITHIN_MS = 3000
STOP = re.compile("Stop.*Do not fill", re.DOTALL)
PASSWORD = "the officer's long password"


@pytest.fixture(scope="module")
def chromium(chromium_path: str) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=list(QUIET))
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def network(
    chromium: Browser, tmp_path_factory: pytest.TempPathFactory, postgres_url: str, redis_url: str
) -> Iterator[Network]:
    """Hub, two shops, mail. It asks for Chromium first: without one, nothing starts in vain."""
    with new_database(postgres_url) as database_url:
        made = start_network(tmp_path_factory.mktemp("browser"), database_url, redis_url, mail=True)
        yield made
        made.stop()


@pytest.fixture(scope="module")
def looked() -> set[str]:
    """The pages that axe has read in this module: each is read once."""
    return set()


@pytest.fixture
def lantern(network: Network) -> ShopProgram:
    return network.shops["lantern"]


@pytest.fixture
def gannet(network: Network) -> ShopProgram:
    return network.shops["gannet"]


def test_a_cylinder_goes_from_the_counter_to_the_hand_over_and_the_receipt_says_so(
    chromium: Browser, looked: set[str], network: Network, lantern: ShopProgram
) -> None:
    hand = Hand(a_context(chromium, lantern.url).new_page(), looked)
    enrol_and_sign_in(hand, lantern)
    greet(hand, "Ana Duarte", email="ana@example.org", tag=14)
    identify(hand, Cylinder("K 40718"))
    look_it_over(hand)
    read_the_rating(hand)
    to_the_valve(hand)
    blow_out(hand)
    connect(hand, whip=1)
    fill(hand)
    tape_and_set_down(hand, tag=14, slot=7)
    hand_over(hand, "Ana Duarte")
    hand.asks("Handed over: tag 14")
    hand.says("The receipt goes to ana@example.org.", "2990 psi (206 bar)")
    hand.look("handed-over")
    hand.close()

    assert network.mailbox is not None
    mails = f"{network.mailbox.url}/api/mail"
    wait_until(lambda: bool(httpx.get(mails, timeout=5).json()), "the receipt is in the catcher")
    reader = Hand(a_context(chromium, network.mailbox.url).new_page(), looked)
    reader.open("/")
    reader.asks("1 mail, newest first")
    reader.look("mail-list")
    reader.says("to Ana Duarte <ana@example.org>")
    reader.press("Cylinder filled at Lantern")
    reader.says("Filled to: 2990 psi (206 bar)", "3000 psi (207 bar)", "K 40718", "full")
    reader.look("mail")
    letter = reader.page.frame_locator("iframe").locator("body")
    expect(letter).to_contain_text("Never put it back")
    reader.close()
    assert hand.wrong + reader.wrong == []


def test_condemned_next_door_it_is_stopped_here_while_its_page_stands_open(
    chromium: Browser,
    looked: set[str],
    lantern: ShopProgram,
    gannet: ShopProgram,
    capsys: pytest.CaptureFixture[str],
) -> None:
    cylinder = Cylinder("K40650")
    before = Taken(lantern.tablet(), cylinder, tag=21, whip=2, slot=11).go_through()
    taken = Taken(lantern.tablet(), cylinder, tag=21).go_through(until="read_rating")
    here = Hand(signed_in(chromium, lantern).new_page(), looked)
    here.open("/")
    here.page.click("#tile-21")
    read_the_rating(here)
    to_the_valve(here)
    here.is_live()
    deaf = Hand(here.page.context.new_page(), looked)
    deaf.page.route("**/stream?*", lambda route: route.abort())
    deaf.open(f"/visits/{taken.visit_id}")
    deaf.asks("Blow out the valve, look at the O-ring")

    bench = Hand(signed_in(chromium, gannet, "inspector").new_page(), looked)
    pressed_at = condemn_by_hand(bench, cylinder, before.cylinder_id)

    here.asks(STOP, within_ms=STOP_WITHIN_MS)
    took_ms = shown_at(here.page) - pressed_at
    with capsys.disabled():
        print(f"\nFrom the inspector's press to the stop on the screen next door: {took_ms:.0f} ms.")  # noqa: T201
    assert took_ms < STOP_WITHIN_MS
    here.says("Tag 21", "K40650", "Condemned", "I. Gannet", "Gannet", SEEN, "Rule", "49 CFR")
    here.look("stop", on_phone=True)

    blow_out(deaf)
    deaf.asks(STOP)
    assert on_floor(lantern, 21)["step"] == "blow_out", "the late tap recorded something"
    deaf.press("It is in the red rack")
    deaf.asks("The board")

    Taken(lantern.tablet(), cylinder, tag=22).go_through(until="identify")
    here.open("/")
    here.page.click("#tile-22")
    identify(here, cylinder, serial="K4O65O")
    here.asks("Read the serial again, off the metal")
    here.says("Condemned")
    here.look("second-reading", on_phone=True)
    here.write("Serial, second reading", cylinder.serial)
    here.press("Compare")
    here.asks("They cannot be told apart. Do not fill it")
    here.says("The two readings differ: K4O65O and K40650.")
    here.look("cannot-tell", on_phone=True)
    here.press("It is this one")
    here.asks(STOP)
    here.press("It is in the red rack")
    here.asks("The board")
    assert here.wrong + deaf.wrong + bench.wrong == []
    for hand in (here, bench):
        hand.close()


def shown_at(page: Page) -> float:
    """When the page that is shown now was there to be read, in ms since 1970."""
    return float(
        page.evaluate(
            "performance.timeOrigin + performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd"
        )
    )


def on_floor(shop: ShopProgram, tag: int) -> dict[str, object]:
    """What the shop says of the cylinder under this tag."""
    floor = shop.tablet().http.get("/api/floor").json()
    found = next(one for one in floor if one["tag"] == tag)
    assert isinstance(found, dict)
    return found


def version_of(shop: ShopProgram, tag: int) -> int:
    """How many answers the shop has recorded for the cylinder under this tag."""
    version = on_floor(shop, tag)["version"]
    assert isinstance(version, int)
    return version


def test_with_the_hub_dead_both_shops_go_on_and_say_how_old_their_news_is(
    chromium: Browser, looked: set[str], network: Network, lantern: ShopProgram, gannet: ShopProgram
) -> None:
    cylinder = Cylinder("B20931")
    taken = Taken(lantern.tablet(), cylinder, tag=31).go_through(until="read_rating")
    wait_until(network.is_in_step, "both shops know it")
    network.hub.kill()
    here = Hand(signed_in(chromium, lantern).new_page(), looked)
    there = Hand(signed_in(chromium, gannet, "inspector").new_page(), looked)
    try:
        for hand in (here, there):
            hand.open("/")
            hand.shows("#mast-chips", re.compile(r"Network cut, news\s*\d+ s ago"))
        here.look("board-cut", on_phone=True)
        here.page.click("#tile-31")
        read_the_rating(here)
        here.asks(EVERYBODY_OUT)
        condemn_by_hand(there, cylinder, taken.cylinder_id)
        there.open("/network")
        there.asks("The network does not answer")
        there.says("The counter goes on")
        there.shows(".cards", re.compile(r"Not sent yet\s*1, oldest"))
        there.look("network-cut", on_phone=True)
    finally:
        network.hub.start()
    here.asks(STOP, within_ms=70_000)
    network.wait_until_equal(within_s=70)
    digests = []
    for hand in (here, there):
        hand.open("/network")
        hand.asks("In step with the network")
        digests.append(hand.page.locator("dt:text-is('Standings') + dd").inner_text())
    there.look("network-live")
    assert digests[0] == digests[1]
    assert here.wrong + there.wrong == []
    for hand in (here, there):
        hand.close()


def test_the_officer_finds_it_by_a_near_serial_and_sees_its_life_and_the_one_exposure(
    chromium: Browser, looked: set[str], network: Network, lantern: ShopProgram, gannet: ShopProgram
) -> None:
    cylinder = Cylinder("Z58102")
    filled = Taken(lantern.tablet(), cylinder, tag=41, whip=3, slot=12).go_through()
    wait_until(network.is_in_step, "both shops know it")
    condemn(gannet.tablet("inspector"), cylinder, filled.cylinder_id)
    wait_until(network.is_in_step, "both shops know it")
    network.hub.ask("officer", "--name", "S. Ferro", "--login", "ferro", FILLTRAIL_OFFICER_PASSWORD=PASSWORD)

    hand = Hand(a_context(chromium, network.hub.url).new_page(), looked)
    hand.open("/")
    hand.asks("Sign in to the safety desk")
    hand.write("Login", "ferro")
    hand.write("Password", "not this one")
    hand.press("Sign in")
    hand.says("Login and password do not fit together.")
    hand.look("office-sign-in", on_phone=True)
    hand.write("Password", PASSWORD)
    hand.press("Sign in")
    hand.asks("Find a cylinder by its serial")
    hand.look("office-find")
    hand.write("Serial, as far as it can be read", "2S8IO2")
    hand.page.locator("main").get_by_role("button", name="Find").click()
    hand.asks("1 record is near 2S8IO2")
    hand.look("office-found", on_phone=True)
    hand.press("Z58102")
    hand.says("Condemned at Gannet", SEEN, "I. Gannet", "49 CFR", "filled at Lantern")
    life = hand.page.get_by_role("img", name="Whole life")
    expect(life.locator(".chart-stop")).to_have_count(1)
    exposures = hand.page.get_by_role("region", name="Exposures of this cylinder").locator("tbody tr")
    expect(exposures).to_have_count(1)
    expect(exposures).to_contain_text("could not have known")
    hand.look("office-life", on_phone=True)
    hand.press("Exposures")
    hand.asks("Fills of cylinders that were found bad")
    expect(hand.page.locator("tbody tr", has_text="Z58102")).to_have_count(1)
    hand.look("office-exposures", on_phone=True)
    hand.press("Shops")
    hand.asks("How fresh each shop is")
    hand.look("office-shops")
    assert hand.wrong == []
    hand.close()


def test_a_session_that_is_lost_in_the_middle_of_a_step_keeps_what_was_keyed(
    chromium: Browser, looked: set[str], lantern: ShopProgram
) -> None:
    Taken(lantern.tablet(), Cylinder("M77001"), tag=51).go_through(until="read_rating")
    hand = Hand(signed_in(chromium, lantern, "manager").new_page(), looked)
    hand.open("/")
    hand.page.click("#tile-51")
    hand.asks("Read the rated pressure off this cylinder")
    hand.key("3000")
    beside = Hand(hand.page.context.new_page(), looked)
    beside.open("/more")
    beside.press("Sign out")
    beside.asks("Who are you?")
    hand.press("Record rating")
    hand.says("This tablet had locked, and nothing was recorded.", "What you keyed is kept")
    hand.look("locked")
    assert on_floor(lantern, 51)["step"] == "rating"
    hand.press("M. Lantern")
    sign_in(hand, "manager")
    hand.asks("M. Lantern, what was keyed is still here")
    hand.look("go-on")
    hand.press("Send what was keyed")
    hand.asks("No shop has condemned this cylinder")
    hand.shows("aside", "3000")
    assert hand.wrong == []
    hand.close()


def test_two_tablets_on_one_cylinder_record_one_answer_and_the_second_is_told_who_was_first(
    chromium: Browser, looked: set[str], lantern: ShopProgram
) -> None:
    Taken(lantern.tablet(), Cylinder("P61002"), tag=61).go_through(until="look_over")
    first = Hand(signed_in(chromium, lantern).new_page(), looked)
    second = Hand(signed_in(chromium, lantern, "manager").new_page(), looked)
    for hand in (first, second):
        hand.open("/")
        hand.page.click("#tile-61")
        hand.asks("Look all round the outside. Is it sound?")
    before = version_of(lantern, 61)
    first.press_twice("Sound")
    first.asks("Read the newest requalification stamp")
    assert version_of(lantern, 61) == before + 1, "a double tap recorded twice"
    second.press("Sound")
    second.asks("O. Lantern took tag 61 on before you")
    second.look("moved-on", on_phone=True)
    assert version_of(lantern, 61) == before + 1
    second.press("See tag 61 as it is now")
    second.asks("Read the newest requalification stamp")
    assert first.wrong + second.wrong == []
    for hand in (first, second):
        hand.close()


def test_back_takes_an_answer_back_and_hold_stops_it_until_an_inspector_has_answered(
    chromium: Browser, looked: set[str], lantern: ShopProgram
) -> None:
    Taken(lantern.tablet(), Cylinder("Q31003"), tag=71).go_through(until="read_dates")
    context = signed_in(chromium, lantern)
    hand = Hand(context.new_page(), looked)
    hand.open("/")
    hand.page.click("#tile-71")
    hand.asks("Read the newest requalification stamp")
    hand.page.get_by_role("button", name="Back", exact=True).click()
    hand.asks("Look all round the outside. Is it sound?")
    hand.press("Sound")
    hand.asks("Read the newest requalification stamp")
    hand.press("Hold it")
    hand.asks("Hold tag 71. Why?")
    hand.look("hold-it", on_phone=True)
    hand.tick("It needs an inspector")
    hand.page.locator("[data-primary]").click()
    hand.asks("On hold. Do not fill tag 71")
    hand.says("It needs an inspector", "Only an inspector can let it go on")
    hand.look("held", on_phone=True)
    hand.press("Hand the tablet to an inspector")
    hand.press("I. Lantern")
    sign_in(hand, "inspector")
    hand.asks("On hold. Do not fill tag 71")
    hand.write("What was found, and why it may go on", "Looked inside with a lamp: dry and clean")
    hand.press("It may go on")
    hand.asks("Read the newest requalification stamp")
    assert hand.wrong == []
    hand.close()
