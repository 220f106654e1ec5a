"""Each country's periods, stamps and limits, with the source that the pack cites."""

from dataclasses import replace
from datetime import date

import pytest
from tests.rulebook.a_cylinder import good_in

from rulebook import (
    YearMonth,
    is_in_the_way,
    judge,
    judge_full_cylinder,
    judge_requalification,
    judge_visual,
    judge_wear,
    jurisdictions,
    load,
    spec_known,
)

TODAY = date(2026, 3, 15)


def due(jurisdiction: str, spec: str, tested: YearMonth, today: date = TODAY) -> YearMonth | None:
    return judge_requalification(load(jurisdiction), spec, tested, today, stamp="tested")[1]


def inside_due(jurisdiction: str, looked: YearMonth) -> YearMonth | None:
    return judge_visual(load(jurisdiction), looked, TODAY)[1]


def test_the_countries_at_hand() -> None:
    assert jurisdictions() == ("au", "ca", "eu", "no", "nz", "uk", "us", "za")


def test_united_kingdom_tests_after_sixty_months_and_looks_inside_after_thirty() -> None:
    # BS EN ISO 18119:2018, informative annex, as quoted by the UK Diving Industry Committee: hydro 2024-05.
    assert due("uk", "EN 1964-1", YearMonth(2024, 5)) == YearMonth(2029, 5)
    assert inside_due("uk", YearMonth(2024, 5)) == YearMonth(2026, 11)


def test_in_the_united_kingdom_a_year_is_all_without_a_risk_assessment() -> None:
    # The same annex: every year, up to 2.5 years after a risk assessment.
    uk = load("uk")
    asked = replace(good_in("uk"), looked_inside=YearMonth(2024, 12), requalified=YearMonth(2024, 12))
    for unsaid in (None, False):
        found = [one.rule_id for one in judge(uk, replace(asked, is_low_risk=unsaid)) if is_in_the_way(one)]
        assert found == ["uk.visual.no_assessment"]
    assert [one for one in judge(uk, asked) if is_in_the_way(one)] == []
    last = judge_wear(uk, YearMonth(2025, 3), date(2026, 3, 31), is_low_risk=None, is_heavy_service=None)
    assert last == []


def test_australia_tests_and_looks_inside_every_year() -> None:
    # AS 2030.1-2009, as cited by WorkSafe Victoria's safety alert: tested 2025-05, due 2026-05.
    assert due("au", "ISO 7866", YearMonth(2025, 5)) == YearMonth(2026, 5)
    assert inside_due("au", YearMonth(2025, 5)) == YearMonth(2026, 5)


def test_australia_fills_no_6351() -> None:
    # An accredited test station's page, second-hand: design approvals withdrawn on 31 October 2017.
    asked = replace(good_in("au"), alloy="6351-T6", eddy_current_at_latest_test=True)
    assert [one.rule_id for one in judge(load("au"), asked) if is_in_the_way(one)] == ["au.alloy.prohibited"]


def test_south_africa_looks_inside_after_two_years_and_tests_after_four() -> None:
    # SANS 10019:2023, as quoted on a trade page: hydro 2024-05.
    assert inside_due("za", YearMonth(2024, 5)) == YearMonth(2026, 5)
    assert due("za", "ISO 9809-1", YearMonth(2024, 5)) == YearMonth(2028, 5)


def test_norway_tests_first_after_three_years_and_then_after_two() -> None:
    # Open encyclopedia, "Testing and inspection of diving cylinders": made 2024-05.
    no = load("no")
    made, first = YearMonth(2024, 5), YearMonth(2027, 5)
    assert judge_requalification(no, "ISO 7866", made, TODAY, is_first=True)[1] == first
    assert judge_requalification(no, "ISO 7866", first, date(2027, 6, 1), is_first=False)[1] == YearMonth(
        2029, 5
    )


def test_where_nobody_says_that_it_is_the_first_test_the_shorter_period_holds() -> None:
    assert due("no", "ISO 7866", YearMonth(2024, 5)) == YearMonth(2026, 5)


def test_new_zealand_tests_after_two_years_and_looks_inside_after_one() -> None:
    # Guide to gas cylinders (WorkSafe New Zealand, February 2020), as quoted by a test station.
    assert due("nz", "ISO 9809-1", YearMonth(2025, 5)) == YearMonth(2027, 5)
    assert inside_due("nz", YearMonth(2025, 5)) == YearMonth(2026, 5)


def test_new_zealand_looks_inside_after_four_months_of_heavy_service() -> None:
    # The same guide. Not said how it is used: it is held.
    asked = replace(good_in("nz"), looked_inside=YearMonth(2025, 10))
    for unsaid in (None, True):
        found = judge(load("nz"), replace(asked, is_heavy_service=unsaid))
        assert [one.rule_id for one in found if is_in_the_way(one)] == ["nz.visual.heavy_service"]
    assert [one for one in judge(load("nz"), asked) if is_in_the_way(one)] == []


def test_new_zealand_asks_for_its_record_number() -> None:
    # WorkSafe New Zealand, "Gas cylinders and fire extinguishers": LAB and figures, or a UN cylinder.
    for approval in ("LAB 1234", "lab1234 sp", "UN"):
        found = judge(load("nz"), replace(good_in("nz"), approval=approval))
        assert [one for one in found if is_in_the_way(one)] == []
    found = judge(load("nz"), replace(good_in("nz"), approval=""))
    assert [one.rule_id for one in found if is_in_the_way(one)] == ["nz.spec.approval"]


@pytest.mark.parametrize("spec", ["TC-3ALM207", "TC-3AAM232", "CTC-3AL3000", "DOT-3AL3000", "ICC-3AA2250"])
def test_canada_tests_after_five_years(spec: str) -> None:
    # Divers Alert Network, "Inspecting and Testing Scuba Cylinders"; CSA B339 from memory, and told so.
    assert due("ca", spec, YearMonth(2024, 5)) == YearMonth(2029, 5)


def test_canada_assumes_no_period_for_a_permit() -> None:
    assert due("ca", "CTC-SP 9999", YearMonth(2026, 1)) is None


def test_the_european_union_is_typical_and_says_so() -> None:
    # National laws and EN ISO 18119, as reported on trade pages.
    assert due("eu", "EN 1964-1", YearMonth(2024, 5)) == YearMonth(2029, 5)
    assert inside_due("eu", YearMonth(2024, 5)) == YearMonth(2026, 11)
    told, _ = judge_requalification(load("eu"), "ISO 7866", YearMonth(2024, 5), TODAY, stamp="tested")
    assert [one.rule_id for one in told] == ["eu.spec.country"]


def test_where_both_dates_are_stamped_nobody_guesses_which_this_is() -> None:
    # Open encyclopedia, "Testing and inspection of diving cylinders": Germany stamps the date it runs out.
    eu = load("eu")
    findings, month = judge_requalification(eu, "ISO 7866", YearMonth(2024, 5), TODAY)
    assert [(one.rule_id, one.bearing) for one in findings] == [("eu.stamp.which", "hold")]
    assert month is None


@pytest.mark.parametrize("jurisdiction", jurisdictions())
def test_a_date_that_runs_out_is_good_to_its_last_day(jurisdiction: str) -> None:
    pack, spec = load(jurisdiction), good_in(jurisdiction).spec
    expires = YearMonth(2026, 3)
    assert judge_requalification(pack, spec, expires, date(2026, 3, 31), stamp="expires")[1] == expires
    over, _ = judge_requalification(pack, spec, expires, date(2026, 4, 1), stamp="expires")
    assert f"{jurisdiction}.requalification.overdue" in [
        one.rule_id for one in over if one.bearing == "refuse"
    ]


def test_a_date_that_runs_out_after_more_than_a_period_was_misread() -> None:
    au = load("au")
    findings, month = judge_requalification(au, "ISO 7866", YearMonth(2027, 4), TODAY, stamp="expires")
    assert [one.rule_id for one in findings] == ["au.date.impossible"]
    assert month is None


def test_only_where_a_text_says_so_a_cylinder_is_used_up_after_its_date() -> None:
    # 49 CFR 180.205(c), 2015 edition, for the United States; no such text was read for the others.
    for jurisdiction in jurisdictions():
        spec = good_in(jurisdiction).spec
        pack = load(jurisdiction)
        _, month = judge_requalification(pack, spec, YearMonth(2021, 6), date(2021, 7, 1), stamp="tested")
        assert month is not None
        full = judge_full_cylinder(
            pack, spec, YearMonth(2021, 6), month.last_day(), date(2031, 1, 1), stamp="tested"
        )
        expected = "tell" if jurisdiction == "us" else "hold"
        assert [one.bearing for one in full] == [expected], jurisdiction


@pytest.mark.parametrize(
    ("jurisdiction", "typed", "key"),
    [
        ("uk", "BS 5045/1", "STEEL"),
        ("uk", "BS5045/1", "STEEL"),
        ("uk", "EN 1964-1", "STEEL"),
        ("uk", "HOAL 4", "ALUMINIUM"),
        ("uk", "HOS", "STEEL"),
        ("uk", "BS 5045", None),
        ("uk", "BS 5045/2", None),
        ("uk", "DOT-3AL3000", None),
        ("eu", "UN ISO 9809-2", "STEEL"),
        ("nz", "DOT-3AL3000", "3AL"),
        ("ca", "TC-3ALM207/DOT-3AL3000", "TC-3ALM"),
        ("za", "3AL", None),
    ],
)
def test_a_country_knows_its_own_kinds(jurisdiction: str, typed: str, key: str | None) -> None:
    assert spec_known(load(jurisdiction), typed) == key
