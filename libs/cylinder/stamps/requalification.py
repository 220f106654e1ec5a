"""Marks with a requalifier's number in a square, typed in line, as two rows, or as the picture. 49 CFR 180.213(d), 2015 edition.

Owns the clockwise order of the square. Must never take a number of another length.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from cylinder.near import skeleton
from cylinder.stamps.months import Written
from cylinder.stamps.reading import Suffix
from cylinder.stamps.suffixes import SIGNS, read_suffixes
from cylinder.stamps.typed import DIGIT, Typed, is_figures

_SOURCE: Final = "49 CFR 180.213(d), 2015 edition"
_LABEL: Final = r"(?:(?:TEST|TESTED|RETEST|REQUAL|HYDRO)[ :.]{0,2})?"
_MONTH: Final = rf"(?<![A-Z0-9/.\-])(?P<month>{DIGIT}{{1,2}})"
_YEAR: Final = rf"'?(?P<year>{DIGIT}{{4}}|{DIGIT}{{2}})"
_PART: Final = r"[\s\-/.,\[\]⊗]{1,4}"
_END: Final = r"(?![A-Z0-9])"

_IN_LINE: Final = re.compile(_LABEL + _MONTH + _PART + r"(?P<rin>[A-Z0-9]{4})" + _PART + _YEAR + SIGNS + _END)
_ROWS: Final = re.compile(
    _LABEL
    + _MONTH
    + _PART
    + r"(?P<up>[A-Z0-9]{2})\s?(?P<between>[/|\s⊗])\s?(?P<low>[A-Z0-9]{2})"
    + _PART
    + _YEAR
    + SIGNS
    + _END
)
_PICTURE: Final = re.compile(
    r"(?<![A-Z0-9])(?P<up>[A-Z0-9] ?[A-Z0-9])[ ]*\n[ ]*"
    rf"(?P<month>{DIGIT}{{1,2}})[ \-/]+(?P<year>{DIGIT}{{2}}){SIGNS}[ ]*\n[ ]*(?P<low>[A-Z0-9] ?[A-Z0-9])(?![A-Z0-9])"
)
_NAMED: Final = re.compile(
    r"RIN[ :#.]{0,2}(?P<rin>[A-Z0-9]{4})[ ,\-]{1,3}"
    rf"(?P<month>{DIGIT}{{1,2}})[ \-/.]{{1,2}}" + _YEAR + SIGNS + _END
)
_TOO_SHORT_OR_LONG: Final = re.compile(
    _MONTH
    + _PART
    + r"(?P<rin>(?=[A-Z0-9/]*[A-Z])(?=[A-Z0-9/]*[0-9])(?:[A-Z0-9]{3}|[A-Z0-9]{5}|[A-Z0-9]{2}/[A-Z0-9]|[A-Z0-9]/[A-Z0-9]{2}))"
    + _PART
    + _YEAR
    + SIGNS
    + _END
)
_NO_RIN: Final = re.compile(r"(?:19|20)[0-9]{2}|[0-9]+(?:MM|KG|KGS|L|P[WHST]|[WT]P)|[A-Z]*[0-9]?[A-Z]*")
"""A year or a measure is no number of a requalifier, and it has two digits at least."""


@dataclass(frozen=True, slots=True)
class Requalified:
    """One mark before its century is settled."""

    written: Written
    rin: str
    suffixes: tuple[Suffix, ...]


def read_requalifications(typed: Typed) -> list[Requalified]:
    """Every mark with a requalifier's number, in the order of the text."""
    marks: list[Requalified] = []
    for pattern in (_PICTURE, _NAMED, _ROWS, _IN_LINE):
        found = pattern.search(typed.open)
        while found is not None:
            mark = _read(typed, found)
            if mark is not None:
                marks.append(mark)
            # What fits and is no mark may hide one that begins inside it: "1-1969 10 A123 74".
            found = pattern.search(typed.open, found.start() + 1 if mark is None else found.end())
    for found in typed.find(_TOO_SHORT_OR_LONG):
        if _is_a_date(found):
            words = f"A requalifier's number has four signs, two above and two below: {found['rin']} has not."
            typed.remark("rin.length", "refuse", "requalification", words, found.span("rin"), source=_SOURCE)
            typed.take(*found.span())
    return sorted(marks, key=lambda mark: mark.written.start)


def _is_a_date(found: re.Match[str]) -> bool:
    return is_figures(found["month"]) and is_figures(found["year"])


def _read(typed: Typed, found: re.Match[str]) -> Requalified | None:
    if not _is_a_date(found):
        return None
    rin = _rin(found)
    if _NO_RIN.fullmatch(rin) or (rin.isdigit() and _is_run_of_dates(found)):
        return None
    if len(found["year"]) == 4 and skeleton(found["year"])[:2] not in ("19", "20"):
        return None
    if "rin" in found.re.groupindex:
        _check_form(typed, rin, found.span("rin"))
    else:
        _check_form(typed, rin, (found.start("up"), found.end("low")))
        _question_order(typed, found, rin)
    month = typed.figures(found.span("month"), "requalification")
    year = typed.figures(found.span("year"), "requalification")
    suffixes = read_suffixes(typed, found)
    typed.take(*found.span())
    return Requalified(Written(month, year, *found.span()), rin, suffixes)


def _is_run_of_dates(found: re.Match[str]) -> bool:
    """ "6/89 24/05" is two dates: figures alone are a number only where nothing else parts them than spaces or rows."""
    if "rin" in found.re.groupindex:
        return (
            not found[0][found.end("month") - found.start() : found.start("year") - found.start()]
            .replace(found["rin"], "")
            .isspace()
        )
    return found.groupdict().get("between", "/").isspace()


def _rin(found: re.Match[str]) -> str:
    """In line as typed; out of a square clockwise: upper left, upper right, lower right, lower left."""
    if "rin" in found.re.groupindex:
        return found["rin"]
    up, low = found["up"].replace(" ", ""), found["low"].replace(" ", "")
    return f"{up}{low[1]}{low[0]}"


def _question_order(typed: Typed, found: re.Match[str], rin: str) -> None:
    """Two rows side by side may have been read in their order, or clockwise already."""
    if found.groupdict().get("between", "/").isspace():
        words = f"Two rows of a square are read clockwise: {rin}. Was it already read in order?"
        at = (found.start("up"), found.end("low"))
        as_typed = (rin[:2] + rin[3] + rin[2],)
        typed.remark("rin.order", "hold", "requalification", words, at, alternatives=as_typed, source=_SOURCE)


def _check_form(typed: Typed, rin: str, at: tuple[int, int]) -> None:
    """A letter and three digits, as in the law's example; some differ (from memory), so another form is kept and asked about."""
    if re.fullmatch(r"[A-Z][0-9]{3}", rin):
        return
    digits = skeleton(rin[1:])
    letters = [sign for sign in "BDIOSZ" if skeleton(sign) == rin[0]] if rin[0].isdigit() else [rin[0]]
    likely = tuple(f"{letter}{digits}" for letter in letters) if digits.isdigit() else ()
    words = f"A requalifier's number is a letter and three digits; {rin} is kept as typed. Look at the metal again."
    typed.remark("rin.form", "hold", "requalification", words, at, alternatives=likely, source=_SOURCE)
