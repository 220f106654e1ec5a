"""Months as they are stamped: which two figures are the month, and which century two figures of a year mean.

Owns the choice and says the other readings. Must never know today but as an argument.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

from cylinder.stamps.reading import Part
from cylinder.stamps.typed import Typed
from rulebook import YearMonth

FIRST_YEAR: Final = 1900
"""No stamp is older, as `rulebook.dates` has it (from memory)."""

FIRST_YEAR_OF_DOT: Final = 1967
"""The department was founded then, and metric and European marks are younger (from memory)."""

YEARS_A_TEST_MAY_HOLD: Final = 10
"""The longest period of 49 CFR 180.207(c), 2015 edition; a stamp that says until when lies no further ahead."""


@dataclass(frozen=True, slots=True)
class When:
    """What the other stamps say about the dates on this shoulder."""

    today: date
    first_year: int
    is_year_first: bool
    is_order_known: bool
    needs_whole_year: bool

    @property
    def this_month(self) -> YearMonth:
        return YearMonth.of(self.today)


@dataclass(frozen=True, slots=True)
class Written:
    """The figures of one date, and where they stand."""

    month: str
    year: str
    start: int
    end: int

    @property
    def at(self) -> tuple[int, int]:
        return self.start, self.end


def month_in_order(typed: Typed, one: str, other: str, at: tuple[int, int], when: When) -> Written | None:
    """Which of two pairs of figures is the month: the first, but on UN and European marks the second."""
    month_first, year_first = 1 <= int(one) <= 12, 1 <= int(other) <= 12
    if not month_first and not year_first:
        words = f"Neither {one} nor {other} is a month: months run from 1 to 12."
        typed.remark("month.impossible", "refuse", "requalification", words, at)
        return None
    first, second = Written(one, other, *at), Written(other, one, *at)
    if when.is_year_first:
        chosen, left = (second, first) if year_first else (first, second)
        if month_first:
            words = (
                f"UN and European marks have the year first. Read as month {chosen.month} of {chosen.year}."
            )
            others = (_words(left),) if year_first else ()
            typed.remark("date.order", "hold", "requalification", words, at, alternatives=others)
        return chosen
    if not month_first:
        words = f"There is no month {one}: months run from 1 to 12, and the month stands first."
        typed.remark(
            "month.impossible", "refuse", "requalification", words, at, alternatives=(_words(second),)
        )
        return None
    if year_first and not when.is_order_known and one != other:
        words = f"Without a specification, {one} and {other} may stand in either order. Read as month {one}."
        typed.remark("date.order", "hold", "requalification", words, at, alternatives=(_words(second),))
    return first


def _words(written: Written) -> str:
    return f"month {written.month} of year {written.year}"


def month_of(
    typed: Typed, written: Written, when: When, part: Part, not_before: YearMonth | None = None
) -> YearMonth | None:
    """The month that is meant, or None with the reason. Two figures of a year are the latest year that can be; the others are said."""
    if not 1 <= int(written.month) <= 12:
        words = f"There is no month {written.month}: months run from 1 to 12."
        typed.remark("month.impossible", "refuse", part, words, written.at)
        return None
    month = int(written.month)
    if len(written.year) == 4:
        return _checked(typed, YearMonth(int(written.year), month), when, part, written.at)
    candidates = [YearMonth(century + int(written.year), month) for century in (2000, 1900)]
    possible = [one for one in candidates if FIRST_YEAR <= one.year <= when.today.year]
    young = [one for one in possible if one.year >= when.first_year]
    fitting = [one for one in young if not_before is None or one >= not_before]
    is_soon = 0 < candidates[0].year - when.today.year <= YEARS_A_TEST_MAY_HOLD
    if not possible or (not young and is_soon):
        words = f"Year {written.year} can be neither {candidates[1].year} nor {candidates[0].year}."
        words += _maybe_expiry(candidates[0], when)
        alternatives = tuple(str(one) for one in candidates)
        typed.remark("year.impossible", "refuse", part, words, written.at, alternatives=alternatives)
        return None
    read, *others = fitting or young or possible
    if others:
        words = f"Year {written.year} is read as {read.year}; it may be another century."
        alternatives = tuple(str(one) for one in others)
        typed.remark("year.two_digits", "hold", part, words, written.at, alternatives=alternatives)
    elif read.year < 2000 and is_soon:
        words = f"Year {written.year} is read as {read.year}, for {candidates[0].year} is still to come."
        words += _maybe_expiry(candidates[0], when)
        alternatives = (str(candidates[0]),)
        typed.remark("year.two_digits", "hold", part, words, written.at, alternatives=alternatives)
    return _checked(typed, read, when, part, written.at)


def _checked(typed: Typed, read: YearMonth, when: When, part: Part, at: tuple[int, int]) -> YearMonth | None:
    """A date that is still to come or too old is kept: it was read, and the remark says that it cannot be."""
    if read > when.this_month:
        words = f"{read} is still to come." + _maybe_expiry(read, when)
        typed.remark("date.to_come", "refuse", part, words, at)
    elif read.year < when.first_year:
        words = (
            f"{read} is before {when.first_year}, and the marks on this shoulder are younger (from memory)."
        )
        typed.remark("date.too_old", "hold", part, words, at)
    return read


def _maybe_expiry(read: YearMonth, when: When) -> str:
    """German stamps say until when (open encyclopedia); such a month lies a few years ahead."""
    if 0 <= read.year - when.today.year <= YEARS_A_TEST_MAY_HOLD:
        return " If it is the month in which the test ends, as stamped in Germany, it is no test date."
    return ""
