"""A blend in a visit: the last look before the first valve opens, each measured step, and planning again from what was measured.

Pure. A figure that was read is recorded even where it leads nowhere; then it says why, and what to do.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from cylinder import commands as c
from cylinder.around import Around
from cylinder.blending import Blending
from cylinder.blends import after_step, as_wished, go_on, is_over_limit, settled, work_out
from cylinder.decide import fill, mix
from cylinder.decide.blend_rules import Blender, Vessel, against_blend, cannot
from cylinder.decide.gates import new_fact
from cylinder.facts import (
    BlendPlanned,
    BlendReadingTakenBack,
    BlendStepDone,
    FillCompleted,
    Follows,
    HoldPlaced,
    PlannedStep,
    VisitHeld,
)
from cylinder.gases import BlendQuestion, GasOnHand, ValveKind
from cylinder.marks import GasWanted, KeyedPressure
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.visit import Visit
from cylinder.way import Step, Way, keyed
from gas.blend import CannotBlend
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import Temperature

# More than any breathing gas is filled to, and less than the gas law refuses to speak of.
_BEYOND_ANY: Final = Pressure(600, "bar")


def plan(state: Visit, command: c.PlanBlend, around: Around) -> tuple[NewFact, ...]:
    """Say "start" only when the blend can be made, and every rule of a fill and of a blend lets it be made here, now."""
    question = question_of(state, command, around)
    way = work_out(question)
    authorised, reasons = _authorised(state, command, around)
    reasons += _unlisted(command.gases, around.gases)
    if state.gas.is_air:
        reasons.append(Reason("blend.air", "Air is wanted: that is a plain fill, and no blend."))
    if isinstance(way, CannotBlend):
        reasons += cannot(way)
    flows = way if isinstance(way, Way) else as_wished(question)
    if flows is not None:
        reasons += _rules(state, question, flows, command.valve, around)
    refuse_if(_once(reasons))
    assert isinstance(way, Way)
    planned = _planned(state, question, way, "start", command.valve)
    return (new_fact(state, planned, around), *authorised)


def question_of(state: Visit, command: c.PlanBlend, around: Around) -> BlendQuestion:
    """What is asked, put together from what was read in this visit and the shop's list of gases. Raises Refused."""
    rating, residual = state.rating, state.residual
    if rating is None or residual is None or state.marks is None:
        raise Refused([Reason("fill.not-read", "Marks, dates, rating and what is left must be read first.")])
    return BlendQuestion(
        read=residual,
        cylinder_c=command.cylinder_c,
        oxygen_percent=command.oxygen_percent,
        helium_percent=command.helium_percent,
        wish=state.gas,
        end=command.end,
        limit=rating.rated,
        step_c=command.step_c,
        volume_litre=command.volume_litre,
        method=command.method,
        gases=tuple(gas for gas in around.gases if gas.name in command.gases),
    )


def do_step(state: Visit, command: c.DoBlendStep, around: Around) -> tuple[NewFact, ...]:
    """Record the gauge, and plan the rest from it. Nothing left to do completes the fill."""
    blending = _under_way(state)
    step = blending.next_step
    if step is None:
        words = "Nothing leads on from what was read. Analyse what is in it and plan anew, or stop the fill."
        raise Refused([Reason("blend.no-step", words)])
    if command.read.pressure.is_above(_BEYOND_ANY):
        words = f"{command.read.words} is more than any cylinder is filled to. Read the gauge again, figure and unit."
        raise Refused([Reason("blend.reading", words)])
    asked = blending.plan.question
    try:
        question = after_step(asked, _step(step), command.read, command.at_c)
        settled(question)  # Raises where no gas law speaks of what was read.
    except ValueError as wrong:
        words = f"{str(wrong)[:1].upper()}{str(wrong)[1:]}. Read the gauge again; if it is right, stop the fill and look for the leak."
        raise Refused([Reason("blend.reading", words)]) from None
    done = BlendStepDone(visit_id=state.id, step=step, read=command.read, at_c=command.at_c)
    facts = (new_fact(state, done, around),)
    return (*facts, *_from_here(state, question, "step", blending, command.read, around))


def plan_anew(state: Visit, command: c.PlanBlendAnew, around: Around) -> tuple[NewFact, ...]:
    """Plan from an analysis in the middle of a blend. Without one there is no plan."""
    blending = _under_way(state)
    question = blending.plan.question.model_copy(
        update={
            "read": command.read,
            "cylinder_c": command.at_c,
            "step_c": command.at_c,
            "oxygen_percent": command.oxygen_percent,
            "helium_percent": command.helium_percent,
            "oxygen_within_percent": 1.0,
            "helium_within_percent": 1.0,
        }
    )
    way = go_on(question)
    refuse_if(cannot(way) if isinstance(way, CannotBlend) else ())
    assert isinstance(way, Way)
    refuse_if(_once(_rules(state, question, way, blending.plan.valve, around)))
    return _from_here(state, question, "analysis", blending, command.read, around)


def take_back(state: Visit, around: Around) -> tuple[NewFact, ...]:
    """The figure before the last counts again. The gas that went in stays in: only the reading was wrong."""
    if not _under_way(state).can_go_back:
        raise Refused([Reason("blend.nothing-to-take-back", "No step of this blend was keyed yet.")])
    return (new_fact(state, BlendReadingTakenBack(visit_id=state.id), around),)


def not_by_hand(state: Visit) -> None:
    """A fill by a plan ends with its last step, not by a figure for the end. Raises Refused."""
    if state.blending is not None:
        words = "This fill goes by a plan: key the gauge after each step, or stop the fill."
        raise Refused([Reason("blend.by-steps", words)])


def _from_here(
    state: Visit,
    question: BlendQuestion,
    follows: Follows,
    blending: Blending,
    read: KeyedPressure,
    around: Around,
) -> tuple[NewFact, ...]:
    """The plan from what was measured; with nothing left to do the end of the fill; over the rating a hold."""
    valve = blending.plan.valve
    way = go_on(question)
    against: Iterable[Reason] = ()
    if isinstance(way, CannotBlend):
        against = cannot(way)
    elif way.steps:
        against = _rules(state, question, way, valve, around)
    planned = _planned(state, question, way, follows, valve, [one.words for one in _once(against)])
    facts = [new_fact(state, planned, around)]
    if isinstance(way, Way) and not way.steps:
        facts.append(new_fact(state, _completed(state, read), around))
    return (*facts, *_over_rating(state, question, read, around))


def _completed(state: Visit, read: KeyedPressure) -> FillCompleted:
    # A blend under way has both.
    assert state.authorised is not None
    assert state.residual is not None
    return FillCompleted(
        visit_id=state.id,
        end=read,
        start=state.residual,
        target=state.authorised.target,
        rated=state.authorised.rated,
        gas=state.gas,
    )


def _over_rating(
    state: Visit, question: BlendQuestion, read: KeyedPressure, around: Around
) -> tuple[NewFact, ...]:
    """What settles above the rating by more than a gauge can be off is held, as at the end of any fill."""
    if not is_over_limit(question):
        return ()
    why = (
        f"Gauge {read.words} at {question.cylinder_c:g} °C settles above the {question.limit.words} rating. "
        "Bleed it slowly to the rating, away from people."
    )
    placed = new_fact(state, HoldPlaced(reason=why, rule_id="fill.above-rating", visit_id=state.id), around)
    held = new_fact(state, VisitHeld(visit_id=state.id, why=why), around)
    return (NewFact(placed.fact, placed.subject, placed.performed_on), held)


def _under_way(state: Visit) -> Blending:
    if state.blending is None or not state.is_filling:
        raise Refused([Reason("blend.none", f"No blend is under way in tag {state.tag}.")])
    return state.blending


def _authorised(
    state: Visit, command: c.PlanBlend, around: Around
) -> tuple[tuple[NewFact, ...], list[Reason]]:
    """The last look before any fill, with all that it says against it."""
    asked = c.Authorise(
        key=command.key, visit_id=command.visit_id, version=command.version, target=command.end
    )
    try:
        return fill.authorise(state, asked, around), []
    except Refused as refused:
        return (), list(refused.reasons)


def _rules(
    state: Visit, question: BlendQuestion, way: Way, valve: ValveKind, around: Around
) -> tuple[Reason, ...]:
    """Cleanliness by the record of this cylinder; everything else by the sheet's own rules."""
    assert state.marks is not None  # Nothing is blended before the marks are read.
    vessel = Vessel(state.marks.spec, valve, is_oxygen_clean=True)
    blender = Blender(around.actor.mixes_until, around.today)
    # Words name what is wanted where oxygen itself flows, and otherwise the richest gas that does.
    richest = way.mix if way.takes_pure_oxygen else way.richest
    flows = GasWanted(
        oxygen_percent=max(5.0, richest.oxygen_fraction * 100),
        helium_percent=min(95.0, richest.helium_fraction * 100),
    )
    return (
        *mix.oxygen_reasons(flows, around, visit_id=state.id, oxygen_goes_in_pure=way.takes_pure_oxygen),
        *against_blend(around.rules, question, way, vessel, blender),
    )


def _unlisted(names: Iterable[str], gases: Iterable[GasOnHand]) -> list[Reason]:
    listed = {gas.name for gas in gases}
    return [
        Reason("blend.gas-unknown", f"{name} is not on this shop's list of gases (any more).")
        for name in names
        if name not in listed
    ]


def _once(reasons: Iterable[Reason]) -> tuple[Reason, ...]:
    """Each rule's words once, however many looks found them."""
    return tuple({(one.rule_id, one.words): one for one in reasons}.values())


def _planned(
    state: Visit,
    question: BlendQuestion,
    way: Way | CannotBlend,
    follows: Follows,
    valve: ValveKind,
    because: Iterable[str] = (),
) -> BlendPlanned:
    """As it is stored. What must not be gone on with has no steps."""
    reasons = tuple(words[:500] for words in because)
    is_open = isinstance(way, Way) and not reasons
    return BlendPlanned(
        visit_id=state.id,
        follows=follows,
        question=question,
        valve=valve,
        steps=tuple(_stored(step) for step in way.steps) if isinstance(way, Way) and is_open else (),
        predicted=way.predicted if isinstance(way, Way) else "",
        because=reasons,
        settles_to_bar=round(settled(question).bar, 2),
    )


def _stored(step: Step) -> PlannedStep:
    return PlannedStep(
        does=step.does,
        gas=step.gas,
        oxygen_percent=step.mix.oxygen_fraction * 100,
        helium_percent=step.mix.helium_fraction * 100,
        until=keyed(step.until),
        at_c=step.at.c,
    )


def _step(stored: PlannedStep) -> Step:
    mixture = Mix(stored.oxygen_percent / 100, stored.helium_percent / 100)
    at = Temperature.of_c(stored.at_c)
    return Step(stored.does, stored.gas, mixture, stored.until.pressure, at, free_litre=0.0)
