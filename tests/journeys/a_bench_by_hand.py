"""A cylinder condemned through the pages of the bench, as an inspector does it."""

from __future__ import annotations

from tests.journeys.by_hand import Hand
from tests.journeys.visits import Cylinder

PRESS_S = 2.2
SEEN = "Crack across two threads, seen with mirror and lamp"


def condemn_by_hand(hand: Hand, cylinder: Cylinder, cylinder_id: str) -> float:
    """From the board to the red button; when the button's two seconds were over, in ms since 1970."""
    hand.open("/")
    hand.press("I. Gannet")
    hand.press("Bench")
    hand.write("Serial, off the metal", cylinder.serial)
    hand.press("Find it")
    hand.shows("section[aria-label='Found, nearest first']", cylinder.serial)
    hand.look("bench", on_phone=True)
    hand.press(cylinder.serial)
    hand.asks("Nothing is held against it")
    hand.look("bench-cylinder")
    hand.press("Condemn")
    hand.asks("Condemn this cylinder for good?")
    hand.look("condemn", on_phone=True)
    hand.write("Why: say what you saw", SEEN)
    hand.page.get_by_label("The criterion that it meets").select_option(value="condemn.cracking")
    hand.write("Key the last 4 of the serial, off the metal", cylinder.serial[-4:])
    with hand.page.expect_request(lambda request: request.method == "POST") as posted:
        hand.hold_down("Hold 2 s to condemn", seconds=PRESS_S)
    hand.asks("Condemned. Never fill it")
    hand.look("condemned")
    return posted.value.timing["startTime"]
