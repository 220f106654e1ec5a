"""Signing in by the forms: the tablet's code, the PIN, the lock, and what was keyed before it."""

from __future__ import annotations

import datetime as dt

import pytest
from tests.branch.a_shop import Shop
from tests.branch.web_floor.conftest import A_WHILE, Tablet, a_tablet, form

from branch.web.pages.sign_in import local


def test_a_tablet_that_is_not_enrolled_asks_for_its_code(shop: Shop) -> None:
    stranger = a_tablet(shop, role=None)
    page = stranger.get("/sign-in")
    assert "not one of Pier's yet" in page.text.replace("&#39;", "'")
    wrong = stranger.client.post("/sign-in/tablet", data={"code": "NOTACODE", "name": "Bay"})
    assert wrong.status_code == 403
    assert "This code is not good" in wrong.text
    assert form(wrong, "/sign-in/tablet").text("name") == "Bay"
    stranger.enrol()
    assert "Who are you?" in stranger.get("/sign-in").text


def test_the_board_without_a_session_leads_to_the_sign_in_and_back(shop: Shop) -> None:
    tablet = a_tablet(shop, role=None).enrol()
    assert tablet.get("/").headers["location"] == "/sign-in"
    asked = tablet.get("/find?serial=K4 0&x=1")
    page = tablet.get(asked.headers["location"])
    named = tablet.send(page, "/sign-in", who=shop.actors["operator"].id)
    assert "key your PIN" in named.text
    done = tablet.send(named, "/sign-in", pin="407118")
    assert done.status_code == 303
    assert "/find?serial=K4" in done.headers["location"]


def test_a_wrong_pin_says_so_and_after_five_each_try_waits_longer(shop: Shop) -> None:
    tablet = a_tablet(shop, role=None).enrol()
    for _ in range(5):
        wrong = tablet.sign_in(pin="9999")
        assert wrong.status_code == 403
        assert "That is not the PIN" in wrong.text
        assert "9999" not in wrong.text
    assert "Too many wrong PINs. Try again in" in tablet.sign_in().text
    shop.clock.move(dt.timedelta(seconds=6))
    assert tablet.sign_in().status_code == 303


def test_a_locked_tablet_keeps_what_was_keyed_and_sends_it_after_the_sign_in(tablet: Tablet) -> None:
    page = tablet.get("/greet?diver=diver-0001")
    shop = tablet.shop
    shop.clock.move(A_WHILE)
    before = tablet.facts()
    locked = tablet.send(page, "/greet", level="Rescue", tag="31", gas="32", covers_nitrox="yes")
    assert locked.status_code == 401
    assert "This tablet had locked, and nothing was recorded" in locked.text
    assert tablet.facts() == before
    named = tablet.send(locked, "/sign-in", who=shop.actors["operator"].id)
    wrong = tablet.send(named, "/sign-in", pin="1234")
    go_on = tablet.send(wrong, "/sign-in", pin="407118")
    kept = form(go_on, "/greet")
    assert (kept.text("level"), kept.text("tag"), kept.text("gas")) == ("Rescue", "31", "32")
    assert kept.text("key") == form(page, "/greet").text("key")
    done = tablet.send(go_on, "/greet")
    assert done.headers["location"].startswith("/visits/")
    visit = shop.node.desk.open_visits()[0]
    assert (visit.tag, visit.gas.oxygen_percent) == (31, 32.0)
    again = tablet.send(go_on, "/greet")
    assert again.headers["location"] == done.headers["location"]
    assert len(shop.node.desk.open_visits()) == 1


def test_a_pin_is_never_carried_through_a_sign_in(shop: Shop) -> None:
    tablet = a_tablet(shop, role="manager")
    page = tablet.get("/staff")
    shop.clock.move(A_WHILE)
    locked = tablet.send(page, "/staff/take-on", known_as="T. Nilsen", role="operator", pin="860421")
    assert locked.status_code == 401
    assert "T. Nilsen" in locked.text
    assert "860421" not in locked.text


def test_signing_out_ends_the_session_on_this_tablet_only(shop: Shop) -> None:
    one, other = a_tablet(shop), a_tablet(shop)
    assert one.client.post("/sign-out", data={"back": "/greet"}).headers["location"] == "/sign-in?back=/greet"
    assert one.get("/").status_code == 303
    assert other.get("/").status_code == 200


@pytest.mark.parametrize(
    "address", ["//evil.example", "https://evil.example", "/\\evil.example", "", "/a\nb"]
)
def test_nobody_is_sent_to_another_site_after_signing_in(address: str) -> None:
    assert local(address) == "/"


def test_the_far_board_needs_the_tablet_and_no_person(shop: Shop) -> None:
    tablet = a_tablet(shop, role=None)
    assert tablet.get("/?far=1").status_code == 303
    assert tablet.enrol().get("/?far=1").status_code == 200
