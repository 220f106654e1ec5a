"""What the script promises: keys, once-only records, a dead link, the two-second press, the live board."""

import pytest
from playwright.sync_api import Page, Route, expect
from tests.signage.conftest import Stand

pytestmark = pytest.mark.browser


def awake(page: Page, path: str) -> None:
    page.goto(path)
    expect(page.locator("[inert]")).to_have_count(0)


def key_in(page: Page, digits: str) -> None:
    for digit in digits:
        # Past the bounce filter: a person's next press is never 90 ms after the last.
        page.wait_for_timeout(95)
        page.click(f".keys [data-key='{digit}']")


def test_the_keys_write_four_digits_and_no_more(tablet: Page) -> None:
    awake(tablet, "/p/rated")
    key_in(tablet, "30009")
    expect(tablet.locator("[data-pad-value]")).to_have_value("3000")
    expect(tablet.locator("[data-pad-twin]")).to_have_text("207 bar")


def test_a_bouncing_key_counts_once(tablet: Page) -> None:
    awake(tablet, "/p/rated")
    tablet.eval_on_selector("[data-key='3']", "key => { key.click(); key.click(); }")
    expect(tablet.locator("[data-pad-value]")).to_have_value("3")
    tablet.wait_for_timeout(95)
    tablet.click("[data-key='3']")
    expect(tablet.locator("[data-pad-value]")).to_have_value("33")


def test_a_rating_that_looks_like_bar_is_asked_about_and_not_refused(tablet: Page) -> None:
    awake(tablet, "/p/rated")
    key_in(tablet, "207")
    expect(tablet.locator("[data-pad-ask]")).to_have_text(
        "207 psi is low for a rated pressure. Is the stamp in bar?"
    )
    expect(tablet.locator("[data-primary]")).to_be_enabled()
    tablet.locator(".units label", has_text="bar").click()
    expect(tablet.locator("[data-pad-ask]")).to_be_hidden()
    expect(tablet.locator("[data-pad-twin]")).to_have_text("3002 psi")
    key_in(tablet, "0")
    expect(tablet.locator("[data-pad-ask]")).to_have_text(
        "2070 bar is high for a rated pressure. Is the stamp in psi?"
    )


def test_the_unit_is_remembered_on_this_tablet_and_the_number_never(tablet: Page) -> None:
    awake(tablet, "/p/rated")
    tablet.locator(".units label", has_text="bar").click()
    key_in(tablet, "232")
    awake(tablet, "/p/rated")
    expect(tablet.locator("[value=bar]")).to_be_checked()
    expect(tablet.locator("[data-pad-value]")).to_have_value("")


def test_the_primary_sleeps_until_the_question_is_answered(tablet: Page) -> None:
    awake(tablet, "/p/rated")
    expect(tablet.locator("[data-primary]")).to_be_disabled()
    key_in(tablet, "3")
    expect(tablet.locator("[data-primary]")).to_be_enabled()
    tablet.wait_for_timeout(95)
    tablet.click("[data-key=clear]")
    expect(tablet.locator("[data-primary]")).to_be_disabled()


def test_a_decimal_pad_takes_one_figure_after_the_point(tablet: Page) -> None:
    awake(tablet, "/p/parts")
    tablet.fill("[name=oxygen]", "32,17")
    expect(tablet.locator("[name=oxygen]")).to_have_value("32.1")


def test_the_question_has_the_focus_and_the_foot_is_dead_at_first(tablet: Page) -> None:
    tablet.goto("/p/rated")
    assert tablet.evaluate("document.activeElement.matches('[data-question]')")
    assert tablet.evaluate("document.querySelector('[data-foot]').inert")
    expect(tablet.locator("[inert]")).to_have_count(0, timeout=1500)


def test_a_double_tap_writes_one_record(tablet: Page, stand: Stand) -> None:
    awake(tablet, "/p/rated")
    key_in(tablet, "3000")
    box = tablet.locator("[data-primary]").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tablet.mouse.click(x, y)
    tablet.wait_for_timeout(180)
    tablet.mouse.click(x, y)
    tablet.wait_for_url("**/p/standing")
    tablet.wait_for_timeout(700)
    assert len(stand.box.records) == 1


def test_a_dead_link_says_so_keeps_the_value_and_sends_again_with_the_same_key(
    tablet: Page, stand: Stand
) -> None:
    cut = [True, True]

    def fail_twice(route: Route) -> None:
        if cut:
            cut.pop()
            route.abort()
        else:
            route.continue_()

    awake(tablet, "/p/rated")
    tablet.route("**/record", fail_twice)
    key_in(tablet, "3442")
    tablet.click("[data-primary]")
    expect(tablet.locator("[data-unsaved]")).to_have_text(
        "Not saved yet. Sending it again every 2 s. Do not go on."
    )
    expect(tablet.locator("[data-pad-value]")).to_have_value("3442")
    expect(tablet.locator("[data-primary]")).to_be_disabled()
    assert stand.box.records == []
    tablet.wait_for_url("**/p/standing", timeout=8000)
    assert stand.box.records == [{"key": "k-1", "rated": "3442", "unit": "psi"}]


def test_a_refusal_is_shown_in_place_and_can_be_answered_again(tablet: Page, stand: Stand) -> None:
    awake(tablet, "/p/rated")
    key_in(tablet, "9999")
    tablet.click("[data-primary]")
    expect(tablet.locator(".notice.is-stop")).to_contain_text("Refused")
    expect(tablet.locator("[data-unsaved]")).to_be_hidden()
    expect(tablet.locator("[inert]")).to_have_count(0)
    key_in(tablet, "3000")
    tablet.click("[data-primary]")
    tablet.wait_for_url("**/p/standing")
    assert [record["rated"] for record in stand.box.records] == ["9999", "3000"]


def test_condemning_needs_two_whole_seconds(tablet: Page, stand: Stand) -> None:
    awake(tablet, "/p/condemn")
    tablet.fill("[name=last4]", "9-14")
    box = tablet.locator("[data-press]").bounding_box()
    assert box is not None
    tablet.mouse.move(box["x"] + 40, box["y"] + 40)
    tablet.mouse.down()
    tablet.wait_for_timeout(1000)
    tablet.mouse.up()
    tablet.wait_for_timeout(1500)
    assert stand.box.records == []
    tablet.mouse.down()
    tablet.wait_for_url("**/p/standing", timeout=5000)
    tablet.mouse.up()
    assert [record["held"] for record in stand.box.records] == ["yes"]


def test_condemning_by_keyboard_needs_the_same_two_seconds(tablet: Page, stand: Stand) -> None:
    awake(tablet, "/p/condemn")
    tablet.fill("[name=last4]", "9-14")
    tablet.press("[name=last4]", "Enter")
    tablet.focus("[data-press]")
    tablet.keyboard.press("Enter")
    tablet.wait_for_timeout(2200)
    assert stand.box.records == []
    tablet.keyboard.down("Space")
    tablet.wait_for_url("**/p/standing", timeout=5000)
    tablet.keyboard.up("Space")
    assert [record["held"] for record in stand.box.records] == ["yes"]


def test_the_board_is_live_only_after_the_first_beat_and_keeps_focus(tablet: Page) -> None:
    awake(tablet, "/p/board?stream=1")
    expect(tablet.locator("[data-link-words]")).to_have_text("live")
    tablet.focus("#tile-15")
    expect(tablet.locator("#tile-15 .face")).to_have_class("face is-hold")
    assert tablet.evaluate("document.activeElement.id") == "tile-15"


def test_a_silent_board_never_says_live(tablet: Page, stand: Stand) -> None:
    stand.box.beats = False
    tablet.goto("/p/board?stream=1")
    expect(tablet.locator("[data-link-words]")).to_have_text("checking")


def test_a_cut_board_greys_hides_its_foot_and_keeps_do_not_fill_red(tablet: Page, stand: Stand) -> None:
    awake(tablet, "/p/board?stream=1")
    expect(tablet.locator("[data-link-words]")).to_have_text("live")
    stand.box.beats = False
    expect(tablet.locator("body")).to_have_attribute("data-link", "cut", timeout=8000)
    expect(tablet.locator("[data-link-words]")).to_contain_text("not live")
    expect(tablet.locator("[data-cut]")).to_be_visible()
    expect(tablet.locator("[data-foot]")).to_be_hidden()
    assert tablet.eval_on_selector(".face.is-stop", "e => getComputedStyle(e).filter") == "none"
    assert tablet.eval_on_selector(".face.is-full", "e => getComputedStyle(e).filter") != "none"


def test_an_age_ticks_on_the_shops_clock_and_turns_amber_when_it_runs_out(tablet: Page) -> None:
    tablet.clock.install(time=0)  # a tablet whose own clock stands at 1970
    tablet.goto("/p/rated")
    chip = tablet.locator("[data-limit-s]")
    expect(chip).to_contain_text("3 min ago")
    tablet.clock.fast_forward(17 * 60 * 1000)
    expect(chip).to_contain_text("20 min ago")
    expect(chip).to_have_class("chip is-hold")
