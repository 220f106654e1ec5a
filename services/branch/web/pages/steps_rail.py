"""The left side of a visit's pages: which cylinder, what was read of it so far. Never a rating that was not read here.

Pure: a visit and its surroundings in, shapes out.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from zoneinfo import ZoneInfo

from cylinder.around import Around
from cylinder.decide.judged import date_findings
from cylinder.marks import KeyedPressure
from cylinder.visit import Visit
from signage import Check, Plate, Rail, Rating

Who = Callable[[str], str]
"""A staff member's working name by their id."""


def rail(visit: Visit, around: Around, *, who: Who, tz: ZoneInfo) -> Rail:
    """The left side. The rating is veiled until it is read in this visit, whatever is on record."""
    return Rail(
        tag=str(visit.tag),
        gas=visit.gas_in_it.words,
        lines=(f"Cylinder {visit.number} of {visit.of}", "for this diver", *_set_line(visit, around)),
        plate=_plate(visit),
        rating=_rating(visit, who, tz),
        checks=_checks(visit, around),
    )


def age_words(age: dt.timedelta | int) -> str:
    """ "20 s", "3 min", "4 h", "2 days"."""
    seconds = age if isinstance(age, int) else max(0, int(age.total_seconds()))
    if seconds < 60:
        return f"{seconds} s"
    if seconds < 3600:
        return f"{seconds // 60} min"
    return f"{seconds // 3600} h" if seconds < 172_800 else f"{seconds // 86_400} days"


def stamped(month: str | None) -> str:
    """A stamped month "2024-04" as it stands on metal, "04 2024"."""
    return f"{month[5:7]} {month[:4]}" if month else "none"


def twin(keyed: KeyedPressure) -> str:
    """The same in the other unit, rounded for reading."""
    other = keyed.pressure.twin()
    return f"{other.value:.0f} {other.unit}"


def _set_line(visit: Visit, around: Around) -> tuple[str, ...]:
    """With which tag it stands on one manifold."""
    if visit.joined is None:
        return ()
    tag = next((one.tag for one in around.open_visits if one.id == visit.joined), None)
    return ("in one set whose other half has left",) if tag is None else (f"in one set with tag {tag}",)


def _plate(visit: Visit) -> Plate | None:
    if visit.marks is None:
        return None
    marks, read = visit.marks, visit.rating
    return Plate(
        serial=marks.serial,
        marks=" ".join(part for part in (marks.maker, marks.spec) if part),
        rating=f"{read.rated.value:g}" if read else "",
        date=f"{marks.first_test[5:7]} {marks.first_test[2:4]}",
    )


def _rating(visit: Visit, who: Who, tz: ZoneInfo) -> Rating | None:
    if visit.rating is None:
        return None
    rated = visit.rating.rated
    when = f"{visit.rated_at.astimezone(tz):%H:%M}" if visit.rated_at else ""
    return Rating(f"{rated.value:g}", rated.unit, f"{twin(rated)}, read {when} by {who(visit.rated_by)}")


def _checks(visit: Visit, around: Around) -> tuple[Check, ...]:
    seen = visit.certification
    refused = {
        finding.rule_id.split(".")[1] for finding in date_findings(visit, around) if finding.bearing != "tell"
    }
    return (
        Check("Certification", seen.level, "done") if seen else Check("Certification"),
        _outside_check(visit),
        _date_check("Hydro", visit, "requalified", bad="requalification" in refused or "date" in refused),
        _date_check("Inside look", visit, "looked_inside", bad="visual" in refused),
        _standing_check(visit, around),
    )


def _outside_check(visit: Visit) -> Check:
    if visit.outside is None:
        return Check("Outside")
    return Check("Outside", "Good", "done") if visit.outside.sound else Check("Outside", "Not sound", "hold")


def _date_check(label: str, visit: Visit, name: str, *, bad: bool) -> Check:
    if visit.dates is None:
        return Check(label)
    month = visit.dates.requalified if name == "requalified" else visit.dates.looked_inside
    stamp = visit.dates.stamp if name == "requalified" else None
    until = "to " if stamp is not None and stamp.kind == "expires" else ""
    signs = " ".join(("", *stamp.signs)) if stamp is not None else ""
    return Check(label, f"{until}{stamped(month)}{signs}", "hold" if bad else "done")


def _standing_check(visit: Visit, around: Around) -> Check:
    blocks = around.standing.blocks if around.standing else ()
    if blocks:
        return Check("Standing", blocks[0].words, "hold" if blocks[0].is_hold else "stop")
    seen = visit.standing_seen
    if seen is None:
        return Check("Standing")
    if seen.supervised:
        return Check("Standing", "By a manager", "hold")
    return Check("Standing", f"{age_words(seen.news_age_s)} old", "done")
