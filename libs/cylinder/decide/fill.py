"""The fill: the last look before the valve opens, the readings, the end."""

from __future__ import annotations

from collections.abc import Iterator

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide import mix
from cylinder.decide.connect import people_out_reasons
from cylinder.decide.gates import against, new_fact
from cylinder.decide.look_over import is_same_rating, news_reasons, rules_against
from cylinder.facts import (
    FillAborted,
    FillAuthorised,
    FillAuthorisedByPlan,
    FillCompleted,
    HoldPlaced,
    ReadingTaken,
    VisitHeld,
)
from cylinder.fill_plan import most_on_gauge, plan_fill_of, plan_of
from cylinder.marks import KeyedPressure
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused, reason_of, refuse_if
from cylinder.standing import Standing
from cylinder.visit import Visit
from gas.pressure import Pressure
from rulebook import judge_target

_FILLING = frozenset({"operator", "inspector", "manager"})


def authorise(state: Visit, command: c.Authorise, around: Around) -> tuple[NewFact, ...]:
    """Say "fill" only when everything is known and good, again, now: standing, dates, people, rating, news."""
    rating, residual = state.rating, state.residual
    is_read = state.marks is not None and state.dates is not None and state.holds_whip is not None
    if rating is None or residual is None or not is_read:
        # The order of work asks for all of these; without one of them there is no answer.
        raise Refused([Reason("fill.not-read", "Marks, dates, rating and what is left must be read first.")])
    target = command.target.pressure
    reasons = [
        *_may_fill(around),
        *against(state, around.standing),
        *rules_against(state, around, target),
        *news_reasons(around, supervised=state.standing_seen.supervised if state.standing_seen else ""),
        *people_out_reasons(around),
        *(reason_of(finding) for finding in judge_target(around.rules, rating.rated.pressure, target)),
        *_unit_slip(command.target, rating.rated),
        *_rating_differs(rating.rated, around.standing),
        *mix.oxygen_reasons(state.gas, around, visit_id=state.id),
    ]
    if not target.is_above(residual.pressure):
        reasons.append(
            Reason(
                "fill.nothing-to-fill",
                f"It holds {residual.words} already: a target of {command.target.words} adds nothing.",
            )
        )
    refuse_if(dict.fromkeys(reasons))
    if command.conditions is None:
        authorised = FillAuthorised(visit_id=state.id, target=command.target, rated=rating.rated)
        return (new_fact(state, authorised, around),)
    planned = plan_fill_of(state, command.target, command.conditions, around)
    by_plan = FillAuthorisedByPlan(
        visit_id=state.id, target=command.target, rated=rating.rated, plan=planned.plan
    )
    return (new_fact(state, by_plan, around),)


def take_reading(state: Visit, command: c.TakeReading, around: Around) -> tuple[NewFact, ...]:
    """Key the gauge. Above what it may show it is recorded all the same, and the words say what to do."""
    _check_filling(state)
    return (new_fact(state, ReadingTaken(visit_id=state.id, reading=command.reading), around),)


def complete(state: Visit, command: c.CompleteFill, around: Around) -> tuple[NewFact, ...]:
    """End the fill. An end above what the gauge may show is a fact too: it is recorded, and the cylinder is held."""
    authorised = _check_filling(state)
    residual = state.residual
    if residual is None:
        raise Refused([Reason("fill.not-read", "What was left must be read first.")])
    refuse_if([*_unit_slip(command.end, authorised.rated), *_below_start(command.end, residual)])
    completed = FillCompleted(
        visit_id=state.id,
        end=command.end,
        start=residual,
        target=authorised.target,
        rated=authorised.rated,
        gas=state.gas,
    )
    done = new_fact(state, completed, around)
    over = _over(state, authorised, command.end)
    if not over:
        return (done,)
    why = f"Gauge {over}. Let it cool, then bleed it to the rating."
    placed = new_fact(state, HoldPlaced(reason=why, rule_id="fill.above-rating", visit_id=state.id), around)
    held = new_fact(state, VisitHeld(visit_id=state.id, why=why), around)
    return (done, NewFact(placed.fact, placed.subject, placed.performed_on), held)


def stop(state: Visit, command: c.StopFill, around: Around) -> tuple[NewFact, ...]:
    """Stop at any time, for any reason."""
    authorised = _check_filling(state)
    stopped = new_fact(state, FillAborted(visit_id=state.id, at=command.at, why=command.why), around)
    over = "" if command.at is None else _over(state, authorised, command.at)
    if not over:
        return (stopped,)
    placed = HoldPlaced(reason=f"Stopped: {over}.", rule_id="fill.above-rating", visit_id=state.id)
    return (stopped, new_fact(state, placed, around))


def _over(state: Visit, authorised: FillAuthorised, gauge: KeyedPressure) -> str:
    """How the gauge is above what it may show in this fill; empty where it is not. Cold gas may be too much below the rating."""
    most, plan = most_on_gauge(state), plan_of(state)
    if most is None or not gauge.pressure.is_above(most):
        return ""
    if plan is None or not plan.is_at_known_temperature:
        return f"{gauge.words} is above the {authorised.rated.words} rating"
    return f"{gauge.words} is above the {plan.stop.words} to stop at, rated {authorised.rated.words}"


def _check_filling(state: Visit) -> FillAuthorised:
    if state.authorised is None or not state.is_filling:
        raise Refused([Reason("fill.not-filling", f"Tag {state.tag} is not being filled.")])
    return state.authorised


def _may_fill(around: Around) -> Iterator[Reason]:
    if around.actor.role not in _FILLING:
        yield Reason("fill.role", "Only the shop's own fill operator, inspector or manager may fill.")


def _rating_differs(read: KeyedPressure, standing: Standing | None) -> Iterator[Reason]:
    """A hold may be answered, but two ratings stay two ratings until the bench has said which is on the metal."""
    on_record = standing.rated if standing else None
    if on_record is not None and not is_same_rating(read.pressure, on_record.pressure):
        yield Reason(
            "rating.differs",
            f"Rated {read.words} read here, {on_record.words} on record. An inspector records the stamp at the bench; "
            "then read it here again.",
        )


def _below_start(end: KeyedPressure, start: KeyedPressure) -> Iterator[Reason]:
    if end.pressure.is_below(start.pressure):
        yield Reason(
            "fill.end-below-start",
            f"{end.words} is less than the {start.words} it came with. Read the gauge again, or stop the fill.",
        )


def _unit_slip(keyed: KeyedPressure, rated: KeyedPressure) -> Iterator[Reason]:
    """3000 keyed as bar, or 207 keyed as psi: a number that fits the rating in the other unit."""
    if keyed.value == 0:
        return
    in_other = Pressure(keyed.value, "bar" if keyed.unit == "psi" else "psi")
    if abs(in_other.pascal - rated.pressure.pascal) <= 0.05 * rated.pressure.pascal:
        yield Reason(
            "pressure.unit",
            f"{keyed.words} looks like {in_other.words()} with the wrong unit. Check the unit on the gauge.",
        )
