"""The visual inspection by its form: what the findings meet, the outcome that is proposed, and the one a person confirms.

A person may always be harsher. Milder needs a reason, and never where a criterion says condemn or a measure is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, get_args

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide.gates import specs_claimed
from cylinder.decide.judging import (
    clause_of,
    criterion_of,
    good_news,
    judging_reasons,
    of_the_bench,
    serial_read,
)
from cylinder.facts import Condemned, Rejected, VisualFailed, VisualPassed
from cylinder.facts.inspection import FoundDefect, Inspected, KeyedMeasure, Outcome
from cylinder.marks import Marks
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.standing import Standing
from rulebook import (
    Amount,
    Criterion,
    OnTheBench,
    Pack,
    Seen,
    condemn_criteria,
    form_of,
    propose,
    reject_criteria,
)
from rulebook.pack import Defect

FROM_MILDEST: Final[tuple[Outcome, ...]] = ("pass", "fail", "reject", "condemn")
_LONGEST_REASON = 200
_DEFECTS: Final[frozenset[str]] = frozenset(get_args(Defect))


@dataclass(frozen=True, slots=True)
class Judged:
    """One finding as the rules see it. `lacks_measure`: a criterion asks for a figure that was not keyed."""

    found: FoundDefect
    met: tuple[Criterion, ...]
    lacks_measure: bool
    has_no_criterion: bool


@dataclass(frozen=True, slots=True)
class Proposed:
    """What the rules make of an inspection, for a person to confirm."""

    outcome: Outcome
    judged: tuple[Judged, ...]
    knows_type: bool

    @property
    def met(self) -> tuple[Criterion, ...]:
        """Every criterion that is met, once, worst first."""
        each = dict.fromkeys(criterion for one in self.judged for criterion in one.met)
        return tuple(sorted(each, key=lambda one: -FROM_MILDEST.index(one.outcome)))

    @property
    def is_open(self) -> bool:
        """A figure is missing: nothing milder than what is proposed can be said."""
        return any(one.lacks_measure for one in self.judged)


def proposal(rules: Pack, marks: Iterable[Marks], looked: c.LookedAt) -> Proposed:
    """The outcome that follows from what was found, for every type that this cylinder was said to be: the worst of them."""
    claimed = tuple(marks)
    specs = specs_claimed(rules, claimed) or tuple(one.spec for one in claimed[:1])
    judged = tuple(_judged(rules, specs, looked, found) for found in looked.found)
    outcomes: list[Outcome] = [
        propose(rules, _bench(spec, looked), tuple(_seen(one, looked) for one in looked.found)).outcome
        for spec in specs
    ]
    worst: Outcome = "fail"
    if outcomes:
        worst = max(outcomes, key=FROM_MILDEST.index)
    return Proposed(worst, judged, bool(specs_claimed(rules, claimed)))


def beforehand(command: c.Inspect, standing: Standing, around: Around) -> tuple[Reason, ...]:
    """What stands against the inspection whatever its outcome: who, which day, which material."""
    return (
        *judging_reasons(command, around),
        *_material_reasons(around.rules, standing, command.looked),
    )


def inspect(command: c.Inspect, standing: Standing, around: Around) -> tuple[NewFact, ...]:
    """Record the inspection with the outcome that the inspector confirms. Raises Refused."""
    is_good_news = command.outcome == "pass"
    reasons = (
        judging_reasons(command, around, standing, work="visual inspection")
        if is_good_news
        else judging_reasons(command, around)
    )
    reasons += _material_reasons(around.rules, standing, command.looked)
    if unknown := [one.defect for one in command.looked.found if one.defect not in _DEFECTS]:
        refuse_if([*reasons, Reason("inspect.defect", f"No such finding: {', '.join(unknown)}.", "input")])
    proposed = proposal(around.rules, standing.marks, command.looked)
    reasons += _overruling_reasons(command, proposed)
    criterion = _chosen(command, proposed, around.rules, reasons)
    serial = _serial(command, standing, reasons)
    said = _said(command, proposed)
    if command.outcome != "pass" and not said:
        reasons.append(Reason("inspect.words", "Say what was found.", "input"))
    refuse_if(reasons)
    kept = _kept(command, proposed, around.rules)
    certificate = around.actor.certificate
    match command.outcome:
        case "pass":
            passed = VisualPassed(
                findings=said[:500], rated=command.rated, certificate=certificate, inspection=kept
            )
            return good_news(command, passed, standing, around)
        case "fail":
            failed = VisualFailed(findings=said[:_LONGEST_REASON], certificate=certificate, inspection=kept)
            return (of_the_bench(command, failed, around),)
        case "reject" | "condemn":
            assert criterion is not None  # Else there was a reason above.
            return (_withdrawn(command, criterion, serial, said, kept, around),)


def _withdrawn(
    command: c.Inspect, criterion: Criterion, serial: str, said: str, kept: Inspected, around: Around
) -> NewFact:
    reason, certificate = said[:_LONGEST_REASON], around.actor.certificate
    if command.outcome == "reject":
        rejected = Rejected(
            reason=reason, criterion_id=criterion.id, clause=clause_of(criterion), certificate=certificate,
            inspection=kept,
        )  # fmt: skip
        return of_the_bench(command, rejected, around)
    condemned = Condemned(
        reason=reason, criterion_id=criterion.id, criterion=criterion.words, clause=clause_of(criterion),
        serial_read=serial, certificate=certificate, inspection=kept,
    )  # fmt: skip
    return of_the_bench(command, condemned, around)


def _overruling_reasons(command: c.Inspect, proposed: Proposed) -> Iterator[Reason]:
    if FROM_MILDEST.index(command.outcome) >= FROM_MILDEST.index(proposed.outcome):
        return
    final = [one for one in proposed.met if one.outcome == "condemn"]
    for one in final:
        yield Reason(
            "inspect.condemned",
            f"{one.words} That condemns, and no one overrules it. If the finding was measured wrongly, measure again "
            "and key what the gauge says.",
            source=one.source,
            clause=one.clause,
            edition=one.edition,
        )
    for judged in proposed.judged:
        if judged.lacks_measure:
            yield Reason(
                "inspect.unmeasured",
                f"{judged.found.words}: a criterion asks for a measure that was not keyed. Measure it, or leave it at "
                f"“{proposed.outcome}”.",
            )
    if not final and not command.overruled_because:
        yield Reason(
            "inspect.why-milder",
            f"The rules propose “{proposed.outcome}”. Say why “{command.outcome}” is right all the same.",
        )


def _material_reasons(rules: Pack, standing: Standing, looked: c.LookedAt) -> Iterator[Reason]:
    metals = {rules.specification(key).metal for key in specs_claimed(rules, standing.marks)}
    if metals and metals.isdisjoint({looked.material, "any"}):
        on_record = " or ".join(sorted(metals))
        yield Reason(
            "inspect.material",
            f"On record it is {on_record}, and the form is for {looked.material}. Is this the cylinder on the screen?",
        )


def _chosen(command: c.Inspect, proposed: Proposed, rules: Pack, reasons: list[Reason]) -> Criterion | None:
    """The criterion of a rejection or condemnation: the one chosen, else the worst that is met."""
    if command.outcome not in ("reject", "condemn"):
        return None
    among = condemn_criteria(rules)
    if command.outcome == "reject":
        among = (*reject_criteria(rules), *among)
    met = next((one.id for one in proposed.met if one.outcome == command.outcome), "")
    try:
        return criterion_of(command.criterion_id or met, among)
    except Refused as refused:
        reasons += refused.reasons
        return None


def _serial(command: c.Inspect, standing: Standing, reasons: list[Reason]) -> str:
    if command.outcome != "condemn":
        return ""
    try:
        return serial_read(command.last_four, standing)
    except Refused as refused:
        reasons += refused.reasons
        return ""


def _said(command: c.Inspect, proposed: Proposed) -> str:
    found = "; ".join(one.found.words for one in proposed.judged)
    return ". ".join(part for part in (found, command.notes) if part)


def _kept(command: c.Inspect, proposed: Proposed, rules: Pack) -> Inspected:
    looked = command.looked
    return Inspected(
        material=looked.material,
        alloy=looked.alloy,
        wall=looked.wall,
        diameter=looked.diameter,
        found=tuple(
            one.found.model_copy(update={"criteria": tuple(criterion.id for criterion in one.met)})
            for one in proposed.judged
        ),
        proposed=proposed.outcome,
        confirmed=command.outcome,
        overruled_because=command.overruled_because,
        rules=f"{rules.jurisdiction}, {rules.edition}"[:200],
    )


def _judged(rules: Pack, specs: tuple[str, ...], looked: c.LookedAt, found: FoundDefect) -> Judged:
    seen = _seen(found, looked)
    answers = [propose(rules, _bench(spec, looked), (seen,)) for spec in specs]
    met = dict.fromkeys(one.criterion for answer in answers for one in answer.met)
    is_unsure = any(one.rule_id.endswith("bench.unmeasured") for answer in answers for one in answer.open)
    lacks = is_unsure and _lacks_measure(rules, looked, seen)
    return Judged(found, tuple(met), lacks, is_unsure and not lacks)


def _lacks_measure(rules: Pack, looked: c.LookedAt, seen: Seen) -> bool:
    """Whether a criterion of this finding, for a wall that is known or not, asks for a figure that is not there."""
    units = {amount.unit for amount in seen.measures}
    if looked.wall is not None and "depth_mm" in units:
        units.add("percent_of_wall")
    not_mine = "wall known" if looked.wall is None else "wall not known"
    limits = [one.meets for one in form_of(rules, looked.material) if one.meets is not None]
    return any(
        one.measure is not None and one.measure not in units
        for one in limits
        if one.defect == seen.defect and not_mine not in one.only
    )


def _bench(spec: str, looked: c.LookedAt) -> OnTheBench:
    wall_mm = None if looked.wall is None else looked.wall.mm
    return OnTheBench(spec, looked.material, looked.alloy, wall_mm)


def _seen(found: FoundDefect, looked: c.LookedAt) -> Seen:
    diameter_mm = None if looked.diameter is None else looked.diameter.mm
    # Any other word was refused, or has no criterion and so keeps the form open.
    return Seen(found.defect, tuple(_amounts(found.measures, diameter_mm)))  # type: ignore[arg-type]


def _amounts(measures: tuple[KeyedMeasure, ...], diameter_mm: float | None) -> Iterator[Amount]:
    """The measures in the units that criteria are written in; of several of a kind, the worst."""
    worst: dict[str, float] = {}
    for one in measures:
        worst[one.what] = max(one.number, worst.get(one.what, one.number))
    depth, length, width = worst.get("depth"), worst.get("length"), worst.get("width")
    plain = {
        "depth_mm": depth,
        "length_mm": length,
        "percent_of_surface": worst.get("area"),
        "percent_of_circumference": worst.get("circumference"),
        "temperature_c": worst.get("temperature"),
        "thread_lengths": worst.get("threads"),
    }
    if diameter_mm:
        for name, number in (("depth", depth), ("length", length), ("width", width)):
            plain[f"{name}_percent_of_diameter"] = None if number is None else number / diameter_mm * 100
    if depth and width:
        plain |= {"percent_of_dent_width": depth / width * 100, "width_in_depths": width / depth}
    yield from (Amount(number, unit) for unit, number in plain.items() if number is not None)
