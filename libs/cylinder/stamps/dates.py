"""Bare dates: 5-95, 05⊗19, 5A95, 2019/06. The first is the month of manufacture, or the one that says so.

Owns which date is which. Must never drop a date that it cannot place without a remark.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from cylinder.stamps.claims import NO_CLAIM
from cylinder.stamps.months import When, Written, month_in_order
from cylinder.stamps.reading import Suffix
from cylinder.stamps.suffixes import PLAIN_SIGNS, question_letters_apart, read_suffixes
from cylinder.stamps.typed import DIGIT, Typed, is_figures

_BEFORE: Final = r"(?<![A-Z0-9])"
_END: Final = r"(?![A-Z0-9])"
_THREE_PARTS: Final = re.compile(_BEFORE + r"[0-9]{1,2}[\-/.][0-9]{1,2}[\-/.](?:[0-9]{4}|[0-9]{2})" + _END)
_LONG_YEAR_FIRST: Final = re.compile(
    _BEFORE
    + rf"(?P<year>{DIGIT}{{4}})\s?[\-/.]\s?(?P<other>{DIGIT}{{1,2}})(?P<day>[\-/.][0-9]{{1,2}})?{PLAIN_SIGNS}"
    + _END
)
_PAIR: Final = re.compile(
    _BEFORE
    + rf"(?P<one>{DIGIT}{{1,2}})\s?[\-/.⊗]\s?'?(?P<other>{DIGIT}{{4}}|{DIGIT}{{2}}){PLAIN_SIGNS}"
    + _END
)
_ROUND_A_MARK: Final = re.compile(
    _BEFORE
    + r"(?P<one>[0-9]{1,2})(?P<gap>[\s\-]?)(?P<mark>[A-Z]{1,3})(?P=gap)(?P<other>[0-9]{2})"
    + PLAIN_SIGNS
    + _END
)
_MONTHS: Final = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
_IN_WORDS: Final = re.compile(
    _BEFORE
    + rf"(?P<one>{'|'.join(_MONTHS)})[A-Z]{{0,6}}[\s\-/.]?\s?'?(?P<other>(?:19|20)[0-9]{{2}}|[0-9]{{2}}){PLAIN_SIGNS}"
    + _END
)
_SPACED: Final = re.compile(
    r"(?<![^\s\0])(?P<one>[0-9]{1,2}) (?P<other>[0-9]{2})" + PLAIN_SIGNS + r"(?![^\s\0])"
)

_SAYS_MADE: Final = re.compile(
    r"(?<![A-Z])(?:MADE|MFG|MFD|MANUFACTURED|BORN|FIRST TEST|ORIGINAL TEST)(?: DATE)?[\s:.]{0,3}$"
)
_SAYS_TEST: Final = re.compile(r"(?<![A-Z])(?:RE)?(?:TEST|TESTED|HYDRO|QUAL|QUALIFIED)(?: DATE)?[\s:.]{0,3}$")


@dataclass(frozen=True, slots=True)
class Dated:
    """A bare date before its century is settled. `says` is the word before it."""

    written: Written
    suffixes: tuple[Suffix, ...]
    says: str
    inspector: str = ""


def read_dates(typed: Typed, when: When) -> list[Dated]:
    """Every bare date in the order of the text."""
    for found in typed.find(_THREE_PARTS):
        words = "A stamp has a month and a year; here are three figures. Type the two that are stamped."
        typed.remark("date.three_parts", "refuse", "requalification", words, found.span())
        typed.take(*found.span())
    dates = [*_long(typed), *_pairs(typed, when), *_round_a_mark(typed, when), *_in_words(typed)]
    if not dates:
        dates = list(_spaced(typed, when))
    return sorted(dates, key=lambda dated: dated.written.start)


def _long(typed: Typed) -> Iterator[Dated]:
    for found in typed.find(_LONG_YEAR_FIRST):
        if not is_figures(found["year"], least=2) or not is_figures(found["other"]):
            continue
        if not re.match("[1I L][9]|[2Z][0OQD]", found["year"]):
            continue
        year = typed.figures(found.span("year"), "requalification")
        month = typed.figures(found.span("other"), "requalification")
        if found["day"]:
            words = f"The day {found['day'][1:]} is not kept: a stamp has a month and a year."
            typed.remark("date.day", "tell", "requalification", words, found.span("day"))
        yield _dated(typed, found, Written(month, year, found.start("year"), found.end("other")))


def _pairs(typed: Typed, when: When) -> Iterator[Dated]:
    for found in typed.find(_PAIR):
        one, other = found["one"], found["other"]
        if not is_figures(one) or not is_figures(other):
            continue
        if len(other) == 4 and not re.match("[1IL]9|[2Z][0OQD]", other):
            continue
        at = (found.start("one"), found.end("other"))
        one = typed.figures(found.span("one"), "requalification")
        other = typed.figures(found.span("other"), "requalification")
        if len(other) == 4 or len(one) == 1:
            yield _dated(typed, found, Written(one, other, *at))
            continue
        written = month_in_order(typed, one, other, at, when)
        if written is None:
            typed.take(*found.span())
        else:
            yield _dated(typed, found, written)


def _round_a_mark(typed: Typed, when: When) -> Iterator[Dated]:
    for found in typed.find(_ROUND_A_MARK):
        if not 1 <= int(found["one"]) <= 12 or found["mark"] in NO_CLAIM:
            continue
        at = found.span("one")[0], found.end("other")
        words = f"“{found[0]}” is read as a date with the inspector's mark {found['mark']} in it."
        typed.remark("date.round_a_mark", "hold", "made", words, at, alternatives=(f"serial {found[0]}",))
        yield _dated(typed, found, Written(found["one"], found["other"], *at), found["mark"])


def _in_words(typed: Typed) -> Iterator[Dated]:
    for found in typed.find(_IN_WORDS):
        at = found.start("one"), found.end("other")
        month = str(_MONTHS.index(found["one"]) + 1)
        words = f"“{typed.signs[at[0] : at[1]]}” is read as month {month}: a stamp has figures. Type what is stamped."
        typed.remark("date.in_words", "hold", "made", words, at)
        yield _dated(typed, found, Written(month, found["other"], *at))


def _spaced(typed: Typed, when: When) -> Iterator[Dated]:
    for found in typed.find(_SPACED):
        at = found.start("one"), found.end("other")
        written = month_in_order(typed, found["one"], found["other"], at, when)
        if written is None:
            typed.take(*found.span())
            continue
        words = f"“{found[0]}” is read as a date, month {written.month} of year {written.year}."
        typed.remark("date.spaced", "hold", "made", words, at, alternatives=("a number",))
        yield _dated(typed, found, written)


def _dated(typed: Typed, found: re.Match[str], written: Written, inspector: str = "") -> Dated:
    before = typed.open[: found.start()]
    says, label = "", None
    for said, pattern in (("made", _SAYS_MADE), ("test", _SAYS_TEST)):
        label = pattern.search(before, max(0, len(before) - 24))
        if label is not None:
            says = said
            typed.take(*label.span())
            break
    suffixes = read_suffixes(typed, found)
    question_letters_apart(typed, found)
    typed.take(*found.span())
    return Dated(written, suffixes, says, inspector)
