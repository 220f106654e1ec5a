"""The counter by its forms: greet, the board, find, people out, hand over."""

from __future__ import annotations

import datetime as dt
import uuid

import pytest
from tests.branch.a_shop import MARKS, Shop
from tests.branch.web_floor.conftest import Tablet, a_tablet, form

from branch.cards import card_of
from eventlog.card import is_address
from eventlog.wire import DiverCard


def full(shop: Shop, *, tag: int = 14) -> uuid.UUID:
    """A taped cylinder of Ana's, set down."""
    return shop.up_to("hand_over", tag=tag)


def test_a_new_diver_is_kept_greeted_and_seen_on_the_board(tablet: Tablet) -> None:
    find = tablet.get("/greet?q=Bo")
    assert "Nobody of that name" in find.text
    kept = tablet.send(
        find, "/greet/diver", name="Bo Lindqvist", email="bo@example.org", phone="", consent="yes"
    )
    where = kept.headers["location"]
    assert where.startswith("/greet?diver=")
    page = tablet.get(where)
    first = form(page, "/greet")
    assert (first.text("tag"), first.text("gas")) == ("1", "air")
    two = tablet.send(page, "/greet", level="Advanced", rows_to="2", gas="32")
    rows = form(two, "/greet")
    assert [value for name, value in rows.fields if name == "tag"] == ["1", "2"]
    assert [value for name, value in rows.fields if name == "gas"] == ["32", "32"]
    assert rows.text("level") == "Advanced"
    assert tablet.shop.node.desk.open_visits() == ()
    refused = tablet.send(two, "/greet")
    assert refused.status_code == 409
    assert "needs a certification that covers nitrox" in refused.text
    done = tablet.send(refused, "/greet", covers_nitrox="yes")
    visits = tablet.shop.node.desk.open_visits()
    assert done.headers["location"] == f"/visits/{visits[0].id}"
    assert [(visit.tag, visit.gas.words) for visit in visits] == [(1, "Nitrox 32"), (2, "Nitrox 32")]
    board = tablet.get("/").text
    assert "Floor: 0 full of 2" in board
    assert board.count(">Waiting</span>") == 2
    assert "Bo Lindqvist" not in board


def test_consent_is_asked_for_and_a_bad_address_stays_on_the_page(tablet: Tablet) -> None:
    page = tablet.get("/greet")
    refused = tablet.send(page, "/greet/diver", name="Bo", email="bo@example", consent="yes")
    assert refused.status_code == 422
    assert "bo@example is not an e-mail address" in refused.text
    assert form(refused, "/greet/diver").text("email") == "bo@example"
    refused = tablet.send(page, "/greet/diver", name="Bo", email="")
    assert "Ask the diver" in refused.text
    assert tablet.shop.node.divers.find("Bo") == ()


@pytest.mark.parametrize(
    ("name", "email", "phone"),
    [
        ("Bo\r\nBcc: x@example.org", "bo@example.org", ""),
        ("Bo", "bo@example.org\nBcc: x@example.org", ""),
        ("Bo", "bo@example..org", ""),
        ("Bo", "<bo@example.org>", ""),
        ("Bo", "bo@", ""),
        ("Bo", ".bo@example.org", ""),
        ("Bo", "bo@example.org", "call me"),
        ("B\u202eo", "bo@example.org", ""),
        ("", "bo@example.org", ""),
    ],
)
def test_a_card_that_could_carry_more_than_a_card_is_refused(name: str, email: str, phone: str) -> None:
    assert not isinstance(card_of("diver-0009", name=name, email=email, phone=phone), DiverCard)


def test_ordinary_cards_are_taken() -> None:
    # RFC 5322 3.4.1: a dot-atom may hold these signs.
    for address in ("a@example.org", "first.last+tag@sub.example.co", "o'neil@example.org"):
        assert is_address(address)
    card = card_of("diver-0009", name="Zoë Ångström-Lee", email="", phone="+47 (22) 33-44")
    assert isinstance(card, DiverCard)
    assert (card.email, card.phone) == (None, "+47 (22) 33-44")


def test_a_tag_that_hangs_is_refused_and_every_reason_is_shown_at_once(tablet: Tablet) -> None:
    tablet.shop.greet(tag=7)
    page = tablet.get("/greet?diver=diver-0001")
    refused = tablet.send(page, "/greet", level="Rescue", tag="7", gas="36")
    assert refused.status_code == 409
    assert "Tag 7 hangs on a cylinder that is still here" in refused.text
    assert "needs a certification that covers nitrox" in refused.text
    assert form(refused, "/greet").text("tag") == "7"
    odd = tablet.send(page, "/greet", level="", tag="seven", gas="trimix", oxygen="", helium="x")
    assert odd.status_code == 422
    assert len(tablet.shop.node.desk.open_visits()) == 1


def test_the_same_tap_from_two_tablets_makes_one_visit(tablet: Tablet) -> None:
    page = tablet.get("/greet?diver=diver-0001")
    other = a_tablet(tablet.shop, role="inspector")
    one = tablet.send(page, "/greet", level="Rescue", tag="7")
    same = other.send(page, "/greet", level="Rescue", tag="7")
    assert one.headers["location"] == same.headers["location"]
    late = other.send(other.get("/greet?diver=diver-0001"), "/greet", level="Rescue", tag="7")
    assert "Tag 7 hangs on a cylinder that is still here" in late.text


def test_people_out_and_the_door(tablet: Tablet) -> None:
    assert "People out" in tablet.get("/").text
    assert "Nobody has said so since the door last opened" in tablet.get("/people-out").text
    tablet.send(tablet.get("/people-out"), "/people-out", people="out")
    assert "Last cleared at 09:30" in tablet.get("/people-out").text
    tablet.shop.clock.move(dt.timedelta(minutes=3))
    assert "3 min ago" in tablet.get("/").text
    tablet.send(tablet.get("/people-out"), "/people-out", people="in")
    assert "Nobody has said so" in tablet.get("/people-out").text


def test_a_full_cylinder_goes_to_its_diver_and_the_receipt_to_the_checked_address(tablet: Tablet) -> None:
    visit_id = full(tablet.shop)
    assert "1 full of 1" in tablet.get("/").text
    assert "Ana Duarte" in tablet.get("/hand-over").text
    page = tablet.get("/hand-over?diver=diver-0001")
    assert "3000 psi (207 bar)" in page.text
    none = tablet.send(page, "/hand-over")
    assert none.status_code == 422
    assert "Tap the tags that you have in your hand" in none.text
    done = tablet.send(page, "/hand-over", visit=str(visit_id), email="ana.duarte@example.org")
    assert done.headers["location"] == f"/handed-over/{visit_id}"
    assert "The receipt goes to ana.duarte@example.org" in tablet.get(done.headers["location"]).text
    card = tablet.shop.node.divers.card("diver-0001")
    assert card is not None
    assert card.email == "ana.duarte@example.org"
    assert "0 full of 0" in tablet.get("/").text
    before = tablet.facts()
    again = tablet.send(page, "/hand-over", visit=str(visit_id), email="ana.duarte@example.org")
    assert again.headers["location"] == done.headers["location"]
    assert tablet.facts() == before


def test_a_wrong_tag_and_a_wrong_diver_are_refused_in_words(tablet: Tablet) -> None:
    mine = full(tablet.shop)
    tablet.shop.node.divers.keep(DiverCard(diver_ref="diver-0002", name="Bo"))
    page = tablet.get("/greet?diver=diver-0002")
    tablet.send(page, "/greet", level="Rescue", tag="9")
    hand = tablet.get("/hand-over?diver=diver-0001")
    wrong = tablet.send(hand, "/hand-over", visit=str(mine), tags="9")
    assert wrong.status_code == 409
    assert "Tag 9 belongs to another diver. Do not give it out." in wrong.text
    assert f'value="{mine}" checked' in wrong.text
    unknown = tablet.send(hand, "/hand-over", visit=str(mine), tags="40 x")
    assert "No cylinder here hangs on tag 40" in unknown.text
    assert "No cylinder here hangs on tag x" in unknown.text
    theirs = tablet.get("/hand-over?diver=diver-0002")
    assert "Tag 9: not full yet. It stays here." in theirs.text
    stolen = tablet.send(theirs, "/hand-over", tags="14", name="Bo")
    assert "Tag 14 belongs to another diver" in stolen.text
    assert tablet.shop.visit(mine).is_open


def test_a_cylinder_condemned_after_its_fill_is_not_handed_over(tablet: Tablet) -> None:
    visit_id = full(tablet.shop)
    page = tablet.get("/hand-over?diver=diver-0001")
    cylinder_id = tablet.shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    tablet.shop.condemn(cylinder_id)
    assert (
        "Tag 14: Do not fill, do not hand over. It stays here."
        in tablet.get("/hand-over?diver=diver-0001").text
    )
    refused = tablet.send(page, "/hand-over", visit=str(visit_id))
    assert refused.status_code == 409
    assert "Condemned on" in refused.text
    assert tablet.shop.visit(visit_id).is_open


def test_a_serial_with_slips_finds_the_condemned_record_first(tablet: Tablet) -> None:
    visit_id = tablet.shop.up_to("standing")
    cylinder_id = tablet.shop.visit(visit_id).cylinder_id
    assert cylinder_id is not None
    tablet.shop.condemn(cylinder_id)
    found = tablet.get("/find?serial=K4O7I8")
    assert "0 read as O" in found.text
    assert "1 read as I" in found.text
    assert ">Condemned<" in found.text
    life = tablet.get(f"/cylinders/{cylinder_id}")
    assert "Nobody at this shop can lift this" in life.text
    assert "Condemned: Crack across two threads" in life.text
    assert "I. Person" in life.text
    none = tablet.get("/find?serial=ZZZZ99")
    assert "That is not a clearance" in none.text
    assert tablet.get(f"/cylinders/{uuid.uuid4()}").status_code == 404


def test_pressures_on_record_are_hidden_until_the_rating_is_read(tablet: Tablet) -> None:
    shop = tablet.shop
    shop.answer(full(shop), "hand_over")
    again = shop.up_to("rating")
    cylinder_id = shop.visit(again).cylinder_id
    page = tablet.get(f"/cylinders/{cylinder_id}").text
    assert "3000" not in page
    assert "rating hidden until it is read" in page
    shop.answer(again, "rating", marks=MARKS)
    assert "3000 psi" in tablet.get(f"/cylinders/{cylinder_id}").text


def test_anybody_may_put_a_cylinder_on_hold_with_a_reason(tablet: Tablet) -> None:
    visit_id = tablet.shop.up_to("outside")
    cylinder_id = tablet.shop.visit(visit_id).cylinder_id
    page = tablet.get(f"/cylinders/{cylinder_id}")
    empty = tablet.send(page, f"/cylinders/{cylinder_id}/hold", reason=" ")
    assert empty.status_code == 422
    done = tablet.send(page, f"/cylinders/{cylinder_id}/hold", reason="Boot hides rust")
    assert done.status_code == 303
    assert "Boot hides rust" in tablet.get(f"/cylinders/{cylinder_id}").text
    assert ">Hold</span>" in tablet.get("/").text
