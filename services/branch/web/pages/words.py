"""How dates, times and pressures are written on a page. Pure."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from cylinder.marks import KeyedPressure


def day(date: dt.date) -> str:
    """ "11 March 2026"."""
    return f"{date.day} {date:%B %Y}"


def month(stamped: str | None) -> str:
    """A stamped month "2024-04" as "April 2024"; none is "none"."""
    return f"{dt.date(int(stamped[:4]), int(stamped[5:7]), 1):%B %Y}" if stamped else "none"


def clock(at: dt.datetime, tz: ZoneInfo) -> str:
    """ "09:41" in the shop's zone."""
    return f"{at.astimezone(tz):%H:%M}"


def moment(at: dt.datetime, tz: ZoneInfo) -> str:
    """ "11 March 2026, 09:41" in the shop's zone."""
    there = at.astimezone(tz)
    return f"{day(there.date())}, {there:%H:%M}"


def both(keyed: KeyedPressure) -> str:
    """ "3000 psi (207 bar)": as keyed, then its twin."""
    return keyed.pressure.words_in_both()
