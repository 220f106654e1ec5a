"""What the text typed off a shoulder says about the answers keyed beside it: agreement, contradiction, condemned.

Pure; the reading is `cylinder.stamps`'. It must never answer a step by itself: a person keys, this only contradicts.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date

from cylinder.marks import KeyedPressure, Marks, Shoulder
from cylinder.near import bare
from cylinder.refusal import Reason
from cylinder.stamps import Reading, canonical, read_stamps
from gas.pressure import Pressure
from rulebook import Pack, spec_known

_SAME_RATING = 0.02
"""As `cylinder.decide.look_over`: 207 bar and 3000 psi are one stamp, rounded by the maker."""

CONDEMNED = "stamp.condemned"
"""The rule id of the hold that a condemned mark places."""

_PERMIT = re.compile(r"[0-9]{4,5}")


def reading_of(shoulder: Shoulder | None, today: date) -> Reading | None:
    """The stamps in what was typed in this visit; None where nobody typed any."""
    return read_stamps(shoulder.text, today=today) if shoulder is not None else None


def shoulder_of(text: str, today: date) -> Shoulder | None:
    """What a fact keeps of a typed shoulder: the text as it stands, and its one way of writing."""
    if not text.strip():
        return None
    return Shoulder(text=text, canonical=canonical(read_stamps(text, today=today))[:1000])


def contradictions(marks: Marks, reading: Reading, rules: Pack) -> Iterator[Reason]:
    """Why the typed shoulder cannot be, and where it says another thing than the marks keyed beside it.

    What is condemned is no contradiction: it is recorded, and blocks.
    """
    for remark in reading.remarks:
        if remark.bearing == "refuse" and remark.part != "condemned":
            typed = reading.text[remark.start : remark.end]
            yield Reason(
                f"stamp.{remark.code}",
                f"“{typed}”: {remark.words} Correct what was typed, or hold it.",
                remark.source or "the stamps themselves",
            )
    for what, typed, keyed in _differing(marks, reading, rules):
        yield Reason(
            "identify.shoulder-differs",
            f"Typed off the shoulder, {what} is {typed}; keyed is {keyed}. Look at the metal and correct one of them.",
        )


def condemned_words(reading: Reading) -> str:
    """What the hold says of a shoulder that is marked condemned."""
    how = "stamped CONDEMNED" if reading.stamps.condemned == "CONDEMNED" else "stamped over with X's"
    return f"The shoulder is {how}. An inspector looks at it; never fill it."


def differs_from_shoulder(rated: KeyedPressure, reading: Reading | None) -> str:
    """Why the rating keyed at its step contradicts the shoulder typed in the same visit; empty where it does not.

    Every rating on the shoulder has its say: where two are stamped that are not one, neither is believed.
    """
    if reading is None:
        return ""
    others = [one for one in reading.stamps.ratings if not _is_one_stamp(one, rated.pressure)]
    if not others:
        return ""
    return f"Rated {rated.words} keyed here, {others[0].words()} typed off the same shoulder. Photograph the stamp."


def permit_number(spec: str) -> str:
    """The number of the special permit in a claimed type such as "DOT-SP 14157"; empty where there is none."""
    found = _PERMIT.search(spec)
    return found.group() if found else ""


def is_permit(rules: Pack, spec: str) -> bool:
    """Whether the rules send the reader to a permit for cylinders of this type."""
    key = spec_known(rules, spec)
    return key is not None and rules.specification(key).numbered


def _differing(marks: Marks, reading: Reading, rules: Pack) -> Iterator[tuple[str, str, str]]:
    stamps = reading.stamps
    if stamps.serial and reading.is_sure_of("serial") and bare(stamps.serial) != bare(marks.serial):
        yield "the serial", stamps.serial, marks.serial
    if stamps.maker and reading.is_sure_of("maker") and bare(stamps.maker) != bare(marks.maker):
        yield "the maker's symbol", stamps.maker, marks.maker or "none"
    if reading.spec and reading.is_sure_of("specification") and not _is_type(marks, reading, rules):
        yield "the type", reading.spec, marks.spec
    made = stamps.made
    if made is not None and reading.is_sure_of("made") and str(made.month) != marks.first_test:
        yield "the first test", str(made.month), marks.first_test


def _is_type(marks: Marks, reading: Reading, rules: Pack) -> bool:
    if spec_known(rules, reading.spec) != spec_known(rules, marks.spec):
        return False
    numbers = {permit.number for permit in reading.stamps.permits}
    return not numbers or not is_permit(rules, marks.spec) or permit_number(marks.spec) in numbers


def _is_one_stamp(one: Pressure, other: Pressure) -> bool:
    return abs(one.pascal - other.pascal) <= _SAME_RATING * max(one.pascal, other.pascal)
