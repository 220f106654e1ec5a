"""The visual inspection by its form: measures against criteria, the proposed outcome, and who may say otherwise."""

from __future__ import annotations

import json

import pytest
from tests.cylinder.given import (
    INSPECTOR,
    KNOWN,
    LAPSED,
    OPERATOR,
    RULES,
    TODAY,
    Given,
    Outcome,
    a_fact,
    an_id,
    condemned,
    failed,
    held,
    marked,
    psi,
    registered,
)

from cylinder import commands as c
from cylinder import facts as f
from cylinder.decide.inspect import proposal
from cylinder.facts.inspection import FoundDefect, Inspected, KeyedLength, KeyedMeasure
from cylinder.recorded import Recorded

STEEL = marked(serial="S7201", spec="3AA", first_test="1968-06")


def measure(what: str, value: float, unit: str) -> KeyedMeasure:
    return KeyedMeasure.model_validate({"what": what, "value": value, "unit": unit})


def found(defect: str, *measures: KeyedMeasure, where: str = "") -> FoundDefect:
    return FoundDefect(defect=defect, measures=measures, where=where)


def depth(value: float, unit: str = "mm") -> KeyedMeasure:
    return measure("depth", value, unit)


def looked(*findings: FoundDefect, material: str = "aluminium", **more: object) -> c.LookedAt:
    return c.LookedAt.model_validate({"material": material, "found": findings, **more})


def inspect(at: c.LookedAt, outcome: str = "pass", **more: object) -> c.Inspect:
    return c.Inspect.model_validate(
        {
            "key": an_id("inspect"), "cylinder_id": KNOWN, "performed_on": TODAY, "looked": at,
            "outcome": outcome, **more,
        }
    )  # fmt: skip


ALUMINIUM = Given((registered(),), actor=INSPECTOR)
OF_STEEL = Given((registered(marks=STEEL),), actor=INSPECTOR)


def made_of(outcome: Outcome) -> Inspected:
    """The inspection that was kept in the one fact."""
    fact = outcome.facts[0].fact
    assert isinstance(fact, f.VisualPassed | f.VisualFailed | f.Rejected | f.Condemned)
    assert fact.inspection is not None
    return fact.inspection


@pytest.mark.parametrize(
    ("finding", "proposed", "criterion"),
    [
        # A maker's guide, quoted second-hand: an isolated outside pit deeper than 0.060 in (1.53 mm) condemns.
        (found("pit", depth(0.060, "in")), "pass", ""),
        (found("pit", depth(0.061, "in")), "condemn", "condemn.aluminium_pit"),
        (found("pit", depth(1.6)), "condemn", "condemn.aluminium_pit"),
        # CGA C-6.1 4.2 as quoted: wall not known, at most 0.031 in deep and shorter than 6.0 in.
        (found("dig", depth(0.031, "in"), measure("length", 5.9, "in")), "pass", ""),
        (
            found("dig", depth(0.8), measure("length", 10, "mm")),
            "condemn",
            "condemn.aluminium_dig_wall_unknown",
        ),
        (
            found("dig", depth(0.1), measure("length", 6.0, "in")),
            "condemn",
            "condemn.aluminium_dig_length",
        ),
        # 49 CFR part 180 appendix C, paragraph 5: two thread lengths or more. The alloy is not known: the stricter.
        (
            found("neck crack", measure("threads", 2, "thread lengths")),
            "condemn",
            "condemn.neck_crack_6351",
        ),
        # 49 CFR 180.203, 2015 edition: over-heated aluminium is 176 °C (350 °F) or more.
        (found("heat", measure("temperature", 350, "fahrenheit")), "reject", "reject.over_heated_aluminium"),
    ],
)
def test_a_finding_of_aluminium_meets_its_criterion_at_its_limit(
    finding: FoundDefect, proposed: str, criterion: str
) -> None:
    answer = proposal(RULES, (marked(),), looked(finding))
    assert answer.outcome == proposed
    assert criterion in {one.id for one in answer.met} | {""}


@pytest.mark.parametrize(
    ("mm", "proposed"),
    [
        (0.79, "pass"),
        (0.80, "reject"),
    ],  # Washington Administrative Code 296-24-92009(3): 1/32 in, 0.79375 mm.
)
def test_a_pit_in_steel_is_rejected_above_a_thirty_second_of_an_inch(mm: float, proposed: str) -> None:
    answer = proposal(RULES, (STEEL,), looked(found("pit", depth(mm)), material="steel"))
    assert answer.outcome == proposed


def test_a_finding_without_its_measure_and_one_without_a_criterion_never_propose_a_pass() -> None:
    unmeasured = proposal(RULES, (marked(),), looked(found("dig", depth(0.1))))
    assert (unmeasured.outcome, unmeasured.is_open) == ("fail", True)
    known_wall = looked(found("pit", depth(0.2)), material="steel", wall={"value": 5.0, "unit": "mm"})
    no_criterion = proposal(RULES, (STEEL,), known_wall)
    assert (no_criterion.outcome, no_criterion.is_open) == ("fail", False)
    assert no_criterion.judged[0].has_no_criterion


def test_a_finding_without_a_criterion_is_passed_only_with_a_reason() -> None:
    known_wall = looked(found("pit", depth(0.2)), material="steel", wall={"value": 5.0, "unit": "mm"})
    OF_STEEL.when(inspect(known_wall)).is_refused_for("inspect.why-milder")
    kept = made_of(OF_STEEL.when(inspect(known_wall, overruled_because="Within the pamphlet's limit")))
    assert (kept.proposed, kept.confirmed) == ("fail", "pass")


def test_nothing_found_is_passed_and_lifts_the_failed_look_and_the_hold_by_name() -> None:
    given = Given((registered(), failed(), held()), actor=INSPECTOR)
    outcome = given.when(inspect(looked(), rated=psi(3000), notes="Bright inside"))
    new = outcome.makes(f.VisualPassed)[0]
    assert set(new.clears) == {failed().id, held().id}
    assert given.do(inspect(looked())).standing().is_clear
    assert made_of(outcome).proposed == made_of(outcome).confirmed == "pass"


def test_measures_criteria_and_both_outcomes_are_kept_as_they_were_keyed() -> None:
    at = looked(found("pit", depth(0.061, "in"), where="the base"), wall={"value": 0.5, "unit": "in"})
    outcome = ALUMINIUM.when(inspect(at, "condemn", last_four="0471"))
    fact = outcome.makes(f.Condemned)[0].fact
    assert isinstance(fact, f.Condemned)
    assert fact.criterion_id == "condemn.aluminium_pit"
    assert fact.reason == "Pit at the base, depth 0.061 in"
    kept = made_of(outcome)
    assert kept.found[0].criteria == ("condemn.aluminium_pit",)
    assert kept.found[0].measures == (depth(0.061, "in"),)
    assert (kept.proposed, kept.confirmed, kept.wall) == (
        "condemn",
        "condemn",
        KeyedLength(value=0.5, unit="in"),
    )
    again = f.Condemned.model_validate(json.loads(json.dumps(fact.model_dump(mode="json"))))
    assert again == fact


def test_a_criterion_that_condemns_is_never_overruled() -> None:
    crack = looked(found("crack"))
    for outcome in ("pass", "fail", "reject"):
        why = {"overruled_because": "I have seen worse", "criterion_id": "reject.outside"}
        ALUMINIUM.when(inspect(crack, outcome, **why)).is_refused_for("inspect.condemned")


def test_a_milder_outcome_needs_a_reason_and_keeps_it() -> None:
    pit = looked(found("pit", depth(0.9)), material="steel")
    OF_STEEL.when(inspect(pit, "pass")).is_refused_for("inspect.why-milder")
    outcome = OF_STEEL.when(inspect(pit, "fail", overruled_because="Wall to be measured first"))
    outcome.makes(f.VisualFailed)
    kept = made_of(outcome)
    assert (kept.proposed, kept.confirmed) == ("reject", "fail")
    assert kept.overruled_because == "Wall to be measured first"


def test_what_is_not_measured_is_not_passed_whatever_the_reason() -> None:
    outcome = ALUMINIUM.when(inspect(looked(found("dig", depth(0.1))), overruled_because="It is shallow"))
    outcome.is_refused_for("inspect.unmeasured")


@pytest.mark.parametrize(
    ("outcome", "more", "kind"),
    [
        ("fail", {}, f.VisualFailed),
        ("reject", {"criterion_id": "reject.outside"}, f.Rejected),
        ("condemn", {"criterion_id": "condemn.pamphlet", "last_four": "0471"}, f.Condemned),
    ],
)
def test_a_harsher_outcome_is_free(outcome: str, more: dict[str, str], kind: type[f.Fact]) -> None:
    ALUMINIUM.when(inspect(looked(), outcome, notes="Does not look right", **more)).makes(kind)


def test_every_reason_is_said_at_once() -> None:
    outcome = ALUMINIUM.by(OPERATOR).when(inspect(looked(material="steel"), "condemn", last_four="9999"))
    assert [reason.rule_id for reason in outcome.reasons] == [
        "bench.inspector", "inspect.material", "bench.criterion", "condemn.last-four", "inspect.words",
    ]  # fmt: skip
    unknown = looked(found("rust of the third kind"))
    ALUMINIUM.when(inspect(unknown)).is_refused_for("inspect.defect")
    ALUMINIUM.by(LAPSED).when(inspect(looked())).is_refused_for("bench.certificate")


def test_a_condemned_cylinder_passes_no_form() -> None:
    Given((registered(), condemned()), actor=INSPECTOR).when(inspect(looked())).is_refused_for(
        "bench.for-good"
    )


@pytest.mark.parametrize(
    ("what", "unit"), [("depth", "percent"), ("area", "mm"), ("temperature", "in"), ("threads", "mm")]
)
def test_a_measure_in_a_unit_that_it_cannot_have_is_not_taken(what: str, unit: str) -> None:
    with pytest.raises(ValueError, match=f"{what} is measured in"):
        measure(what, 1, unit)


def test_an_older_judgement_without_a_form_reads_and_is_written_as_it_was() -> None:
    stored: dict[str, object] = {"findings": "Rust", "certificate": ""}
    old = f.VisualFailed.model_validate(stored)
    assert old.inspection is None
    assert old.model_dump(mode="json") == stored
    fact: Recorded = a_fact(old, "old")
    assert fact.effect == "block"
