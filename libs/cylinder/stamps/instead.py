"""What a remark offers to choose, as text to read again: an alternative put in the place of the signs it points at.

A choice is offered only after it was read: where it does not answer its remark, or raises graver ones, it stays words.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Final

from cylinder.stamps.reader import read_stamps
from cylinder.stamps.reading import Reading, Remark

MOST_CHOICES: Final = 24
"""More are never offered for one text: each costs a reading."""

_SAID: Final[tuple[tuple[re.Pattern[str], str], ...]] = (
    (re.compile(r"serial (\S+) of maker (\S+)"), r"SN:\1 MFR:\2"),
    (re.compile(r"serial (\S+)"), r"SN:\1"),
    (re.compile(r"made (\S+)"), r"MADE \1"),
    (re.compile(r"tested (\S+)"), r"TEST \1"),
    (re.compile(r"month (\d+) of year (\d{2})"), r"\1-\2"),
    (re.compile(r"month (\d+) of year (\d{4})"), r"\2-\1"),
    (re.compile(r"(\d+) (psi|bar)"), r"\1"),
)
"""An alternative in words, and how it would be typed."""


_ONLY_THE_METAL: Final = frozenset(
    {"rating.disagree", "rating.two", "metal.disagree", "date.before_made", "pressure.twice"}
)
"""Two marks that contradict each other: a tap would only wipe one of them out."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One way to settle a remark: `label` says it, `text` is the whole shoulder with it."""

    remark: Remark
    label: str
    text: str


def choices(reading: Reading, today: date) -> tuple[Choice, ...]:
    """Every choice that settles its remark, in the order of the remarks."""
    found: list[Choice] = []
    for remark in reading.remarks:
        if remark.bearing == "tell" or remark.code in _ONLY_THE_METAL or len(found) >= MOST_CHOICES:
            continue
        for label, typed in _ways(reading, remark):
            text = reading.text[: remark.start] + typed + reading.text[remark.end :]
            if all(one.text != text for one in found) and _settles(reading, remark, text, today):
                found.append(Choice(remark, label, text))
    return tuple(found[:MOST_CHOICES])


def _ways(reading: Reading, remark: Remark) -> Iterator[tuple[str, str]]:
    """Label and typed text of what is offered: as it was read, when that only wants to be said, and each alternative."""
    stamps = reading.stamps
    if remark.part == "made" and stamps.made is not None:
        yield f"first test {stamps.made.month}", f"MADE {stamps.made.month}"
    if remark.part == "requalification" and remark.code in ("date.spaced", "year.two_digits", "date.order"):
        for mark in stamps.requalifications:
            yield f"test {mark.month}", f"TEST {mark.month}"
    if remark.part == "serial" and stamps.serial and remark.code != "serial.other":
        yield f"serial {stamps.serial}", f"SN:{stamps.serial}"
    for alternative in remark.alternatives:
        said = next(((words, typed) for words, typed in _SAID if words.fullmatch(alternative)), None)
        yield alternative, alternative if said is None else said[0].sub(said[1], alternative)


def _settles(reading: Reading, remark: Remark, text: str, today: date) -> bool:
    """Whether the remark is gone and nothing worse has come: fewer doubts, no more contradictions."""
    again = read_stamps(text, today=today)
    is_still_said = any(one.code == remark.code and one.start == remark.start for one in again.remarks)
    return (
        not is_still_said
        and _count(again, "refuse") <= _count(reading, "refuse")
        and _count(again, "refuse", "hold") < _count(reading, "refuse", "hold")
        and len(again.missing) <= len(reading.missing)
    )


def _count(reading: Reading, *bearings: str) -> int:
    return sum(remark.bearing in bearings for remark in reading.remarks)
