"""A year and month are read strictly, counted exactly, and end on the month's last day."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rulebook import YearMonth

MONTHS = st.builds(YearMonth, st.integers(1000, 3000), st.integers(1, 12))


def test_a_month_is_read_as_year_then_month() -> None:
    assert YearMonth.parse(" 2024-06 ") == YearMonth(2024, 6)


@pytest.mark.parametrize("text", ["2024-13", "2024-00"])
def test_month_13_is_told_that_there_is_none(text: str) -> None:
    with pytest.raises(ValueError, match="there is no month"):
        YearMonth.parse(text)


# 13-19, 0-19 and 00-06 are not dates in the month-year form of 49 CFR 178.35(f)(1) either: no such month.
@pytest.mark.parametrize(
    "text",
    [
        "13-19",
        "0-19",
        "00-06",
        "",
        "2024",
        "2024-6",
        "2024/06",
        "06-2024",
        "2024-06-01",
        "٢٠٢٤-٠٦",
        "-024-06",
    ],
)
def test_anything_else_is_told_how_to_write_it(text: str) -> None:
    with pytest.raises(ValueError, match="like 2024-06"):
        YearMonth.parse(text)


def test_a_flood_of_text_is_not_thrown_back() -> None:
    with pytest.raises(ValueError, match="like 2024-06") as refused:
        YearMonth.parse("9" * 10_000)
    assert len(str(refused.value)) < 100


def test_february_of_a_leap_year_ends_on_the_29th() -> None:
    assert YearMonth(2028, 2).last_day() == date(2028, 2, 29)
    assert YearMonth(2100, 2).last_day() == date(2100, 2, 28)


def test_counting_past_the_calendar_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match="there is no year"):
        YearMonth(9999, 12).plus_months(1)


@given(MONTHS)
def test_what_is_written_is_read_back(month: YearMonth) -> None:
    assert YearMonth.parse(str(month)) == month


@given(MONTHS, st.integers(-600, 600), st.integers(-600, 600))
def test_months_add_up_in_any_steps(month: YearMonth, first: int, second: int) -> None:
    assert month.plus_months(first).plus_months(second) == month.plus_months(first + second)


@given(MONTHS, st.integers(1, 600))
def test_more_months_is_later(month: YearMonth, months: int) -> None:
    assert month.plus_months(months) > month
    assert month.plus_months(months).last_day() > month.last_day()


@given(MONTHS)
def test_the_day_after_the_last_day_begins_the_next_month(month: YearMonth) -> None:
    assert YearMonth.of(month.last_day()) == month
    assert YearMonth.of(month.last_day() + timedelta(days=1)) == month.plus_months(1)


@given(MONTHS, st.integers(0, 40))
def test_whole_years_keep_the_month(month: YearMonth, years: int) -> None:
    assert month.plus_months(12 * years) == YearMonth(month.year + years, month.month)
