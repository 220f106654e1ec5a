"""After the fill: bleed, tape, set down, hand over to the right diver; or put it away unfilled."""

from __future__ import annotations

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide.analyse import why_not_signed_for
from cylinder.decide.gates import against, new_fact, on_hold
from cylinder.decide.sets import given_apart
from cylinder.facts import HandedOver, SetDown, ValveTaped, VisitAbandoned, VisitRefused, WhipBled
from cylinder.recorded import NewFact, derived_id
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.visit import Visit


def bleed(state: Visit, around: Around) -> tuple[NewFact, ...]:
    """Valves closed, whip bled, off. Also the way out of a stopped fill."""
    if state.whip is None:
        raise Refused([Reason("bleed.no-whip", f"Tag {state.tag} is on no whip.")])
    if state.is_filling:
        raise Refused([Reason("bleed.filling", "End or stop the fill first.")])
    return (new_fact(state, WhipBled(visit_id=state.id), around),)


def tape_valve(state: Visit, around: Around) -> tuple[NewFact, ...]:
    """Tape means full and nothing else does, so only a completed fill is taped."""
    if state.completed is None:
        raise Refused([Reason("tape.not-full", f"Tag {state.tag} was not filled: no tape.")])
    return (new_fact(state, ValveTaped(visit_id=state.id), around),)


def set_down(state: Visit, command: c.SetDownAt, around: Around) -> tuple[NewFact, ...]:
    """A floor slot holds one cylinder."""
    reasons = [
        Reason("slot.taken", f"Tag {other.tag} stands in slot {command.slot}.")
        for other in around.open_visits
        if other.id != state.id and other.slot == command.slot
    ]
    if command.slot > around.policy.slots:
        reasons.append(Reason("slot.unknown", f"This floor has slots 1 to {around.policy.slots}."))
    refuse_if(reasons)
    return (new_fact(state, SetDown(visit_id=state.id, slot=command.slot), around),)


def hand_over(command: c.HandOver, around: Around) -> tuple[NewFact, ...]:
    """Give back what is this diver's, taped and clear; one wrong tag and nothing is handed over.

    `around.open_visits` must hold every open visit with `around.standings` their cylinders'.
    """
    here = {visit.id: visit for visit in around.open_visits}
    reasons: list[Reason] = []
    if len(set(command.visit_ids)) != len(command.visit_ids):
        reasons.append(Reason("hand-over.twice", "A cylinder is named twice."))
    for visit_id in command.visit_ids:
        visit = here.get(visit_id)
        if visit is None:
            reasons.append(
                Reason("hand-over.unknown", "One of these cylinders is not on the floor any more.")
            )
        else:
            reasons += _not_ready(visit, command, around)
    given = tuple(here[visit_id] for visit_id in command.visit_ids if visit_id in here)
    reasons += given_apart(given, around.open_visits)
    refuse_if(reasons)
    handover_id = derived_id(command.key, "hand-over")
    return tuple(
        new_fact(
            here[visit_id],
            HandedOver(visit_id=visit_id, handover_id=handover_id, of=len(command.visit_ids)),
            around,
        )
        for visit_id in command.visit_ids
    )


def rack_it(state: Visit, around: Around) -> tuple[NewFact, ...]:
    """Into the red rack: the refusal is recorded with its reasons, and the visit ends."""
    if state.is_filling:
        raise Refused([Reason("rack.filling", "Stop the fill and bleed the whip first.")])
    if state.holds_whip is not None:
        raise Refused([Reason("rack.on-whip", "Bleed the whip and take it off first.")])
    reasons = [*against(state, around.standing), *on_hold(state)]
    if not reasons:
        raise Refused([Reason("rack.nothing-against-it", "Nothing is held against this cylinder now.")])
    refused = VisitRefused(
        visit_id=state.id,
        rule_ids=tuple(reason.rule_id for reason in reasons),
        words=tuple(reason.words[:500] for reason in reasons),
    )
    ended = VisitAbandoned(visit_id=state.id, why="In the red rack")
    return (new_fact(state, refused, around), new_fact(state, ended, around))


def abandon(state: Visit, command: c.Abandon, around: Around) -> tuple[NewFact, ...]:
    """The cylinder leaves without a fill. Gas that went into a cylinder with something against it does not leave so."""
    if state.holds_whip is not None:
        raise Refused(
            [
                Reason(
                    "abandon.on-whip", "It is on a whip. Stop the fill, bleed the whip and take it off first."
                )
            ]
        )
    if state.completed is not None:
        raise Refused(
            [
                Reason(
                    "abandon.filled",
                    f"Tag {state.tag} was filled: hand it over, or hold it and put it into the red rack.",
                )
            ]
        )
    if state.gas_has_flowed:
        refuse_if([*against(state, around.standing), *on_hold(state)])
    return (new_fact(state, VisitAbandoned(visit_id=state.id, why=command.why), around),)


def _not_ready(visit: Visit, command: c.HandOver, around: Around) -> list[Reason]:
    reasons: list[Reason] = []
    if visit.diver_ref != command.diver_ref:
        reasons.append(
            Reason("hand-over.wrong-diver", f"Tag {visit.tag} belongs to another diver. Do not give it out.")
        )
    if visit.step != "hand_over":
        reasons.append(Reason("hand-over.not-full", f"Tag {visit.tag} is not taped and set down yet."))
    reasons += why_not_signed_for(visit)
    reasons += on_hold(visit)
    standing = next((one for one in around.standings if one.cylinder_id == visit.cylinder_id), None)
    reasons += [
        Reason(reason.rule_id, f"Tag {visit.tag}: {reason.words}", reason.source, reason.clause)
        for reason in against(visit, standing)
    ]
    return reasons
