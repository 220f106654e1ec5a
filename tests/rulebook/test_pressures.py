"""Ratings, targets, residuals and limits: never above the rating, and an odd reading is not taken for a usual one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gas.pressure import Pressure
from rulebook import (
    Finding,
    fill_limit,
    hot_limit,
    judge_end,
    judge_rating,
    judge_residual,
    judge_target,
    load,
    lowest_test_pressure,
    plus_conditions,
)

US = load("us")
READINGS = st.builds(Pressure, st.floats(0, 6000), st.sampled_from(["psi", "bar"]))


def said(findings: list[Finding]) -> list[tuple[str, str]]:
    return [(finding.rule_id, finding.bearing) for finding in findings]


@pytest.mark.parametrize(
    ("spec", "service", "test"),
    [
        ("3AL", 3000, 5000),  # 49 CFR 178.46(g)(3)(iii), 2015 edition, and 180.209 Table 1: 5/3 of service
        ("3AA", 2400, 4000),  # 49 CFR 180.209 Table 1
    ],
)
def test_the_lowest_test_pressure_is_five_thirds(spec: str, service: float, test: float) -> None:
    assert lowest_test_pressure(US, spec, Pressure(service, "psi")) == Pressure(test, "psi")


@pytest.mark.parametrize("spec", ["SP", "TC-3ALM", "no such thing"])
def test_there_is_no_test_pressure_where_other_papers_say_it(spec: str) -> None:
    assert lowest_test_pressure(US, spec, Pressure(200, "bar")) is None


def test_with_a_valid_plus_and_the_stores_leave_the_limit_is_ten_percent_more() -> None:
    # 49 CFR 173.302a(b), 2015 edition: 3AA 2400 with + is 2640 at 70 °F.
    limit, findings = fill_limit(US, "3AA", Pressure(2400, "psi"), plus_stamped=True, store_allows_plus=True)
    assert limit == Pressure(2640, "psi")
    assert said(findings) == [("us.fill.plus", "tell")]
    assert judge_target(US, limit, Pressure(2640, "psi")) == []


def test_without_a_plus_the_limit_is_the_rating() -> None:
    # 49 CFR 173.301a(c), 2015 edition.
    assert fill_limit(US, "3AA", Pressure(2400, "psi"), plus_stamped=False, store_allows_plus=True) == (
        Pressure(2400, "psi"),
        [],
    )


def test_a_store_fills_to_the_plus_only_when_it_says_so() -> None:
    limit, findings = fill_limit(US, "3AA", Pressure(2400, "psi"), plus_stamped=True)
    assert limit == Pressure(2400, "psi")
    assert said(findings) == [("us.fill.plus", "tell")]


@pytest.mark.parametrize("spec", ["3AL", "SP", "3HT", "UN-SEAMLESS", "TC-3AAM"])
def test_a_plus_on_a_cylinder_that_cannot_carry_one_is_flagged_and_not_used(spec: str) -> None:
    # 49 CFR 173.302a(b), 2015 edition, lists 3A, 3AX, 3AA, 3AAX and 3T only.
    limit, findings = fill_limit(US, spec, Pressure(3000, "psi"), plus_stamped=True, store_allows_plus=True)
    assert limit == Pressure(3000, "psi")
    assert said(findings) == [("us.fill.plus", "hold")]


def test_an_unknown_specification_gets_no_limit_but_a_refusal() -> None:
    _, findings = fill_limit(US, "3AK", Pressure(3000, "psi"), plus_stamped=True, store_allows_plus=True)
    assert said(findings) == [("us.spec.unknown", "refuse")]
    assert said(judge_rating(US, "3AK", Pressure(3000, "psi"))) == [("us.spec.unknown", "refuse")]


def test_a_target_at_the_rating_is_allowed_and_above_is_refused() -> None:
    # 49 CFR 173.301a(c), 2015 edition.
    rated = Pressure(3000, "psi")
    assert judge_target(US, rated, Pressure(3000, "psi")) == []
    assert judge_target(US, rated, rated.twin()) == []
    refused = judge_target(US, rated, Pressure(3001, "psi"))
    assert said(refused) == [("us.fill.limit", "refuse")]
    assert "3001 psi" in refused[0].words
    assert said(judge_target(US, rated, Pressure(207, "bar"))) == [("us.fill.limit", "refuse")]
    assert said(judge_target(US, rated, Pressure(3000, "bar"))) == [("us.fill.limit", "refuse")]


def test_a_target_of_nothing_is_refused() -> None:
    assert said(judge_target(US, Pressure(3000, "psi"), Pressure(0, "bar"))) == [
        ("us.fill.no_target", "refuse")
    ]


@given(READINGS, READINGS)
def test_no_target_above_the_rating_ever_passes(rated: Pressure, target: Pressure) -> None:
    if judge_target(US, rated, target) == []:
        assert target.psi <= rated.psi * (1 + 1e-12) + 0.001
    else:
        assert target.value == 0 or target.is_above(rated)


@pytest.mark.parametrize(
    ("residual", "held"),
    [
        (Pressure(0, "psi"), True),
        (Pressure(99, "psi"), True),
        (Pressure(100, "psi"), False),
        (Pressure(6.9, "bar"), True),
        (Pressure(7, "bar"), False),
    ],
)
def test_below_100_psi_or_7_bar_the_inside_is_looked_at_first(residual: Pressure, held: bool) -> None:
    # Common practice, no source.
    expected = [("us.residual.low", "hold")] if held else []
    assert said(judge_residual(US, residual)) == expected


def test_3000_keyed_as_bar_is_refused_with_the_question() -> None:
    findings = judge_rating(US, "3AL", Pressure(3000, "bar"))
    assert said(findings)[0] == ("us.rating.beyond_use", "refuse")
    assert "Is the stamp in psi?" in findings[0].words


def test_207_keyed_as_psi_is_held_with_the_question() -> None:
    findings = judge_rating(US, "TC-3ALM", Pressure(207, "psi"))
    assert said(findings)[0] == ("us.rating.beyond_use", "hold")
    assert "Is the stamp in bar?" in findings[0].words


def test_no_rating_is_refused() -> None:
    assert said(judge_rating(US, "3AL", Pressure(0, "psi"))) == [("us.rating.unread", "refuse")]


# Ratings in use: stored size charts, second-hand.
@pytest.mark.parametrize("psi", [1800, 2250, 2400, 3000, 3300, 3442, 4350, 4500])
def test_a_rating_in_use_is_taken_as_read(psi: float) -> None:
    assert judge_rating(US, "3AA", Pressure(psi, "psi")) == []


def test_a_unit_other_than_the_stamps_is_told() -> None:
    assert said(judge_rating(US, "3AL", Pressure(207, "bar"))) == [("us.rating.unit", "tell")]
    assert judge_rating(US, "TC-3ALM", Pressure(207, "bar")) == []


def test_fifty_psi_over_the_rating_is_bled() -> None:
    # US Navy Diving Manual 7-5.1.1: a gauge 50 psi or more over the rating is bled.
    rated = Pressure(3000, "psi")
    assert said(judge_end(US, rated, Pressure(3060, "psi"))) == [("us.fill.overshoot", "hold")]
    assert said(judge_end(US, rated, Pressure(3050, "psi"))) == [("us.fill.overshoot", "hold")]
    assert said(judge_end(US, rated, Pressure(3020, "psi"))) == [("us.fill.limit", "hold")]
    assert judge_end(US, rated, Pressure(3000, "psi")) == []


def test_at_131_degrees_fahrenheit_five_quarters_of_the_service_pressure_are_allowed() -> None:
    # 49 CFR 173.301(a)(8), 2015 edition: of 3000 psi, 3750.
    assert hot_limit(US, Pressure(3000, "psi")) == Pressure(3750, "psi")
    assert hot_limit(load("uk"), Pressure(232, "bar")) is None


def test_what_a_plus_needs_is_five_lines_of_the_regulation() -> None:
    # 49 CFR 173.302a(b)(1)-(5), 2015 edition.
    assert [rule.clause for rule in plus_conditions(US)] == [f"173.302a(b)({place})" for place in range(1, 6)]
    stress = next(rule for rule in plus_conditions(US) if rule.id == "plus.needs_wall_stress")
    assert (stress.amount("average_psi"), stress.amount("largest_psi")) == (67_000, 73_000)


def test_a_un_cylinder_is_tested_at_half_as_much_again() -> None:
    # 49 CFR 173.302b(b), 2015 edition.
    assert lowest_test_pressure(US, "UN-SEAMLESS", Pressure(232, "bar")) == Pressure(348, "bar")
