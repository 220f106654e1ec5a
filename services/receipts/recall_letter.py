"""The words of a recall: cylinders that were filled for a diver and turned out bad, as text and as HTML. Pure.

Owns what is said. Must never say that a cylinder is safe, tell anybody to handle it, name who found what, or depend on
the day it is sent: a repeat of it is the same letter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

from cylinder.facts import Condemned, Rejected, RenderedUnusable, VisualFailed
from receipts.letter import Letter, day, rendered
from receipts.recalling import CalledBack
from receipts.shop import Shop

FOUND = {
    Condemned.KIND: "condemned",
    Rejected.KIND: "rejected",
    RenderedUnusable.KIND: "made unusable",
    VisualFailed.KIND: "failed its inside look",
}


class NothingToTell(Exception):
    """What was found was taken back before the letter was sent."""


@dataclass(frozen=True, slots=True)
class Told:
    """One cylinder as the letter shows it."""

    serial: str
    filled: tuple[str, ...]
    found: tuple[str, ...]


def recall_letter(
    letter_id: UUID,
    called: tuple[CalledBack, ...],
    diver_name: str,
    shop: Shop,
    shop_name: Callable[[str], str],
) -> Letter:
    """One letter for all cylinders of one diver, however many there are."""
    cylinders = tuple(_told(one, shop_name) for one in called)
    many = len(cylinders) > 1
    which = f"these {len(cylinders)} cylinders" if many else "this cylinder"
    shown = {
        "title": f"{diver_name}, do not use {which}",
        "subtitle": "Filled for you, and found bad: the word came after the fill.",
        "shop": shop,
        "cylinders": cylinders,
        "many": many,
        "number": str(letter_id)[:8],
        "phone_link": "".join(sign for sign in shop.phone if sign in "+0123456789"),
    }
    subject = (
        f"Do not use {len(cylinders)} cylinders that were filled for you"
        if many
        else "Do not use a cylinder that was filled for you"
    )
    return rendered(subject, "recall", shown)


def _told(one: CalledBack, shop_name: Callable[[str], str]) -> Told:
    fills = sorted({case.fill for case in one.cases}, key=lambda fill: (fill.performed_on, fill.id))
    blocks = sorted({case.block for case in one.cases}, key=lambda block: (block.performed_on, block.id))
    return Told(
        serial=one.serial or "not on record",
        filled=tuple(f"{day(fill.performed_on)} at {shop_name(fill.node)}" for fill in fills),
        found=tuple(
            f"{FOUND[block.kind]} on {day(block.performed_on)} at {shop_name(block.node)}" for block in blocks
        ),
    )
