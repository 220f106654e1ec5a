"""Condemned is for ever, and every reason to condemn or reject carries its clause."""

import pytest

from gas.mixture import AIR, Mix
from rulebook import (
    Finding,
    condemn_criteria,
    criterion,
    fail_criteria,
    judge_alloy,
    judge_condemned,
    judge_expansion,
    judge_outside,
    judge_oxygen_service,
    judge_rejected,
    load,
    reject_criteria,
)

US = load("us")


def said(findings: list[Finding]) -> list[tuple[str, str]]:
    return [(finding.rule_id, finding.bearing) for finding in findings]


def test_condemned_is_refused_with_the_definition() -> None:
    # 49 CFR 180.203, 2015 edition.
    finding = judge_condemned(US)
    assert finding.bearing == "refuse"
    assert finding.citation() == '49 CFR 180.203 "Condemn", 2015 annual edition (law)'


def test_rejected_is_refused_until_requalified() -> None:
    # 49 CFR 180.205(h), 2015 edition.
    assert (judge_rejected(US).bearing, judge_rejected(US).clause) == ("refuse", "180.205(h)")


@pytest.mark.parametrize(
    ("criterion_id", "clause"),
    [
        ("condemn.pamphlet", "180.205(i)(1)(i)"),
        ("condemn.wall_leak", "180.205(i)(1)(ii)"),
        ("condemn.cracking", "180.205(i)(1)(iii)"),
        ("condemn.permanent_expansion", "180.205(i)(1)(iv)"),
        ("condemn.3ht_elastic", "180.205(i)(1)(v)(A)"),
        ("condemn.3ht_dent", "180.205(i)(1)(v)(B)"),
        ("condemn.3ht_age", "180.205(i)(1)(v)(C)"),
        ("condemn.permit_limit", "180.205(i)(1)(vii)"),
        ("condemn.permit_over_heated", "180.205(i)(1)(viii)"),
    ],
)
def test_every_reason_of_the_regulation_that_concerns_scuba_is_listed(criterion_id: str, clause: str) -> None:
    # 49 CFR 180.205(i)(1), 2015 edition; (vi) is specification 4E, which is not filled with breathing gas here.
    listed = {one.id: one for one in condemn_criteria(US)}
    assert (listed[criterion_id].clause, listed[criterion_id].standing) == (clause, "law")


def test_a_neck_crack_of_two_threads_in_6351_condemns() -> None:
    # 49 CFR part 180 Appendix C, paragraph 5.
    found = criterion(US, "condemn.neck_crack_6351")
    assert found is not None
    assert (found.outcome, found.metal) == ("condemn", "aluminium")
    assert "two thread lengths or longer" in found.words


def test_every_reason_has_one_outcome() -> None:
    listed = [*condemn_criteria(US), *reject_criteria(US), *fail_criteria(US)]
    assert len(listed) == len(set(listed))
    assert set(listed) == set(US.criteria)


def test_a_reason_that_is_not_listed_is_none() -> None:
    assert criterion(US, "condemn.looks_old") is None


def test_a_figure_from_memory_says_so() -> None:
    dent = criterion(US, "condemn.dent_high_pressure")
    assert dent is not None
    assert dent.standing == "from memory"


def test_the_outside_is_looked_at_and_sound_or_there_is_no_fill() -> None:
    # 49 CFR 173.301(a)(2), 2015 edition.
    assert judge_outside(US, looks_sound=True) == []
    assert said(judge_outside(US, looks_sound=False)) == [("us.look.outside", "refuse")]
    assert said(judge_outside(US, looks_sound=None)) == [("us.look.outside", "refuse")]


def test_permanent_expansion_of_exactly_ten_percent_passes() -> None:
    # 49 CFR 180.205(i)(1)(iv), 2015 edition: "exceeds 10 percent".
    assert judge_expansion(US, "3AL", total_cc=100.0, permanent_cc=10.0) == []
    assert said(judge_expansion(US, "3AL", total_cc=100.0, permanent_cc=10.1)) == [
        ("us.condemn.expansion", "refuse")
    ]


@pytest.mark.parametrize(("permanent", "shown"), [(12.1, "10.1%"), (12.05, "10.04%"), (12.001, "10.001%")])
def test_a_share_above_the_limit_is_not_shown_as_the_limit(permanent: float, shown: str) -> None:
    findings = judge_expansion(US, "3AL", total_cc=120.0, permanent_cc=permanent)
    assert f"is {shown}." in findings[0].words


def test_a_special_permits_expansion_is_its_permits_business() -> None:
    # 49 CFR 180.205(i)(1)(vii), 2015 edition.
    assert said(judge_expansion(US, "SP", total_cc=100.0, permanent_cc=1.0)) == [
        ("us.spec.permit_terms", "hold")
    ]


@pytest.mark.parametrize(
    ("total", "permanent"), [(0.0, 0.0), (10.0, 11.0), (10.0, -1.0), (float("nan"), 1.0)]
)
def test_expansions_that_cannot_belong_together_are_refused(total: float, permanent: float) -> None:
    with pytest.raises(ValueError, match="expansion"):
        judge_expansion(US, "3AL", total_cc=total, permanent_cc=permanent)


def test_6351_without_eddy_current_is_refused_and_people_go_out() -> None:
    # 49 CFR 180.205(f)(4) and 173.302(e), 2015 edition.
    for unsure in (False, None):
        findings = judge_alloy(US, "3AL", "6351-T6", eddy_current_at_latest_test=unsure)
        assert said(findings) == [("us.alloy.eddy_current", "refuse"), ("us.alloy.people_out", "tell")]
    inspected = judge_alloy(US, "3AL", "6351-T6", eddy_current_at_latest_test=True)
    assert said(inspected) == [("us.alloy.people_out", "tell")]


def test_a_un_cylinder_of_6351_is_prohibited() -> None:
    # 49 CFR 173.301(l), 2015 edition.
    findings = judge_alloy(US, "ISO 7866", "6351-T6", eddy_current_at_latest_test=True)
    assert said(findings) == [("us.alloy.prohibited", "refuse")]


def test_another_alloy_says_nothing_and_an_unknown_specification_is_refused() -> None:
    assert judge_alloy(US, "3AL", "other", eddy_current_at_latest_test=None) == []
    assert said(judge_alloy(US, "?", "other", eddy_current_at_latest_test=None)) == [
        ("us.spec.unknown", "refuse")
    ]


@pytest.mark.parametrize(
    ("mix", "pure", "expected"),
    [
        (AIR, False, []),
        (Mix(0.235), False, []),  # 29 CFR 1910.134(i)(3): above 23.5 %
        (Mix(0.32), False, [("us.oxygen.equipment", "tell")]),
        (Mix(0.40), False, [("us.oxygen.equipment", "tell")]),
        (Mix(0.41), False, [("us.oxygen.cleaned", "refuse")]),  # 29 CFR 1910.430(i)(1): above 40 %
        (Mix(0.32), True, [("us.oxygen.blending", "refuse")]),  # NOAA Diving Manual, second-hand
    ],
)
def test_oxygen_asks_for_a_clean_cylinder(mix: Mix, pure: bool, expected: list[tuple[str, str]]) -> None:
    for unclean in (False, None):
        findings = judge_oxygen_service(US, mix, is_oxygen_clean=unclean, oxygen_goes_in_pure=pure)
        assert said(findings) == expected
    assert judge_oxygen_service(US, mix, is_oxygen_clean=True, oxygen_goes_in_pure=pure) == []
