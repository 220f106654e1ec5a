"""The contents label, 62 × 40 mm: what it says and where it stands. Two printers draw it, `branch.label_pdf` and `branch.label_png`.

A label follows from the facts and from nothing else, so printing it is no fact, and printing it again gives the same label. It must
never say more than was measured, nor carry anything about the diver, nor a colour for a gas.
"""

from __future__ import annotations

import datetime as dt
from base64 import b32decode, b32encode
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal
from uuid import UUID
from zoneinfo import ZoneInfo

from cylinder.contents import contents_of
from cylinder.decide.mix import analysis_off
from cylinder.refusal import Reason, refuse_if
from cylinder.visit import Visit

WIDE_MM, HIGH_MM = 62.0, 40.0
DPI = 300
MM_PER_INCH = 25.4
LEFT_MM, COLUMN_MM = 2.0, 37.2
"""The left column; the code stands right of it."""
QUIET_MODULES = 4
"""The white frame that a reader needs around the code (ISO/IEC 18004)."""
CODE_MM = 21.0

MEASURED = "CONTENTS MEASURED"
AS_FILLED = "FILLED, NOT ANALYSED"
CAUTION = ("Analyse it again", "before you breathe it")

FaceName = Literal["heavy", "bold", "plain", "stamp"]
"""Three weights of one plain-zero face, and the face of serials, whose zero is slashed."""


@dataclass(frozen=True, slots=True)
class Label:
    """Everything on it, in words."""

    head: str
    gas: str
    figure: str
    depths: tuple[str, ...]
    pressure: str
    made: str
    tag: str
    serial: str
    code: str


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text: its left edge, its baseline, its size, and the width that it must not pass. Millimetres from the top left."""

    x: float
    y: float
    size: float
    face: FaceName
    words: str
    widest: float


@dataclass(frozen=True, slots=True)
class Bar:
    """A black box."""

    x: float
    y: float
    wide: float
    high: float


Mark = Words | Bar


def label_of(visit: Visit, *, analyst: str, shop: str, tz: ZoneInfo, address: str = "") -> Label:
    """The label of a filled cylinder on the floor. Raises Refused with every reason why it gets none."""
    refuse_if(_why_none(visit))
    assert visit.completed is not None
    assert visit.completed_at is not None
    contents = contents_of(visit.analysed)
    serial = visit.marks.serial if visit.marks else ""
    at = (visit.analysed_at or visit.completed_at).astimezone(tz)
    end = visit.completed.end
    twin = end.pressure.twin()
    pressure = f"{end.value:g} {end.unit}, {twin.value:.0f} {twin.unit}"
    gas, _, figure = (contents.words if contents else "Air").upper().partition(" ")
    is_air = gas == "AIR"
    when = f"{at.day} {at:%b %Y %H:%M}"
    return Label(
        head=MEASURED if contents else AS_FILLED,
        gas="" if is_air else gas,
        figure="AIR" if is_air else figure or gas,
        # For air the oxygen is not what limits the depth, so its figure would mislead.
        depths=() if contents is None or is_air else tuple(_depth(*one) for one in contents.mods),
        pressure=pressure,
        made=", ".join(part for part in (when, analyst if contents else "", shop) if part),
        tag=f"Tag {visit.tag}",
        serial=serial,
        code=_code(visit, address) or f"{serial} {gas} {figure} {pressure} {when}".replace("  ", " "),
    )


def marks(label: Label) -> Iterator[Mark]:
    """Where everything stands."""
    yield Words(LEFT_MM, 5.0, 3.5, "bold", label.head, COLUMN_MM)
    yield Bar(LEFT_MM, 6.2, COLUMN_MM, 0.8)
    if label.gas:
        yield Words(LEFT_MM, 11.6, 5.2, "bold", label.gas, COLUMN_MM)
    yield Words(LEFT_MM, 20.2, 10.5 if label.gas else 16.0, "heavy", label.figure, COLUMN_MM)
    for n, words in enumerate(label.depths):
        yield Words(LEFT_MM, 24.8 + 3.9 * n, 3.5, "bold", words, COLUMN_MM)
    yield Words(LEFT_MM, 33.6, 4.4, "bold", label.pressure, COLUMN_MM)
    yield Words(LEFT_MM, 38.2, 2.9, "plain", label.made, WIDE_MM - 2 * LEFT_MM)
    right = WIDE_MM - CODE_MM - 0.2
    yield Words(right, 25.6, 4.4, "bold", label.tag, CODE_MM - 1)
    yield Words(right, 29.4, 3.6, "stamp", label.serial, CODE_MM - 1)
    for n, words in enumerate(CAUTION):
        yield Words(right, 32.6 + 2.5 * n, 2.3, "plain", words, CODE_MM - 1)


def code_modules(label: Label) -> tuple[tuple[bool, ...], ...]:
    """The dark and light modules of the QR code, without its quiet frame; medium error correction."""
    import segno  # Two printers and no other page need it.

    made = segno.make(label.code, error="m", micro=False, boost_error=False)
    return tuple(tuple(bool(module) for module in row) for row in made.matrix)


def code_px(modules: int) -> tuple[int, int, int]:
    """Pixels to a module at 300 dpi, a whole number, and the left and top edge of the first one."""
    whole = modules + 2 * QUIET_MODULES
    px = max(1, int(CODE_MM / MM_PER_INCH * DPI) // whole)
    left = round((WIDE_MM - 0.2) / MM_PER_INCH * DPI) - (whole - QUIET_MODULES) * px
    return px, left, QUIET_MODULES * px


def short_code(cylinder_id: UUID) -> str:
    """The id of a cylinder in 26 signs, for an address that fits into a small code."""
    return b32encode(cylinder_id.bytes).decode().rstrip("=").lower()


def cylinder_of_code(text: str) -> UUID | None:
    """And back; None for what is no such code."""
    try:
        raw = b32decode(text.upper() + "=" * (-len(text) % 8))
    except ValueError:
        return None
    return UUID(bytes=raw) if len(raw) == 16 else None


def file_name(visit: Visit, on: dt.date) -> str:
    """A name that says which label it is, and nothing of the diver."""
    return f"label-tag-{visit.tag}-{on.isoformat()}"


def _why_none(visit: Visit) -> Iterator[Reason]:
    if not visit.is_open:
        words = "It has left: what was in it then is not what a label of now may say."
        yield Reason("label.left", words)
    if visit.completed is None:
        yield Reason("label.not-filled", f"Tag {visit.tag} is not filled yet.")
    elif not visit.gas.is_air and (visit.analysed is None or contents_of(visit.analysed) is None):
        yield Reason(
            "label.not-analysed", f"Tag {visit.tag}: {visit.gas.words} is not analysed, so nothing is known."
        )
    off = analysis_off(visit)
    if off:
        yield Reason("label.off", off)


def _depth(limit: float, words: str) -> str:
    return f"MOD {words} at {limit:g} atm"


def _code(visit: Visit, address: str) -> str:
    return f"{address.rstrip('/')}/c/{short_code(visit.cylinder_id)}" if address and visit.cylinder_id else ""
