"""Reads a shoulder as a person types it: each kind of mark in turn, from the surest to what is left over.

Owns the order of reading. Must never fail on a text, never read the clock, and never leave a sign unread without saying so.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from typing import Final

from cylinder.stamps.claims import Claims, read_claims, read_labelled, read_words
from cylinder.stamps.condemned import read_condemned
from cylinder.stamps.contradictions import remark_on_contradictions
from cylinder.stamps.dates import Dated, read_dates
from cylinder.stamps.measures import (
    read_alloy,
    read_measure,
    read_stated,
    read_temperature,
    read_thread,
    read_working_and_test,
)
from cylinder.stamps.months import FIRST_YEAR, FIRST_YEAR_OF_DOT, When, month_of
from cylinder.stamps.permits import read_bare_permits, read_permits
from cylinder.stamps.reading import DateMark, Part, Reading, Stamps
from cylinder.stamps.requalification import Requalified, read_requalifications
from cylinder.stamps.specification import read_specifications
from cylinder.stamps.standards import read_approval, read_standards
from cylinder.stamps.typed import LONGEST_TEXT, TAKEN, Typed
from rulebook import Bearing, YearMonth

_OLD_AUTHORITIES: Final = frozenset({"ICC", "BTC", "CRC"})
_UNREAD: Final = re.compile(r"[^\sA-Z0-9\-./,;:#'()\[\]&⊗" + TAKEN + "]+")


def read_stamps(text: str, *, today: date) -> Reading:
    """What is stamped, from any text of any length. Remarks are in the order of the signs they point at."""
    typed = Typed(text)
    condemned = read_condemned(typed)
    labelled = read_labelled(typed)
    stamps = _read_measures(typed, _read_marks(typed, Stamps(condemned=condemned)))
    made, requalifications, inspector = _read_dates(typed, _when(today, stamps), stamps)
    stated = read_stated(typed)
    also = read_words(typed, has_standard=_has_standard(stamps))
    claims = read_claims(typed, Claims(labelled.serial, labelled.maker, labelled.inspector or inspector))
    stamps = replace(
        stamps,
        made=made,
        requalifications=requalifications,
        stated=stated,
        also=also,
        serial=claims.serial,
        maker=claims.maker,
        inspector=claims.inspector,
    )
    remark_on_contradictions(typed, stamps)
    _remark_on_the_rest(typed, text, stamps)
    remarks = sorted(dict.fromkeys(typed.remarks), key=lambda remark: (remark.start, remark.end, remark.code))
    return Reading(text, stamps, _missing(stamps), tuple(remarks))


def _read_marks(typed: Typed, stamps: Stamps) -> Stamps:
    """Whose specification, permit or standard it is."""
    permits = read_permits(typed)
    specifications = read_specifications(typed)
    is_un, standards = read_standards(typed)
    if not specifications and not permits:
        permits = read_bare_permits(typed)
    approval, country = read_approval(typed) if is_un or standards else ("", "")
    return replace(
        stamps,
        permits=permits,
        specifications=specifications,
        is_un=is_un,
        standards=standards,
        approval=approval,
        country=country,
    )


def _read_measures(typed: Typed, stamps: Stamps) -> Stamps:
    working, test = read_working_and_test(typed)
    return replace(
        stamps,
        working=working,
        test=test,
        temperature=read_temperature(typed),
        thread=read_thread(typed),
        alloy=read_alloy(typed),
        mass_kg=read_measure(typed, "mass_kg"),
        wall_mm=read_measure(typed, "wall_mm"),
        capacity_litre=read_measure(typed, "capacity_litre"),
        ree_cc=read_measure(typed, "ree_cc"),
    )


def _has_mark(stamps: Stamps) -> bool:
    return bool(stamps.specifications or stamps.permits)


def _has_standard(stamps: Stamps) -> bool:
    return stamps.is_un or bool(stamps.standards)


def _when(today: date, stamps: Stamps) -> When:
    """How old a stamp of this shoulder may be, and in which order its dates stand."""
    authorities = {authority for mark in stamps.specifications for authority in mark.authorities}
    has_mark, has_standard = _has_mark(stamps), _has_standard(stamps)
    is_young = bool(stamps.permits) or has_standard or bool(authorities - _OLD_AUTHORITIES)
    is_iso = stamps.is_un or any(name.startswith("ISO") for name in stamps.standards)
    return When(
        today=today,
        first_year=FIRST_YEAR_OF_DOT if is_young else FIRST_YEAR,
        is_year_first=has_standard and not has_mark,
        is_order_known=has_mark or has_standard,
        needs_whole_year=is_iso and not has_mark,
    )


def _read_dates(
    typed: Typed, when: When, stamps: Stamps
) -> tuple[DateMark | None, tuple[DateMark, ...], str]:
    """The month of manufacture, the requalifications in the order of the text, and an inspector's mark inside a date."""
    numbered = read_requalifications(typed)
    bare = read_dates(typed, when)
    first = _which_is_made(typed, bare, when)
    made: DateMark | None = None
    if first is not None:
        month = month_of(typed, first.written, when, "made")
        made = DateMark(month, "", first.suffixes) if month else None
        typed.retell(first.written.at, "made")
    if first is not None and made is not None and not first.says and len(numbered) + len(bare) == 1:
        words = (
            f"The only date, {made.month}, is read as the first test. Is it a later one? Type its number too."
        )
        typed.remark("date.alone", "tell", "made", words, first.written.at)
    tests: list[DateMark] = []
    without_number: list[tuple[YearMonth, tuple[int, int]]] = []
    rest: list[Dated | Requalified] = [*numbered, *(one for one in bare if one is not first)]
    for one in sorted(rest, key=lambda dated: dated.written.start):
        mark = _tested(typed, one, when, made.month if made else None)
        if mark is not None:
            tests.append(mark)
            without_number += [(mark.month, one.written.at)] if _has_mark(stamps) and not mark.rin else []
            typed.places.setdefault(f"tested {mark.month}", []).append(one.written.at)
    for month, at in without_number:
        _remark_on_no_number(typed, month, at, tests)
    inspector = next((one.inspector for one in bare if one.inspector), "")
    return made, tuple(dict.fromkeys(tests)), inspector


def _which_is_made(typed: Typed, bare: list[Dated], when: When) -> Dated | None:
    """The date that says so; else the first, on a UN mark the first with four digits of the year."""
    said = [one for one in bare if one.says == "made"]
    if said:
        return said[0]
    silent = [one for one in bare if not one.says]
    if not when.needs_whole_year:
        return silent[0] if silent else None
    whole = [one for one in silent if len(one.written.year) == 4]
    if silent and not whole:
        words = "The month of manufacture on a UN mark has a year of four digits; this is read as a periodic inspection."
        source = "49 CFR 178.71(q), 2015 edition"
        typed.remark("un.year", "hold", "made", words, silent[0].written.at, source=source)
    return whole[0] if whole else None


def _tested(typed: Typed, one: Dated | Requalified, when: When, made: YearMonth | None) -> DateMark | None:
    if isinstance(one, Requalified):
        # Numbers of requalifiers are the department's, so no mark with one is older than it (from memory).
        when = replace(when, first_year=FIRST_YEAR_OF_DOT)
    month = month_of(typed, one.written, when, "requalification", made)
    if month is None:
        return None
    if isinstance(one, Requalified):
        return DateMark(month, one.rin, one.suffixes)
    return DateMark(month, "", one.suffixes)


def _remark_on_no_number(typed: Typed, month: YearMonth, at: tuple[int, int], tests: list[DateMark]) -> None:
    """Old tests have no number; that is no matter where a later one has."""
    is_superseded = any(mark.rin and mark.month > month for mark in tests)
    words = f"{month} stands without a requalifier's number: it is no requalification mark of 49 CFR."
    words += "" if is_superseded else " Look for the square."
    source = "49 CFR 180.213(d), 2015 edition"
    bearing: Bearing = "tell" if is_superseded else "hold"
    typed.remark("rin.missing", bearing, "requalification", words, at, source=source)


def _missing(stamps: Stamps) -> tuple[Part, ...]:
    """What a whole shoulder has and this one does not say. Nothing is missing on a condemned one: it is not to be filled."""
    if stamps.condemned:
        return ()
    wanted: list[tuple[Part, object]] = [
        ("specification", stamps.specifications or stamps.permits or stamps.standards),
        ("pressure", stamps.ratings),
        ("serial", stamps.serial),
        ("maker", stamps.maker),
        ("made", stamps.made),
    ]
    if any(not mark.authorities for mark in stamps.specifications):
        wanted.append(("authority", None))
    if _has_standard(stamps) and not stamps.specifications:
        wanted.append(("test pressure", stamps.test))
    if stamps.is_un:
        wanted.append(("approval", stamps.approval))
    return tuple(part for part, found in wanted if not found)


def _remark_on_the_rest(typed: Typed, text: str, stamps: Stamps) -> None:
    for found in typed.find(_UNREAD):
        words = f"“{found[0][:20]}” is not read as a mark."
        typed.remark("text.unread", "tell", "other", words, found.span())
    if stamps == Stamps() and not any(remark.bearing != "tell" for remark in typed.remarks):
        words = "No mark was read here. Type what is stamped on the shoulder."
        typed.remark("text.nothing", "hold", "other", words, (0, len(typed.signs)))
    if len(text) > LONGEST_TEXT:
        words = f"Only the first {LONGEST_TEXT} signs are read: type one cylinder at a time."
        typed.remark(
            "text.too_long", "hold", "other", words, (max(0, len(typed.signs) - 1), len(typed.signs))
        )
