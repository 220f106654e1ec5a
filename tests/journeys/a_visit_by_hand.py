"""A visit tapped through the pages of a shop, question by question, as an operator does it."""

from __future__ import annotations

import re

from tests.journeys.a_network import PINS, ShopProgram
from tests.journeys.by_hand import Hand
from tests.journeys.visits import Cylinder, months_ago

WRONG_PIN = "582047"
EVERYBODY_OUT = re.compile("Ask everyone to leave the fill area|Is everyone still out of the fill area")


def enrol_and_sign_in(hand: Hand, shop: ShopProgram) -> None:
    """A tablet fresh from its box becomes the shop's, and an operator signs in at the second try."""
    hand.open("/")
    hand.asks("This tablet is not one of Lantern's yet")
    hand.look("enrol")
    hand.write("One-time code", shop.ask("device"))
    hand.write("What to call this tablet", "Counter")
    hand.press("Enrol this tablet")
    hand.asks("Who are you?")
    hand.look("who", on_phone=True)
    hand.press("O. Lantern")
    hand.asks("O. Lantern, key your PIN")
    hand.key(WRONG_PIN)
    hand.press("Sign in")
    hand.says("That is not the PIN. Try again.")
    hand.look("pin-wrong", on_phone=True)
    sign_in(hand, "operator")
    hand.asks("The board")
    hand.is_live()
    hand.look("board")


def sign_in(hand: Hand, role: str) -> None:
    """The PIN of that role, on the page that asks for it."""
    hand.key(PINS[role])
    hand.press("Sign in")


def greet(hand: Hand, name: str, *, email: str, tag: int) -> None:
    """A new diver's card, the certification seen, one tag hung."""
    hand.press("Greet a diver")
    hand.asks("Who is it?")
    hand.look("greet")
    hand.write("Name", name)
    hand.write("E-mail, for the receipt", email)
    hand.tick("The diver agrees")
    hand.press("Keep this card")
    hand.asks(f"{name}: see the certification, hang the tags")
    hand.look("greet-take-in", on_phone=True)
    hand.choose("Level, as on the card", "Rescue")
    hand.write("Tag", str(tag))
    hand.press("Take in, look over the first")
    hand.asks("Which cylinder is this?")


def identify(hand: Hand, cylinder: Cylinder, *, serial: str = "") -> None:
    """Key the marks, and the first test date; `serial` is what was read where it is not what is stamped."""
    hand.asks("Which cylinder is this?")
    hand.look("identify", on_phone=True)
    hand.write("Serial, as stamped", serial or cylinder.serial)
    hand.write("Maker's symbol", cylinder.maker)
    hand.choose("Type", cylinder.spec)
    hand.press("On to its first test")
    hand.asks("Read its first test date")
    hand.look("first-test", on_phone=True)
    hand.key_month(cylinder.first_test)
    hand.press("Look it up")


def look_it_over(hand: Hand) -> None:
    """Outside, and both dates."""
    hand.asks("Look all round the outside. Is it sound?")
    hand.look("outside")
    hand.press("Sound")
    hand.asks("Read the newest requalification stamp")
    hand.look("dates")
    hand.key_month(months_ago(14))
    hand.press("Take this date")
    hand.asks("Read the sticker of the last look inside")
    hand.look("dates-inside")
    hand.key_month(months_ago(3))
    hand.press("Record both dates")


def read_the_rating(hand: Hand) -> None:
    """Off the metal, told by nothing on the page; then what the network says of the cylinder."""
    hand.asks("Read the rated pressure off this cylinder")
    hand.look("rating", on_phone=True)
    shown = hand.page.locator("body").inner_text()
    assert not re.search(r"\b(3000|207)\b", shown), "the page tells what only the metal may tell"
    hand.key("3000")
    hand.shows("[data-pad-twin]", "207 bar")
    hand.press("Record rating")
    hand.asks("No shop has condemned this cylinder")
    hand.look("standing", on_phone=True)
    hand.press("Go on to connect")


def to_the_valve(hand: Hand) -> None:
    """Everybody out of the fill area; the page then asks for the valve."""
    hand.asks(EVERYBODY_OUT)
    hand.look("people-out")
    hand.press("Everyone is")
    hand.asks("Blow out the valve, look at the O-ring")
    hand.look("blow-out")


def blow_out(hand: Hand) -> None:
    """Both ticks, and on."""
    hand.tick("The valve is blown out")
    hand.tick("Whole, clean and seated")
    hand.press("Both done")


def connect(hand: Hand, *, whip: int) -> None:
    """The whip, and what is left in the cylinder."""
    hand.asks("Secure it, then connect which whip?")
    hand.look("whip")
    hand.press(f"Whip {whip}")
    hand.asks("What is left in it?")
    hand.look("residual")
    hand.key("620")
    hand.press("Record what is left")


def fill(hand: Hand) -> None:
    """To the rating on a hot day, with two readings on the way; then bled and off."""
    hand.asks("Fill it to what?")
    hand.write("Room or cylinder, the colder", "93")
    hand.press("the rating")
    hand.shows_value("Target of the fill", "3000")
    hand.says("Stop the gauge at 3140 psi")
    hand.look("target")
    hand.press("Start the fill")
    hand.asks("Stop at 3140 psi")
    for reading in ("1850", "2600"):
        hand.press("Key a reading")
        hand.asks("What does the gauge show?")
        hand.key(reading)
        hand.press("Record reading")
        hand.asks("Stop at 3140 psi")
        hand.says(f"{reading}psi")
    hand.look("fill", on_phone=True)
    hand.press("Reached 3140 psi")
    hand.asks("Close the valves. What does the gauge show?")
    hand.look("fill-reached")
    hand.key("2990")
    hand.press("The fill is done")
    hand.asks("Close both valves, bleed the whip, take it off")
    hand.look("bleed")
    hand.press("Bled and off")


def tape_and_set_down(hand: Hand, *, tag: int, slot: int) -> None:
    """Taped as full, and stood in its slot."""
    hand.asks("Tape the valve")
    hand.says(f"{tag} · FULL · 2990 psi · Air")
    hand.look("tape", on_phone=True)
    hand.press("It is taped")
    hand.asks("Where does it stand?")
    hand.look("set-down")
    hand.press(f"Slot {slot}")
    hand.asks(f"Tag {tag} is full")
    hand.look("full")


def hand_over(hand: Hand, name: str) -> None:
    """To the right diver, with the tag in one's hand."""
    hand.press("Hand over")
    hand.asks(f"{name}: tap the tags in your hand")
    hand.look("hand-over", on_phone=True)
    hand.tick("slot ")
    hand.press("Hand over, send the receipt")
