"""A month of a year, the finest date that is stamped on a cylinder. Owns its arithmetic; must never know which month it is now."""

import calendar
import re
from dataclasses import dataclass
from datetime import date

_WRITTEN = re.compile(r"([0-9]{4})-([0-9]{2})")


@dataclass(frozen=True, order=True)
class YearMonth:
    year: int
    month: int

    def __post_init__(self) -> None:
        if not 1 <= self.month <= 12:
            raise ValueError(f"there is no month {self.month}: months run from 1 to 12")
        if not 1 <= self.year <= 9999:
            raise ValueError(
                f"there is no year {self.year} on a cylinder: write four digits, for example 2024"
            )

    @classmethod
    def parse(cls, text: str) -> "YearMonth":
        """Reads '2024-06'. Anything else is a ValueError with words for the person who keyed it."""
        written = _WRITTEN.fullmatch(text.strip())
        if written is None:
            raise ValueError(f"write year and month like 2024-06, not {text[:20]!r}")
        return cls(int(written[1]), int(written[2]))

    @classmethod
    def of(cls, day: date) -> "YearMonth":
        return cls(day.year, day.month)

    def plus_months(self, months: int) -> "YearMonth":
        year, month_before = divmod(self.year * 12 + self.month - 1 + months, 12)
        return YearMonth(year, month_before + 1)

    def last_day(self) -> date:
        return date(self.year, self.month, calendar.monthrange(self.year, self.month)[1])

    def __str__(self) -> str:
        return f"{self.year:04d}-{self.month:02d}"


def months_after(day: date, months: int) -> date:
    """The same day of a later month; where that month is too short, its last day: six months from 31 August is 28 February."""
    month = YearMonth.of(day).plus_months(months)
    return date(month.year, month.month, min(day.day, month.last_day().day))
