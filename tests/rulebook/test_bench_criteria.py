"""The bench: a finding and its measure meet a criterion with a source, and the outcome is proposed for a person to confirm."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rulebook import (
    Amount,
    OnTheBench,
    Permit,
    Seen,
    elastic_cc,
    form_of,
    jurisdictions,
    load,
    propose,
    propose_eddy_current,
    propose_hydrostatic,
)
from rulebook.pack import Defect, Measure

US = load("us")
ALUMINIUM = OnTheBench("3AL", "aluminium", alloy="other")
STEEL = OnTheBench("3AA", "steel")
INCH = 25.4


def seen(defect: Defect, number: float | None = None, measure: Measure = "depth_mm") -> Seen:
    return Seen(defect, () if number is None else (Amount(number, measure),))


def dig(depth_mm: float, length_mm: float = 20.0) -> Seen:
    return Seen("dig", (Amount(depth_mm, "depth_mm"), Amount(length_mm, "length_mm")))


def test_a_dig_of_31_thousandths_is_the_deepest_where_the_wall_is_not_known() -> None:
    # CGA C-6.1, 4.2, as quoted on suppliers' pages: 0.031 in.
    assert propose(US, ALUMINIUM, (dig(0.031 * INCH),)).outcome == "pass"
    proposal = propose(US, ALUMINIUM, (dig(0.032 * INCH),))
    assert proposal.outcome == "condemn"
    assert [one.criterion.id for one in proposal.met] == ["condemn.aluminium_dig_wall_unknown"]
    assert proposal.met[0].criterion.clause == "4.2"


def test_a_dig_of_15_percent_of_a_known_wall_is_the_deepest() -> None:
    # CGA C-6.1, 4.2, as quoted: 15 % of the minimum design wall; of 0.471 in, 0.071 in (to 0.001).
    known = replace(ALUMINIUM, wall_mm=0.471 * INCH)
    assert propose(US, known, (dig(0.0706 * INCH),)).outcome == "pass"
    assert propose(US, known, (dig(0.0707 * INCH),)).outcome == "condemn"


def test_a_dig_of_six_inches_is_too_long() -> None:
    # CGA C-6.1, 4.2, as quoted: shorter than 6.0 in.
    assert propose(US, ALUMINIUM, (dig(0.1, 151.0),)).outcome == "pass"
    assert propose(US, ALUMINIUM, (dig(0.1, 152.4),)).outcome == "condemn"


def test_a_single_pit_of_aluminium() -> None:
    # An aluminium cylinder maker's inspection guide, as quoted: 0.060 in.
    assert propose(US, ALUMINIUM, (seen("pit", 0.060 * INCH),)).outcome == "pass"
    assert propose(US, ALUMINIUM, (seen("pit", 0.061 * INCH),)).outcome == "condemn"


def test_corrosion_of_steel_deeper_than_a_thirty_second_is_rejected() -> None:
    # Washington Administrative Code 296-24-92009(3): 1/32 in; its own example, 0.221 - 0.195 = 0.026 in, passes.
    assert propose(US, STEEL, (seen("general corrosion", 0.026 * INCH),)).outcome == "pass"
    assert propose(US, STEEL, (seen("general corrosion", 0.032 * INCH),)).outcome == "reject"


@pytest.mark.parametrize(
    ("bench", "celsius", "outcome"),
    [
        (ALUMINIUM, 176.0, "reject"),
        (ALUMINIUM, 170.0, "pass"),
        (STEEL, 343.0, "reject"),
        (STEEL, 340.0, "pass"),
        (STEEL, 176.0, "pass"),
        (OnTheBench("DOT-SP 1234", "aluminium", alloy="other"), 176.0, "condemn"),
        (OnTheBench("DOT-SP 1234", "steel"), 176.0, "pass"),
    ],
)
def test_over_heated_is_176_degrees_for_aluminium_and_343_for_steel(
    bench: OnTheBench, celsius: float, outcome: str
) -> None:
    # 49 CFR 180.203 "Over-heated", 180.205(d)(3) and (i)(1)(viii), 2015 edition.
    assert propose(US, bench, (seen("heat", celsius, "temperature_c"),)).outcome == outcome


@pytest.mark.parametrize(
    ("total", "permanent", "outcome"),
    [
        (100.0, 10.0, "pass"),
        (100.0, 10.1, "condemn"),
        (11.0, 1.1, "pass"),
        (0.7, 0.07, "pass"),
        (30, 3.01, "condemn"),
    ],
)
def test_a_permanent_expansion_of_exactly_ten_percent_passes(
    total: float, permanent: float, outcome: str
) -> None:
    # 49 CFR 180.205(i)(1)(iv), 2015 edition: "exceeds 10 percent".
    proposal = propose_hydrostatic(US, ALUMINIUM, total_cc=total, permanent_cc=permanent)
    assert proposal.outcome == outcome
    assert [one.criterion.clause for one in proposal.met] == (
        ["180.205(i)(1)(iv)"] if outcome == "condemn" else []
    )


@given(st.integers(1, 100_000), st.sampled_from([1, 10, 100]))
def test_ten_percent_passes_in_whatever_decimals_it_is_keyed(tenths: int, scale: int) -> None:
    total, permanent = tenths * 10 / (scale * 10), tenths / (scale * 10)
    assert propose_hydrostatic(US, ALUMINIUM, total_cc=total, permanent_cc=permanent).outcome == "pass"


def test_a_permits_limit_is_read_in_the_permit() -> None:
    # 49 CFR 180.205(i)(1)(vii), 2015 edition.
    permit = OnTheBench("DOT-SP 1234", "aluminium", alloy="other")
    waiting = propose_hydrostatic(US, permit, total_cc=100, permanent_cc=1)
    assert (waiting.outcome, [one.rule_id for one in waiting.open]) == ("fail", ["us.spec.permit_terms"])
    read = replace(permit, permit=Permit("1234", 60, permanent_expansion_percent=5))
    assert propose_hydrostatic(US, read, total_cc=100, permanent_cc=5).outcome == "pass"
    assert propose_hydrostatic(US, read, total_cc=100, permanent_cc=5.1).outcome == "condemn"


def test_elastic_is_total_less_permanent() -> None:
    # 49 CFR 180.203, 2015 edition.
    assert elastic_cc(total_cc=50, permanent_cc=3) == 47


def test_a_crack_of_two_threads_in_6351_condemns() -> None:
    # 49 CFR part 180 Appendix C, paragraph 5.
    old = replace(ALUMINIUM, alloy="6351-T6")
    proposal = propose_eddy_current(US, old, crack_thread_lengths=2)
    assert proposal.outcome == "condemn"
    assert "condemn.neck_crack_6351" in [one.criterion.id for one in proposal.met]
    assert propose_eddy_current(US, old, crack_thread_lengths=0).outcome == "pass"


@pytest.mark.parametrize("alloy", ["6351-T6", "not known"])
def test_without_eddy_current_6351_does_not_pass(alloy: str) -> None:
    # 49 CFR 180.205(f)(4) and 180.209(m).
    old = replace(ALUMINIUM, alloy="6351-T6" if alloy == "6351-T6" else "not known")
    proposal = propose_eddy_current(US, old, crack_thread_lengths=None)
    assert (proposal.outcome, [one.rule_id for one in proposal.open]) == ("fail", ["us.alloy.eddy_current"])
    assert propose_eddy_current(US, ALUMINIUM, crack_thread_lengths=None).outcome == "pass"
    assert propose_eddy_current(US, STEEL, crack_thread_lengths=None).outcome == "pass"


def test_australia_measures_dents_by_their_own_width() -> None:
    # AS 2337, as tabulated in a fire-equipment maintenance manual: deeper than 10 % of the mean dent diameter.
    au, bench = load("au"), OnTheBench("ISO 9809-1", "steel")
    dent = Seen(
        "dent",
        (
            Amount(11, "percent_of_dent_width"),
            Amount(5, "width_percent_of_diameter"),
            Amount(1, "depth_percent_of_diameter"),
            Amount(20, "width_in_depths"),
        ),
    )
    proposal = propose(au, bench, (dent,))
    assert (proposal.outcome, [one.criterion.id for one in proposal.met]) == (
        "reject",
        ["reject.as_dent_depth"],
    )


def test_water_inside_fails_and_can_be_put_right() -> None:
    proposal = propose(US, STEEL, (seen("dirt inside"),))
    assert (proposal.outcome, proposal.met[0].criterion.id) == ("fail", "fail.inside_dirty")


def test_the_worst_finding_decides_and_all_are_told() -> None:
    proposal = propose(US, ALUMINIUM, (seen("dirt inside"), seen("valve"), seen("leak")))
    assert proposal.outcome == "condemn"
    assert {one.criterion.outcome for one in proposal.met} == {"fail", "reject", "condemn"}


def test_a_finding_that_nobody_measured_does_not_pass() -> None:
    proposal = propose(US, ALUMINIUM, (seen("dig"),))
    assert (proposal.outcome, [one.rule_id for one in proposal.open]) == ("fail", ["us.bench.unmeasured"])


def test_a_finding_without_a_criterion_for_it_does_not_pass() -> None:
    proposal = propose(US, OnTheBench("ISO 11119-2", "composite"), (seen("pit", 0.01),))
    assert (proposal.outcome, [one.rule_id for one in proposal.open]) == ("fail", ["us.bench.unmeasured"])


def test_a_measure_that_is_no_number_does_not_pass() -> None:
    assert propose(US, ALUMINIUM, (seen("pit", float("nan")),)).outcome == "condemn"


def test_an_unknown_specification_does_not_pass() -> None:
    assert propose(US, OnTheBench("3AK", "steel"), ()).outcome == "fail"
    assert propose_hydrostatic(US, OnTheBench("3AK", "steel"), total_cc=10, permanent_cc=9).outcome == "fail"


@pytest.mark.parametrize("jurisdiction", jurisdictions())
@pytest.mark.parametrize("metal", ["steel", "aluminium", "composite"])
def test_each_material_has_its_form_with_sources(jurisdiction: str, metal: str) -> None:
    pack = load(jurisdiction)
    asked = {
        "steel": form_of(pack, "steel"),
        "aluminium": form_of(pack, "aluminium"),
        "composite": form_of(pack, "composite"),
    }[metal]
    assert {one.outcome for one in asked} == {"condemn", "reject", "fail"}
    assert all(one.citation() and one.metal in (metal, "any") for one in asked)
    outcomes = [one.outcome for one in asked]
    assert outcomes == sorted(outcomes, key=("condemn", "reject", "fail").index)


FINDINGS = st.lists(
    st.builds(
        seen,
        st.sampled_from(
            ["leak", "dig", "pit", "dent", "heat", "dirt inside", "valve", "neck crack", "coating"]
        ),
        st.none() | st.floats(0, 500),
        st.sampled_from(["depth_mm", "length_mm", "temperature_c", "thread_lengths", "percent_of_wall"]),
    ),
    max_size=5,
)


@given(st.sampled_from(jurisdictions()), FINDINGS, FINDINGS)
def test_one_more_finding_never_makes_it_better(
    jurisdiction: str, some: list[Seen], more: list[Seen]
) -> None:
    order = ("pass", "fail", "reject", "condemn")
    pack = load(jurisdiction)
    bench = OnTheBench("ISO 7866" if jurisdiction not in ("us", "ca") else "3AL", "aluminium")
    fewer, all_of_them = propose(pack, bench, tuple(some)), propose(pack, bench, (*some, *more))
    assert order.index(fewer.outcome) <= order.index(all_of_them.outcome)
    assert fewer.outcome != "pass" or not fewer.open
