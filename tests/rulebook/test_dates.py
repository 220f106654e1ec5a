"""Requalification and the look inside: in date to the last day of the due month, refused after, never a default."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rulebook import (
    Finding,
    Permit,
    YearMonth,
    day_at,
    judge_full_cylinder,
    judge_requalification,
    judge_visual,
    load,
    spec_list,
)

US = load("us")


def refusals(findings: list[Finding]) -> list[str]:
    return [finding.rule_id for finding in findings if finding.bearing == "refuse"]


def test_the_last_day_of_the_due_month_is_in_date() -> None:
    # 49 CFR 180.205(c), 2015 edition: "at any time during or before the month and year"; end of month is read from it.
    findings, due = judge_requalification(US, "3AL", YearMonth(2021, 6), date(2026, 6, 30))
    assert due == YearMonth(2026, 6)
    assert refusals(findings) == []
    assert [finding.rule_id for finding in findings] == ["us.requalification.last_month"]


def test_the_next_day_is_overdue_and_not_filled() -> None:
    # 49 CFR 173.301(a)(6), 2015 edition.
    findings, due = judge_requalification(US, "3AL", YearMonth(2021, 6), date(2026, 7, 1))
    assert due == YearMonth(2026, 6)
    assert refusals(findings) == ["us.requalification.overdue"]
    assert findings[0].clause == "173.301(a)(6)"
    assert "2021-06" in findings[0].words
    assert "2026-06" in findings[0].words


def test_filled_before_due_it_stays_in_service_until_empty_and_is_not_refilled() -> None:
    # 49 CFR 180.205(c), 2015 edition.
    full = judge_full_cylinder(US, "3AL", YearMonth(2021, 6), date(2026, 6, 10), date(2026, 9, 1))
    assert [(finding.rule_id, finding.bearing) for finding in full] == [
        ("us.requalification.filled_before_due", "tell")
    ]
    refill, _ = judge_requalification(US, "3AL", YearMonth(2021, 6), date(2026, 9, 1))
    assert refusals(refill) == ["us.requalification.overdue"]


def test_filled_overdue_it_is_held() -> None:
    # 49 CFR 173.301(a)(6), 2015 edition.
    full = judge_full_cylinder(US, "3AL", YearMonth(2021, 6), date(2026, 7, 1), date(2026, 9, 1))
    assert [(finding.rule_id, finding.bearing) for finding in full] == [
        ("us.requalification.filled_overdue", "hold")
    ]


@pytest.mark.parametrize("filled_on", [date(2026, 9, 2), date(2021, 5, 31)])
def test_a_fill_that_does_not_fit_the_other_dates_is_held(filled_on: date) -> None:
    full = judge_full_cylinder(US, "3AL", YearMonth(2021, 6), filled_on, date(2026, 9, 1))
    assert [(finding.rule_id, finding.bearing) for finding in full] == [("us.date.impossible", "hold")]


# 49 CFR 180.209(a) Table 1 (current-style text) and 180.207(c), 2015 edition; Canadian marks by Divers Alert Network, "Inspecting
# and Testing Scuba Cylinders" (five years for every scuba cylinder). A special permit has no period but its own.
PERIODS = {
    "3AL": 60,
    "3AA": 60,
    "3A": 60,
    "3AX": 60,
    "3AAX": 60,
    "3T": 60,
    "3HT": 36,
    "UN-SEAMLESS": 120,
    "UN-COMPOSITE": 60,
    "CTC-3AL": 60,
    "CTC-3AA": 60,
    "TC-3ALM": 60,
    "TC-3AAM": 60,
}


def test_every_specification_has_its_own_period() -> None:
    found = {}
    for spec in spec_list(US):
        if spec == "SP":
            continue
        _, due = judge_requalification(US, spec, YearMonth(2019, 6), date(2019, 7, 1))
        assert due is not None
        found[spec] = (due.year - 2019) * 12 + due.month - 6
    assert found == PERIODS


def test_a_un_seamless_cylinder_for_air_has_ten_years() -> None:
    # 49 CFR 180.207(c), 2015 edition: hydro 2019-06, next 2029-06.
    _, due = judge_requalification(US, "UN-SEAMLESS", YearMonth(2019, 6), date(2026, 1, 1))
    assert due == YearMonth(2029, 6)


def test_what_is_from_memory_about_a_period_is_told() -> None:
    findings, _ = judge_requalification(US, "TC-3ALM", YearMonth(2024, 6), date(2026, 1, 1))
    assert [(finding.bearing, finding.standing) for finding in findings] == [("tell", "from memory")]


def test_a_special_permit_is_told_to_read_its_permit() -> None:
    # 49 CFR 180.209(a) Table 1: "as permit". The period is the permit's, and is never assumed.
    permit = Permit("99999", requalify_every_months=36)
    findings, due = judge_requalification(
        US, "DOT-SP 99999", YearMonth(2024, 6), date(2026, 1, 1), permit=permit
    )
    assert [finding.rule_id for finding in findings] == ["us.spec.permit_terms"]
    assert due == YearMonth(2027, 6)


def test_a_special_permit_that_nobody_read_is_not_filled_by() -> None:
    # 49 CFR 180.209(a) Table 1: "as permit".
    findings, due = judge_requalification(US, "DOT-SP 99999", YearMonth(2025, 12), date(2026, 1, 1))
    assert refusals(findings) == ["us.spec.permit_period"]
    assert due is None


@pytest.mark.parametrize("spec", ["", "  ", "3AK", "DOT", "9" * 10_000])
def test_an_unknown_specification_is_refused_and_has_no_due_month(spec: str) -> None:
    findings, due = judge_requalification(US, spec, YearMonth(2024, 6), date(2026, 1, 1))
    assert refusals(findings) == ["us.spec.unknown"]
    assert due is None
    assert len(findings[0].words) < 300


def test_a_date_nobody_read_is_refused() -> None:
    assert refusals(judge_requalification(US, "3AL", None, date(2026, 1, 1))[0]) == [
        "us.requalification.unread"
    ]
    assert refusals(judge_visual(US, None, date(2026, 1, 1))[0]) == ["us.visual.unread"]


@pytest.mark.parametrize("read", [YearMonth(2026, 2), YearMonth(2206, 1), YearMonth(1899, 12)])
def test_a_date_that_cannot_be_is_refused(read: YearMonth) -> None:
    today = date(2026, 1, 31)
    assert judge_requalification(US, "3AL", read, today)[1] is None
    assert refusals(judge_requalification(US, "3AL", read, today)[0]) == ["us.date.impossible"]
    assert refusals(judge_visual(US, read, today)[0]) == ["us.date.impossible"]


def test_a_requalification_of_this_month_is_no_future_date() -> None:
    assert refusals(judge_requalification(US, "3AL", YearMonth(2026, 1), date(2026, 1, 1))[0]) == []


def test_a_look_inside_holds_twelve_months_and_says_it_is_common_practice() -> None:
    # CGA P-5 as reported by Divers Alert Network: every 12 months; second-hand, no federal law.
    assert judge_visual(US, YearMonth(2025, 3), date(2026, 3, 31)) == ([], YearMonth(2026, 3))
    findings, due = judge_visual(US, YearMonth(2025, 3), date(2026, 4, 1))
    assert due == YearMonth(2026, 3)
    assert refusals(findings) == ["us.visual.overdue"]
    assert findings[0].standing == "common practice"
    assert "common practice, no federal law" in findings[0].words


@given(
    st.sampled_from(sorted(PERIODS)),
    st.builds(YearMonth, st.integers(1900, 2026), st.integers(1, 12)),
    st.dates(date(2026, 12, 31), date(2060, 1, 1)),
)
def test_a_day_is_refused_exactly_when_it_is_after_the_due_month(
    spec: str, requalified: YearMonth, today: date
) -> None:
    findings, due = judge_requalification(US, spec, requalified, today)
    first_day_overdue = date(due.year, due.month, 1) + timedelta(days=32) if due else date.max
    first_day_overdue = first_day_overdue.replace(day=1)
    assert bool(refusals(findings)) == (today >= first_day_overdue)


ZONES = st.sampled_from(
    [
        "UTC",
        "Pacific/Auckland",
        "America/Los_Angeles",
        "Asia/Kathmandu",
        "Pacific/Kiritimati",
        "Europe/London",
    ]
)


@given(ZONES, st.builds(YearMonth, st.integers(1971, 2026), st.integers(1, 12)))
def test_the_due_month_ends_at_midnight_at_the_shop(zone: str, requalified: YearMonth) -> None:
    # 49 CFR 180.205(c), 2015 edition; the day of law is the day where the cylinder is filled.
    shop = ZoneInfo(zone)
    due = requalified.plus_months(60)
    last = due.last_day()
    midnight = datetime(last.year, last.month, last.day, tzinfo=shop) + timedelta(days=1)
    before = (midnight.astimezone(UTC) - timedelta(seconds=1)).astimezone(UTC)
    for moment, refused in ((before, False), (midnight.astimezone(UTC), True)):
        findings, _ = judge_requalification(US, "3AL", requalified, day_at(moment, shop))
        assert bool(refusals(findings)) == refused


def test_one_moment_is_in_date_at_one_shop_and_overdue_at_another() -> None:
    moment = datetime(2026, 6, 30, 20, 0, tzinfo=UTC)
    in_date, _ = judge_requalification(
        US, "3AL", YearMonth(2021, 6), day_at(moment, ZoneInfo("America/New_York"))
    )
    overdue, _ = judge_requalification(
        US, "3AL", YearMonth(2021, 6), day_at(moment, ZoneInfo("Pacific/Auckland"))
    )
    assert refusals(in_date) == []
    assert refusals(overdue) == ["us.requalification.overdue"]


def test_a_moment_without_a_zone_is_no_day() -> None:
    with pytest.raises(ValueError, match="without a zone"):
        day_at(datetime(2026, 6, 30, 20, 0), UTC)  # noqa: DTZ001


@pytest.mark.parametrize(
    ("requalified", "last_good", "first_bad"),
    [
        (YearMonth(2019, 2), date(2024, 2, 29), date(2024, 3, 1)),
        (YearMonth(2020, 2), date(2025, 2, 28), date(2025, 3, 1)),
        (YearMonth(2020, 12), date(2025, 12, 31), date(2026, 1, 1)),
        (YearMonth(2021, 4), date(2026, 4, 30), date(2026, 5, 1)),
    ],
)
def test_a_month_ends_where_it_ends(requalified: YearMonth, last_good: date, first_bad: date) -> None:
    # 49 CFR 180.205(c), 2015 edition; end of month is read from it.
    assert refusals(judge_requalification(US, "3AL", requalified, last_good)[0]) == []
    assert refusals(judge_requalification(US, "3AL", requalified, first_bad)[0]) == [
        "us.requalification.overdue"
    ]
