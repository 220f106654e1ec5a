"""May this cylinder be filled with this gas to this pressure here today? The answer is findings with sources, never a bare yes."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.rulebook.a_cylinder import TODAY, good_in

from gas.mixture import Mix
from gas.pressure import Pressure
from rulebook import Asked, Paper, Permit, StorePolicy, YearMonth, is_in_the_way, judge, jurisdictions, load

US = load("us")
ALUMINIUM = good_in("us")
PSI_2400 = Pressure(2400, "psi")
STEEL = replace(ALUMINIUM, spec="3AA", rated=PSI_2400, target=PSI_2400)
UN = replace(
    ALUMINIUM,
    spec="ISO 9809-1",
    rated=Pressure(232, "bar"),
    target=Pressure(232, "bar"),
    approval="USA/M0000",
)


def against(asked: Asked, jurisdiction: str = "us") -> list[str]:
    return [finding.rule_id for finding in judge(load(jurisdiction), asked) if is_in_the_way(finding)]


def told(asked: Asked, jurisdiction: str = "us") -> list[str]:
    return [finding.rule_id for finding in judge(load(jurisdiction), asked) if not is_in_the_way(finding)]


@pytest.mark.parametrize("jurisdiction", jurisdictions())
def test_what_speaks_for_a_fill_is_told_with_its_source(jurisdiction: str) -> None:
    found = judge(load(jurisdiction), good_in(jurisdiction))
    assert [finding for finding in found if is_in_the_way(finding)] == []
    assert any("In date to the last day of" in finding.words for finding in found)
    assert any(finding.rule_id == f"{jurisdiction}.fill.limit" for finding in found)
    assert all(finding.source and finding.edition and finding.words for finding in found)


def test_every_reason_is_told_at_once_and_the_gravest_first() -> None:
    spoiled = replace(
        ALUMINIUM,
        manufactured=YearMonth(2010, 1),
        requalified=YearMonth(2015, 1),
        looked_inside=None,
        looks_sound=None,
        target=Pressure(3300, "psi"),
        residual=Pressure(50, "psi"),
        is_rejected=True,
    )
    found = judge(US, spoiled)
    assert {finding.rule_id for finding in found if is_in_the_way(finding)} == {
        "us.rejected.held",
        "us.look.outside",
        "us.residual.low",
        "us.requalification.overdue",
        "us.visual.unread",
        "us.fill.limit",
    }
    bearings = [finding.bearing for finding in found]
    assert bearings == sorted(bearings, key=("refuse", "hold", "tell").index)


def test_a_condemned_cylinder_that_was_requalified_afterwards_is_refused_all_the_same() -> None:
    # 49 CFR 180.203 "Condemn", 2015 edition: no requalification brings it back.
    assert against(replace(ALUMINIUM, is_condemned=True)) == ["us.condemned.never"]


def test_an_unknown_specification_is_refused_and_takes_no_default() -> None:
    found = against(replace(ALUMINIUM, spec="3AK"))
    assert found == ["us.spec.unknown"]


@pytest.mark.parametrize("unsaid", ["requalified", "looked_inside", "looks_sound"])
def test_what_nobody_read_or_looked_at_is_refused(unsaid: str) -> None:
    asked = {
        "requalified": replace(ALUMINIUM, requalified=None),
        "looked_inside": replace(ALUMINIUM, looked_inside=None),
        "looks_sound": replace(ALUMINIUM, looks_sound=None),
    }[unsaid]
    assert len(against(asked)) == 1


def test_a_test_before_manufacture_cannot_be() -> None:
    asked = replace(ALUMINIUM, requalified=YearMonth(2025, 1), manufactured=YearMonth(2025, 6))
    assert "us.date.impossible" in against(asked)


# ---- the plus: 49 CFR 173.302a(b), 2015 edition


def with_plus(asked: Asked) -> Asked:
    return replace(
        asked, plus_after=asked.requalified, are_plus_conditions_met=True, target=Pressure(2640, "psi")
    )


def test_a_steel_cylinder_with_a_plus_is_filled_to_2640() -> None:
    # 49 CFR 173.302a(b), 2015 edition: 10 % in excess of the marked 2400 psi.
    assert against(with_plus(STEEL)) == []
    assert against(replace(with_plus(STEEL), target=Pressure(2641, "psi"))) == ["us.fill.limit"]


def test_without_a_plus_2400_is_the_limit() -> None:
    # 49 CFR 173.301a(c), 2015 edition.
    assert against(STEEL) == []
    assert against(replace(STEEL, target=Pressure(2640, "psi"))) == ["us.fill.limit"]


def test_a_plus_behind_an_older_test_lifts_nothing() -> None:
    # 49 CFR 173.302a(b)(5) and 180.213(f)(3), 2015 edition: "+" follows the date of that test.
    asked = replace(with_plus(STEEL), plus_after=YearMonth(1978, 6))
    assert against(asked) == ["us.fill.limit", "us.plus.date"]
    assert against(replace(asked, target=PSI_2400)) == []
    assert "us.plus.date" in told(replace(asked, target=PSI_2400))


@pytest.mark.parametrize("conditions", [None, False])
def test_a_plus_whose_conditions_nobody_checked_lifts_nothing(conditions: bool | None) -> None:
    # 49 CFR 173.302a(b)(1)-(5), 2015 edition: all conditions.
    asked = replace(with_plus(STEEL), are_plus_conditions_met=conditions)
    assert against(asked) == ["us.fill.limit", "us.plus.conditions"]


def test_a_plus_on_aluminium_is_held_and_the_limit_stays() -> None:
    # 49 CFR 173.302a(b), 2015 edition: 3A, 3AX, 3AA, 3AAX and 3T only.
    asked = replace(ALUMINIUM, plus_after=ALUMINIUM.requalified, are_plus_conditions_met=True)
    assert against(asked) == ["us.fill.plus"]
    assert "us.fill.limit" in against(replace(asked, target=Pressure(3300, "psi")))


@pytest.mark.parametrize("jurisdiction", [one for one in jurisdictions() if one != "us"])
def test_no_other_country_knows_a_plus(jurisdiction: str) -> None:
    good = good_in(jurisdiction)
    higher = Pressure(good.rated.value * 1.1, good.rated.unit)
    asked = replace(good, plus_after=good.requalified, are_plus_conditions_met=True, target=higher)
    assert {f"{jurisdiction}.fill.limit", f"{jurisdiction}.fill.plus"} <= set(against(asked, jurisdiction))


# ---- permits, life, approvals, test pressure


def test_a_permit_cylinder_waits_for_its_permit() -> None:
    # 49 CFR 180.209(a) Table 1: "as permit".
    asked = replace(ALUMINIUM, spec="DOT-SP 99999", rated=Pressure(3442, "psi"), target=Pressure(3442, "psi"))
    assert against(asked) == ["us.spec.permit_period"]
    assert against(replace(asked, permit=Permit("99999", 60))) == []
    assert against(replace(asked, permit=Permit("99999", 60, life_months=48))) == ["us.life.over"]


def test_a_service_life_ends_with_its_last_month() -> None:
    # 49 CFR 180.207(c), 2015 edition: composite, no further than 15 years.
    asked = replace(UN, spec="ISO 11119-2", requalified=YearMonth(2024, 1), manufactured=YearMonth(2011, 3))
    assert against(replace(asked, today=date(2026, 3, 31))) == []
    assert against(replace(asked, today=date(2026, 4, 1), looked_inside=YearMonth(2026, 1))) == [
        "us.life.over"
    ]
    assert against(replace(asked, manufactured=None)) == ["us.life.unread"]


@pytest.mark.parametrize(("approval", "expected"), [("", "hold"), ("D/B0123", "refuse")])
def test_a_un_cylinder_shows_who_approved_it(approval: str, expected: str) -> None:
    # 49 CFR 171.23(a)(2)(iv), 2015 edition: USA (CAN second-hand).
    found = [one for one in judge(US, replace(UN, approval=approval)) if is_in_the_way(one)]
    assert [(one.rule_id, one.bearing) for one in found] == [("us.spec.un_country", expected)]
    assert against(replace(UN, approval="CAN/M0000")) == []


@pytest.mark.parametrize(("working", "is_good"), [(232.0, True), (233.0, False), (300.0, False)])
def test_a_working_pressure_is_two_thirds_of_the_test_pressure_at_most(working: float, is_good: bool) -> None:
    # 49 CFR 173.302b(b), 2015 edition: of 348 bar, 232.
    rated = Pressure(working, "bar")
    found = against(replace(UN, rated=rated, target=rated, test_pressure=Pressure(348, "bar")))
    assert (found == []) == is_good
    assert set(found) <= {"us.test.pressure"}


# ---- alloy 6351-T6


def test_a_un_cylinder_of_6351_is_prohibited() -> None:
    # 49 CFR 173.301(l), 2015 edition.
    assert against(replace(UN, spec="ISO 7866", alloy="6351-T6")) == ["us.alloy.prohibited"]


def test_an_old_aluminium_cylinder_is_taken_for_6351() -> None:
    # US DOT notice 94-7, second-hand: before February 1990, assumed unless found out otherwise.
    old = replace(ALUMINIUM, alloy="not known", manufactured=YearMonth(1990, 1))
    assert against(old) == ["us.alloy.eddy_current"]
    assert against(replace(old, eddy_current_at_latest_test=True)) == []
    assert against(replace(old, manufactured=YearMonth(1990, 2))) == []
    assert against(replace(old, manufactured=None)) == ["us.alloy.eddy_current"]
    assert against(replace(old, alloy="other")) == []


# ---- signs behind the date


@pytest.mark.parametrize(
    ("symbol", "expected"),
    [
        ("", []),
        ("+", []),
        ("VE", []),  # 180.213(f)(9)
        ("E", ["us.mark.outside"]),  # 180.213(f)(5): looked over outside only
        ("e ", ["us.mark.outside"]),
        ("★", ["us.mark.star"]),  # 180.213(f)(2)
        ("*", ["us.mark.star"]),
        ("S", ["us.mark.proof"]),  # 180.213(f)(4)
        ("FS", ["us.mark.filler"]),  # 180.213(f)(7)
        ("UE", ["us.mark.ultrasonic"]),  # 180.213(f)(8)
        ("AE", ["us.mark.acoustic"]),  # 180.213(f)(8)
        ("RT", ["us.mark.unknown"]),  # not in the 2015 edition
    ],
)
def test_a_sign_behind_the_date_counts_for_what_it_means(symbol: str, expected: list[str]) -> None:
    # 49 CFR 180.213(f), 2015 edition.
    assert against(replace(ALUMINIUM, requalification_symbol=symbol)) == expected


def test_a_british_v_is_no_test() -> None:
    # UK trade pages, second-hand: V for a look inside only.
    assert against(replace(good_in("uk"), requalification_symbol="V"), "uk") == ["uk.mark.visual_only"]


# ---- who may fill


def test_in_new_zealand_only_an_approved_filler_fills() -> None:
    # WorkSafe New Zealand, HSW (Hazardous Substances) Regulations 2017 Part 15.
    good = good_in("nz")
    assert against(replace(good, papers=()), "nz") == ["nz.filler.approved"]
    ran_out = (Paper("approved filler", date(2026, 3, 14)),)
    assert against(replace(good, papers=ran_out), "nz") == ["nz.filler.approved"]
    assert against(replace(good, papers=(Paper("approved filler", TODAY),)), "nz") == []


@pytest.mark.parametrize("jurisdiction", jurisdictions())
def test_a_mix_waits_for_somebody_trained_to_mix(jurisdiction: str) -> None:
    # 29 CFR 1910 subpart T App. C 6(a), 2015 edition; elsewhere ISO 13293, second-hand.
    good = replace(good_in(jurisdiction), is_oxygen_clean=True)
    untrained = tuple(paper for paper in good.papers if paper.kind != "mix training")
    for gas in (Mix(0.32), Mix(0.21, 0.35)):
        assert len(against(replace(good, gas=gas, papers=untrained), jurisdiction)) == 1
        assert against(replace(good, gas=gas), jurisdiction) == []
    assert against(replace(good, papers=untrained), jurisdiction) == []


@given(
    st.text(max_size=40),
    st.floats(0, 140_000),
    st.floats(0, 140_000),
    st.dates(date(1990, 1, 1), date(2090, 1, 1)),
    st.sampled_from(jurisdictions()),
    st.one_of(st.none(), st.builds(YearMonth, st.integers(1, 9999), st.integers(1, 12))),
)
def test_no_question_breaks_the_answer(
    spec: str, rated: float, target: float, today: date, jurisdiction: str, read: YearMonth | None
) -> None:
    asked = replace(
        good_in(jurisdiction),
        spec=spec or good_in(jurisdiction).spec,
        rated=Pressure(rated, "psi"),
        target=Pressure(target, "psi"),
        test_pressure=Pressure(rated, "psi"),
        today=today,
        requalified=read,
        plus_after=read,
        looked_inside=read,
        manufactured=read,
    )
    found = judge(
        load(jurisdiction), asked, StorePolicy(requalify_every_months=12, look_inside_every_months=6)
    )
    assert found
    assert all(finding.words and finding.citation() for finding in found)


@pytest.mark.parametrize(
    ("rule_id", "unit", "number"),
    [
        (
            "mix.open_circuit_limit",
            "percent",
            40,
        ),  # 29 CFR 1910 subpart T App. C 3(b), 2015 edition: 41 % is too much
        ("mix.analyser", "percent", 1),  # 29 CFR 1910 subpart T App. C 6(b)(i), 2015 edition: 1.2 % is out
        ("mix.rate", "psi_per_min", 200),  # US Navy Diving Manual 10-10: 250 psi/min is too fast
    ],
)
def test_the_figures_of_mixing_are_those_of_their_source(rule_id: str, unit: str, number: float) -> None:
    assert US.rule(rule_id).amount(unit) == number


def test_oxygen_in_aluminium_is_filled_to_3000_psi_at_most() -> None:
    # 49 CFR 173.302(b), 2015 edition.
    rated = Pressure(3300, "psi")
    asked = replace(ALUMINIUM, rated=rated, target=rated, gas=Mix(1.0), is_oxygen_clean=True)
    assert against(asked) == ["us.oxygen.aluminium"]
    assert against(replace(asked, target=Pressure(3000, "psi"))) == []
    assert against(replace(asked, gas=Mix(0.5))) == []
    assert against(replace(asked, spec="3AA")) == []


def test_a_rating_that_cannot_be_limits_nothing() -> None:
    found = against(replace(ALUMINIUM, rated=Pressure(30000, "psi"), target=Pressure(3000, "psi")))
    assert found == ["us.rating.beyond_use"]
