"""The shoulder as typed, shown as it was read: part by part, with every remark at its signs and what can be chosen instead.

Pure: a text, a day and the rules in, shapes and filled-in fields out. A field is filled only with what was read surely.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Literal

from branch.web.pages.asking import Posted
from cylinder.stamps import DateMark, Reading, Remark, Stamps, canonical, read_stamps
from cylinder.stamps.instead import Choice, choices
from rulebook import Pack, mark_meaning, spec_known

CONFIDENCE = {
    "clear": "Read without doubt",
    "read again": "Read, with doubts: look again where it points",
    "contradictory": "It cannot be so: correct it, or hold the cylinder",
    "nothing read": "Nothing was read",
}
_ABOUT = 18
"""So many signs around the ones a remark points at."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One part of the marks: what it is, what was read, whether that is sure."""

    label: str
    value: str
    is_sure: bool


@dataclass(frozen=True, slots=True)
class Pointed:
    """One remark with the signs it points at, between those around them."""

    before: str
    at: str
    after: str
    words: str
    source: str
    kind: Literal["light", "hold", "stop"]
    choices: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class ShoulderShown:
    """A typed shoulder for a page."""

    confidence: str
    kind: Literal["good", "hold", "stop"]
    pieces: tuple[Piece, ...]
    missing: tuple[str, ...]
    pointed: tuple[Pointed, ...]
    written: str
    is_condemned: bool
    first_test: str


def shown(text: str, today: date, rules: Pack) -> ShoulderShown:
    """What the page says of this text."""
    reading = read_stamps(text, today=today)
    offered = choices(reading, today)
    kind: Literal["good", "hold", "stop"] = {"clear": "good", "contradictory": "stop"}.get(
        reading.confidence, "hold"
    )  # type: ignore[assignment]  # the two words are of the literal
    made = reading.stamps.made
    return ShoulderShown(
        confidence="Marked condemned: never fill it"
        if reading.is_condemned
        else CONFIDENCE[reading.confidence],
        kind=kind,
        pieces=tuple(_pieces(reading, rules)),
        missing=tuple("specification" if part == "authority" else part for part in reading.missing),
        pointed=tuple(_pointed(reading, one, offered) for one in reading.remarks),
        written=canonical(reading),
        is_condemned=reading.is_condemned,
        first_test=str(made.month) if made is not None and reading.is_sure_of("made") else "",
    )


def filled(form: Posted, today: date, rules: Pack) -> Posted:
    """The form with what was read surely; what is in doubt stays as it was keyed."""
    reading = read_stamps(form.text("shoulder"), today=today)
    known: dict[str, str] = {}
    if reading.stamps.serial and reading.is_sure_of("serial"):
        known["serial"] = reading.stamps.serial
    if reading.stamps.maker and reading.is_sure_of("maker"):
        known["maker"] = reading.stamps.maker
    if reading.spec and reading.is_sure_of("specification"):
        # As it is stamped, so that both halves of a dual mark and the number of a permit stay with the claim.
        known["spec"] = spec_known(rules, reading.spec) or ""
        known["spec_typed"] = reading.spec
    made = reading.stamps.made
    is_sure = made is not None and reading.is_sure_of("made")
    known["first_test_month"] = str(made.month.month) if made is not None and is_sure else ""
    known["first_test_year"] = str(made.month.year) if made is not None and is_sure else ""
    kept = [pair for pair in form.pairs if pair[0] not in known and pair[0] not in ("read", "instead")]
    return Posted((*kept, *known.items()))


def typed_at(form: Posted) -> Posted:
    """The form with the choice that was tapped put in the place of what was typed."""
    if not form.has("instead"):
        return form
    kept = [pair for pair in form.pairs if pair[0] != "shoulder"]
    return Posted((*kept, ("shoulder", form.text("instead"))))


def _pieces(reading: Reading, rules: Pack) -> Iterator[Piece]:
    stamps = reading.stamps
    if stamps.condemned:
        yield Piece("Condemned", stamps.condemned.capitalize(), True)
    if reading.spec:
        key = spec_known(rules, reading.spec)
        known = "" if key is None else f", here {key}"
        words = reading.spec + (known if key != reading.spec else "")
        yield Piece("Specification", words, reading.is_sure_of("specification") and key is not None)
    if stamps.ratings:
        ratings = dict.fromkeys(one.words() for one in stamps.ratings)
        yield Piece("Rated pressure", " / ".join(ratings), reading.rated is not None)
    if stamps.test is not None:
        yield Piece("Test pressure", stamps.test.words(), reading.is_sure_of("test pressure"))
    if stamps.approval:
        yield Piece("Approval", stamps.approval, reading.is_sure_of("approval"))
    if stamps.serial:
        yield Piece("Serial", stamps.serial, reading.is_sure_of("serial"))
    if stamps.maker:
        yield Piece("Maker", stamps.maker, reading.is_sure_of("maker"))
    if stamps.made is not None:
        yield Piece("First test", _dated(stamps.made, rules), reading.is_sure_of("made"))
    yield from _tests(stamps, reading, rules)


def _tests(stamps: Stamps, reading: Reading, rules: Pack) -> Iterator[Piece]:
    latest = reading.latest_requalification
    for mark in sorted(stamps.requalifications, key=lambda one: one.month, reverse=True):
        label = "Latest test" if mark == latest else "Test"
        yield Piece(label, _dated(mark, rules), reading.is_sure_of("requalification"))


def _dated(mark: DateMark, rules: Pack) -> str:
    """ "04 2024 by B456, +": a month with its number, and each sign; what a sign means stands in the remarks."""
    words = f"{mark.month.month:02d} {mark.month.year}"
    if mark.rin:
        words += f" by {mark.rin}"
    signs = [sign if mark_meaning(rules, sign) else f"{sign} (not known here)" for sign in mark.suffixes]
    return ", ".join((words, *signs))


def _pointed(reading: Reading, remark: Remark, offered: tuple[Choice, ...]) -> Pointed:
    text = reading.text
    kinds: dict[str, Literal["light", "hold", "stop"]] = {"tell": "light", "hold": "hold", "refuse": "stop"}
    start = max(0, remark.start - _ABOUT)
    return Pointed(
        before=("…" if start else "") + text[start : remark.start],
        at=text[remark.start : remark.end],
        after=text[remark.end : remark.end + _ABOUT] + ("…" if remark.end + _ABOUT < len(text) else ""),
        words=remark.words,
        source=remark.source,
        kind=kinds[remark.bearing],
        choices=tuple(one for one in offered if one.remark == remark),
    )
