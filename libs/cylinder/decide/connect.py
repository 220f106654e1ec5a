"""Connecting: people out, valve blown out, O-ring, whip, what is left."""

from __future__ import annotations

import datetime as dt

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide.gates import CLOCK_JITTER, against, new_fact, on_hold
from cylinder.facts import (
    AreaCleared,
    DoorOpened,
    HoldPlaced,
    PeopleOut,
    ResidualRead,
    ValveBlownOut,
    VisitHeld,
    WhipConnected,
)  # fmt: skip
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused, reason_of, refuse_if
from cylinder.visit import Visit
from rulebook import judge_residual

BAY = "bay/main"


def send_people_out(state: Visit | None, command: c.SendPeopleOut, around: Around) -> tuple[NewFact, ...]:
    """Everybody is out: for the whole bay, and as the answer of the visit that asked."""
    bay = NewFact(PeopleOut(), BAY, around.today)
    if command.visit_id is None:
        return (bay,)
    if state is None or state.step != "people_out":
        raise Refused([Reason("visit.order", "This visit does not ask for that now. Look at it again.")])
    refuse_if([*against(state, around.standing), *on_hold(state)])
    return (bay, new_fact(state, AreaCleared(visit_id=state.id), around))


def say_door_opened(around: Around) -> tuple[NewFact, ...]:
    """Somebody came in: the next fill asks again."""
    return (NewFact(DoorOpened(), BAY, around.today),)


def people_out_reasons(around: Around) -> list[Reason]:
    """Why the fill area does not count as cleared, if it does not."""
    lasts = dt.timedelta(minutes=around.policy.people_out_min)
    if around.people_out_at is not None and -CLOCK_JITTER <= around.now - around.people_out_at <= lasts:
        return []
    return [
        Reason(
            "people-out",
            "Send everybody out of the fill area first; it counts for "
            f"{around.policy.people_out_min} minutes or until the door opens.",
            source="49 CFR 173.302(e) for 6351-T6; good practice for every fill (common practice, no source)",
        )
    ]


def blow_out(state: Visit, command: c.BlowOut, around: Around) -> tuple[NewFact, ...]:
    """The valve was cracked to clear it, and the O-ring was looked at."""
    return (new_fact(state, ValveBlownOut(visit_id=state.id, o_ring=command.o_ring), around),)


def connect_whip(state: Visit, command: c.ConnectWhip, around: Around) -> tuple[NewFact, ...]:
    """A whip serves one cylinder until it is bled off."""
    reasons: list[Reason] = []
    if command.whip > around.policy.whips:
        reasons.append(Reason("whip.unknown", f"This bay has whips 1 to {around.policy.whips}."))
    reasons += [
        Reason(
            "whip.taken", f"Whip {command.whip} is on tag {other.tag}. Bleed it off first, or take another."
        )
        for other in around.open_visits
        if other.id != state.id and other.holds_whip == command.whip
    ]
    refuse_if(reasons)
    return (new_fact(state, WhipConnected(visit_id=state.id, whip=command.whip), around),)


def read_residual(state: Visit, command: c.ReadResidual, around: Around) -> tuple[NewFact, ...]:
    """Record what is left. Near empty may mean that water came in: hold for an inside look."""
    rated = state.rating.rated if state.rating else None
    if rated is not None and command.residual.pressure.is_above(rated.pressure):
        raise Refused(
            [
                Reason(
                    "residual.above-rating",
                    f"{command.residual.words} is above the {rated.words} rating. Do not fill. Read the gauge again; "
                    "if it is right, take it off and bleed it slowly to the rating, away from people.",
                )
            ]
        )
    read = new_fact(state, ResidualRead(visit_id=state.id, residual=command.residual), around)
    findings = [f for f in judge_residual(around.rules, command.residual.pressure) if f.bearing != "tell"]
    if not findings:
        return (read,)
    finding = reason_of(findings[0])
    why = f"{command.residual.words} left. {finding.words}"[:200]
    placed = new_fact(state, HoldPlaced(reason=why, rule_id=finding.rule_id, visit_id=state.id), around)
    held = new_fact(state, VisitHeld(visit_id=state.id, why=why), around)
    return (read, NewFact(placed.fact, placed.subject, placed.performed_on), held)
