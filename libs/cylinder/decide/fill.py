"""The fill: the last look before the valve opens, the readings, the end, the analysis."""

from __future__ import annotations

from collections.abc import Iterator

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide.connect import people_out_reasons
from cylinder.decide.gates import blocked, new_fact
from cylinder.decide.look_over import date_findings, news_reasons
from cylinder.facts import (
    FillAborted,
    FillAuthorised,
    FillCompleted,
    GasAnalysed,
    HoldPlaced,
    ReadingTaken,
    VisitHeld,
)
from cylinder.marks import KeyedPressure
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused, reason_of, refuse_if
from cylinder.visit import Visit
from rulebook import judge_target

ANALYSIS_TOLERANCE_PERCENT = 1.0
"""Within 1 % oxygen of the mix that was asked for (common practice, no source; 29 CFR 1910 subpart T App. C 6(b)(i) for the analyser)."""


def authorise(state: Visit, command: c.Authorise, around: Around) -> tuple[NewFact, ...]:
    """Say "fill" only when everything is known and good, again, now: standing, dates, people, rating, news."""
    rating, residual = state.rating, state.residual
    if (
        rating is None or residual is None
    ):  # The order of work asks for both; without them there is no answer.
        raise Refused([Reason("fill.not-read", "The rated pressure and what is left must be read first.")])
    target = command.target.pressure
    reasons = [
        *blocked(around.standing),
        *(reason_of(finding) for finding in date_findings(state, around) if finding.bearing == "refuse"),
        *news_reasons(around, supervised=state.standing_seen.supervised if state.standing_seen else ""),
        *people_out_reasons(around),
        *(reason_of(finding) for finding in judge_target(around.rules, rating.rated.pressure, target)),
        *_unit_slip(command.target, rating.rated),
    ]
    if not target.is_above(residual.pressure):
        reasons.append(
            Reason(
                "fill.nothing-to-fill",
                f"It holds {residual.words} already: a target of {command.target.words} adds nothing.",
            )
        )
    refuse_if(reasons)
    authorised = FillAuthorised(visit_id=state.id, target=command.target, rated=rating.rated)
    return (new_fact(state, authorised, around),)


def take_reading(state: Visit, command: c.TakeReading, around: Around) -> tuple[NewFact, ...]:
    """Key the gauge. Above the rating it is recorded all the same, and the words say what to do."""
    _check_filling(state)
    return (new_fact(state, ReadingTaken(visit_id=state.id, reading=command.reading), around),)


def complete(state: Visit, command: c.CompleteFill, around: Around) -> tuple[NewFact, ...]:
    """End the fill. An end above the rating is a fact too: it is recorded, and the cylinder is held."""
    authorised = _check_filling(state)
    residual = state.residual
    if residual is None:
        raise Refused([Reason("fill.not-read", "What was left must be read first.")])
    refuse_if(_unit_slip(command.end, authorised.rated))
    completed = FillCompleted(
        visit_id=state.id,
        end=command.end,
        start=residual,
        target=authorised.target,
        rated=authorised.rated,
        gas=state.gas,
    )
    done = new_fact(state, completed, around)
    if not command.end.pressure.is_above(authorised.rated.pressure):
        return (done,)
    why = f"Gauge {command.end.words} is above the {authorised.rated.words} rating. Let it cool, then bleed it to the rating."
    placed = new_fact(state, HoldPlaced(reason=why, rule_id="fill.above-rating", visit_id=state.id), around)
    held = new_fact(state, VisitHeld(visit_id=state.id, why=why), around)
    return (done, NewFact(placed.fact, placed.subject, placed.performed_on), held)


def stop(state: Visit, command: c.StopFill, around: Around) -> tuple[NewFact, ...]:
    """Stop at any time, for any reason."""
    _check_filling(state)
    return (new_fact(state, FillAborted(visit_id=state.id, at=command.at, why=command.why), around),)


def analyse(state: Visit, command: c.Analyse, around: Around) -> tuple[NewFact, ...]:
    """A mix that is not what was asked for is recorded as measured, and held."""
    if command.oxygen_percent + command.helium_percent > 100:
        raise Refused([Reason("analyse.sum", "Oxygen and helium together are more than 100 %.")])
    analysed = GasAnalysed(
        visit_id=state.id, oxygen_percent=command.oxygen_percent, helium_percent=command.helium_percent
    )
    measured = new_fact(state, analysed, around)
    off = abs(command.oxygen_percent - state.gas.oxygen_percent)
    if off <= ANALYSIS_TOLERANCE_PERCENT + 1e-9:
        return (measured,)
    why = f"{command.oxygen_percent:g} % oxygen measured, {state.gas.words} asked for. Do not hand it over."
    return (measured, new_fact(state, VisitHeld(visit_id=state.id, why=why), around))


def _check_filling(state: Visit) -> FillAuthorised:
    if state.authorised is None or not state.is_filling:
        raise Refused([Reason("fill.not-filling", f"Tag {state.tag} is not being filled.")])
    return state.authorised


def _unit_slip(keyed: KeyedPressure, rated: KeyedPressure) -> Iterator[Reason]:
    """3000 keyed as bar, or 207 keyed as psi: a number that fits the rating in the other unit."""
    if keyed.unit == rated.unit or keyed.value == 0:
        return
    in_other = KeyedPressure(value=keyed.value, unit=rated.unit).pressure
    if abs(in_other.pascal - rated.pressure.pascal) <= 0.05 * rated.pressure.pascal:
        yield Reason(
            "pressure.unit",
            f"{keyed.words} looks like {in_other.words()} with the wrong unit. Check the unit on the gauge.",
        )
