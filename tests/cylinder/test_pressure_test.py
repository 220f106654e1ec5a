"""A requalification by its form: percentage, outcome, test pressure, plus, eddy current; every reason at once."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.cylinder.given import (
    INSPECTOR,
    KNOWN,
    OPERATOR,
    TODAY,
    Given,
    Outcome,
    an_id,
    bar,
    condemned,
    marked,
    psi,
    registered,
    rejected,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.around import HousePolicy
from cylinder.decide import decide
from cylinder.decide.pressure_test import follows, needs_eddy_current
from cylinder.marks import Marks
from cylinder.refusal import Refused
from rulebook import Permit

STEEL = marked(serial="S7201", spec="3AA", first_test="1968-06")
OLD_ALUMINIUM = marked(serial="A7201", spec="3AL", first_test="1984-06")


def the_test(total: object = 120.0, permanent: object = 6.0, **more: object) -> c.Requalify:
    readings: dict[str, object] = {"test_pressure": bar(345), "alloy": "other"}
    outer: dict[str, object] = {}
    for name, value in more.items():
        (outer if name in c.Requalify.model_fields else readings)[name] = value
    return c.Requalify.model_validate(
        {
            "key": an_id("requalify"), "cylinder_id": KNOWN, "performed_on": TODAY, "method": "hydrostatic",
            "total_expansion_cc": total, "permanent_expansion_cc": permanent, "rated": bar(207),
            "test": readings, **outer,
        }
    )  # fmt: skip


def at_bench(marks: Marks) -> Given:
    return Given((registered(marks=marks),), actor=INSPECTOR)


ALUMINIUM, OF_STEEL, OLD = at_bench(marked()), at_bench(STEEL), at_bench(OLD_ALUMINIUM)


def kept(outcome: Outcome) -> f.Requalified:
    fact = outcome.makes(f.Requalified)[0].fact
    assert isinstance(fact, f.Requalified)
    return fact


@pytest.mark.parametrize(
    ("total", "permanent", "passes"),
    [
        # 49 CFR 180.205(i)(1)(iv), 2015 annual edition: condemned where permanent expansion "exceeds 10 percent" of
        # total expansion; 180.209 gives the period. So exactly 10.0 % passes.
        (120.0, 12.0, True),
        (11.0, 1.1, True),
        (120.0, 12.01, False),
        (120.0, 0.0, True),
        (50.0, 50.0, False),
    ],
)
def test_exactly_ten_percent_passes_and_anything_more_condemns(
    total: float, permanent: float, passes: bool
) -> None:
    given = OF_STEEL
    command = the_test(total, permanent)
    found = follows(command, given.standing(), given.around(command))
    assert found.condemns is not passes
    if passes:
        done = kept(given.when(command))
        assert done.test is not None
        assert done.test.permanent_percent == pytest.approx(permanent / total * 100)
        assert done.test.elastic_cc == pytest.approx(total - permanent)
        return
    given.when(command).is_refused_for("us.condemn.expansion")
    made = given.when(the_test(total, permanent, outcome="condemn", last_four="7201")).makes(f.Condemned)[0]
    assert isinstance(made.fact, f.Condemned)
    assert made.fact.criterion_id == "condemn.permanent_expansion"
    assert made.fact.test is not None
    assert made.fact.reason.startswith(f"Permanent {permanent:g} of {total:g} cc")


def test_a_test_that_condemns_nothing_is_no_reason_to_condemn_and_the_serial_is_read_off_the_metal() -> None:
    OF_STEEL.when(the_test(outcome="condemn", last_four="7201")).is_refused_for("requalify.not-condemned")
    bad = the_test(100.0, 20.0, outcome="condemn", last_four="9999")
    OF_STEEL.when(bad).is_refused_for("condemn.last-four")
    OF_STEEL.by(OPERATOR).when(bad).is_refused_for("bench.inspector", "condemn.last-four")


@pytest.mark.parametrize(
    ("test_pressure", "rule_ids"),
    [
        (psi(5000), ()),  # 49 CFR 180.209 Table 1: at least 5/3 of 3000 psi.
        (psi(4999), ("us.test.pressure",)),
        (psi(345), ("us.test.pressure",)),  # The gauge was in bar.
        (bar(5000), ("requalify.unit",)),  # The gauge was in psi.
        (None, ("requalify.pressure",)),
    ],
)
def test_the_test_pressure_is_held_against_the_specification(
    test_pressure: object, rule_ids: tuple[str, ...]
) -> None:
    outcome = OF_STEEL.when(the_test(test_pressure=test_pressure, rated=psi(3000)))
    assert {one.rule_id for one in outcome.reasons} == set(rule_ids)


def test_every_reason_is_said_at_once() -> None:
    command = the_test(
        100.0, 120.0, test_pressure=None, held_s=29, rin="A12", crack_thread_lengths=0.0, wants_plus=True
    )
    ALUMINIUM.when(command).is_refused_for(
        "requalify.expansion", "requalify.pressure", "requalify.held", "requalify.rin", "requalify.eddy-method",
        "requalify.eddy-by", "requalify.plus-type", "requalify.plus-conditions",
    )  # fmt: skip
    assert not OF_STEEL.when(the_test(held_s=30, rin="a123")).reasons  # 49 CFR 180.205(g), 180.213(d), 2015.


@pytest.mark.parametrize(
    ("more", "rule_ids"),
    [
        ({"are_plus_conditions_met": True, "ree_cc": 114.0}, ()),
        ({"are_plus_conditions_met": True}, ()),
        ({"are_plus_conditions_met": True, "ree_cc": 113.9}, ("requalify.plus-ree",)),
        ({"ree_cc": 114.0}, ("requalify.plus-conditions",)),
        ({"are_plus_conditions_met": True, "method": "proof", "total_expansion_cc": None,
          "permanent_expansion_cc": None}, ("requalify.plus-elastic",)),
    ],
)  # fmt: skip
def test_a_plus_needs_its_conditions_and_an_elastic_expansion_within_the_mark(
    more: dict[str, object], rule_ids: tuple[str, ...]
) -> None:
    # 49 CFR 173.302a(b)(2)-(3), 2015 annual edition: elastic expansion by water jacket, within the marked REE.
    command = the_test(wants_plus=True, **more)
    outcome = OF_STEEL.when(command)
    assert {one.rule_id for one in outcome.reasons} == set(rule_ids)
    if not rule_ids:
        done = kept(outcome).test
        assert done is not None
        assert done.has_plus


def test_old_aluminium_of_an_alloy_that_nobody_knows_needs_eddy_current() -> None:
    # US DOT notice 94-7, quoted second-hand: 3AL made before February 1990 is assumed to be 6351.
    assert needs_eddy_current(ALUMINIUM.around(the_test()).rules, OLD.standing())
    assert not needs_eddy_current(ALUMINIUM.around(the_test()).rules, ALUMINIUM.standing())
    assert not needs_eddy_current(ALUMINIUM.around(the_test()).rules, OF_STEEL.standing())
    OLD.when(the_test(alloy="not known")).is_refused_for("us.alloy.eddy_current")
    OLD.when(the_test(alloy="6351-T6")).is_refused_for("us.alloy.eddy_current")
    assert not ALUMINIUM.when(the_test(alloy="not known")).reasons
    eddy: dict[str, object] = {
        "method": "hydrostatic and eddy current",
        "crack_thread_lengths": 0.0,
        "alloy": "6351-T6",
    }
    OLD.when(the_test(**eddy)).is_refused_for("requalify.eddy-by")
    trained = replace(INSPECTOR, covers=frozenset({"pressure test", "eddy current"}))
    assert not OLD.by(trained).when(the_test(**eddy)).reasons
    done = kept(OLD.when(the_test(**eddy, eddy_by="R. Amat, C-100"))).test
    assert done is not None
    assert done.has_eddy_current


def test_old_aluminium_needs_eddy_current_also_where_no_form_was_filled_in() -> None:
    OLD.when(the_test(test=None)).is_refused_for("us.alloy.eddy_current")
    assert not OLD.when(the_test(test=None, method="hydrostatic and eddy current")).reasons
    assert not ALUMINIUM.when(the_test(test=None)).reasons


def test_a_crack_of_two_thread_lengths_condemns() -> None:
    # 49 CFR part 180 Appendix C, paragraph 5: cracks in the neck of two thread lengths or more.
    eddy: dict[str, object] = {
        "method": "hydrostatic and eddy current", "crack_thread_lengths": 2.0, "alloy": "6351-T6",
        "eddy_by": "R. Amat",
    }  # fmt: skip
    OLD.when(the_test(**eddy)).is_refused_for(
        "requalify.condemn.neck_crack_6351", "requalify.condemn.neck_crack_aluminium"
    )
    made = OLD.when(the_test(**eddy, outcome="condemn", last_four="7201")).makes(f.Condemned)[0].fact
    assert isinstance(made, f.Condemned)
    assert "Appendix C" in made.clause


def test_a_un_cylinder_of_6351_is_refused_whatever_eddy_current_says() -> None:
    # 49 CFR 173.301(l), 2015 annual edition.
    un = at_bench(marked(serial="U7201", spec="UN ISO 7866", first_test="2011-06"))
    command = the_test(
        alloy="6351-T6", method="hydrostatic and eddy current", crack_thread_lengths=0.0, eddy_by="R. Amat",
        test_pressure=bar(345),
    )  # fmt: skip
    un.when(command).is_refused_for("us.alloy.prohibited")


def test_a_permit_that_somebody_here_has_read_sets_its_own_limit() -> None:
    # 49 CFR 180.205(i)(1)(vii), 2015 annual edition: the limit in the permit.
    given = at_bench(marked(serial="P7201", spec="DOT-SP 99999", first_test="2019-02"))
    command = the_test(100.0, 4.0)
    given.when(command).is_refused_for("us.spec.permit_terms")
    read = Permit("99999", requalify_every_months=60, permanent_expansion_percent=5.0)
    around = replace(given.around(command), policy=HousePolicy(permits=(read,)))
    assert decide(None, command, around)
    with pytest.raises(Refused):
        decide(None, the_test(100.0, 5.1), around)


def test_a_passed_test_lifts_a_rejection_and_never_a_condemnation() -> None:
    given = Given((registered(marks=STEEL), rejected()), actor=INSPECTOR)
    assert given.do(the_test()).standing().is_clear
    Given((registered(marks=STEEL), condemned()), actor=INSPECTOR).when(the_test()).is_refused_for(
        "bench.for-good"
    )
