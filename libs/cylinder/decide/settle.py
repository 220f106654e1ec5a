"""The settled reading: what a filled cylinder's gauge shows once it has cooled. It corrects the shop's estimate, and finds overfills."""

from __future__ import annotations

import datetime as dt
from math import ceil
from typing import Final

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide.gates import new_fact
from cylinder.facts import HoldPlaced, SettledRead, VisitHeld
from cylinder.fill_plan import LEAST_ROOM_C, MOST_ROOM_C, ONE_MARK, foreseen, mix_of, plan_of
from cylinder.recorded import NewFact
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.visit import Visit
from gas.pressure import Pressure
from gas.quantity import REFERENCE_21_C, Temperature
from gas.states import at_temperature

# Before that the gas is still warmer than the wall that a probe touches. Our choice.
LEAST_COOLING: Final = dt.timedelta(minutes=20)

# More than any breathing gas is filled to, and less than the gas law refuses to speak of.
_BEYOND_ANY_BAR: Final = 600.0


def read_settled(state: Visit, command: c.ReadSettled, around: Around) -> tuple[NewFact, ...]:
    """Record it, with what the model foresaw of this fill. Too much gas at 21 °C holds the cylinder."""
    done = state.completed
    if done is None or state.completed_at is None:
        raise Refused([Reason("settled.not-filled", f"Tag {state.tag} has not been filled in this visit.")])
    refuse_if(_doubts(state, command, done.end.pressure, around.now - state.completed_at))
    wall, read = Temperature.of_c(command.wall_c), command.settled.pressure
    came_to = at_temperature(read, mix_of(done.gas), at=wall, then=REFERENCE_21_C)
    model, plan = foreseen(state, read, wall, around.rules), plan_of(state)
    fact = SettledRead(
        visit_id=state.id,
        settled=command.settled,
        wall_c=command.wall_c,
        stopped=done.end,
        gas=done.gas,
        came_to_bar=round(came_to.bar, 2),
        room_c=None if plan is None else plan.room_c,
        foreseen_rise_kelvin=None if model is None else round(model[0], 2),
        foreseen_bar=None if model is None else round(model[1].bar, 2),
    )
    settled = new_fact(state, fact, around)
    if not came_to.is_above(Pressure(done.rated.pressure.bar + ONE_MARK.bar, "bar")):
        return (settled,)
    at_21 = came_to.words() if came_to.unit == done.rated.unit else came_to.twin().words()
    why = f"Settled at {command.settled.words}, {at_21} at 21 °C: above the {done.rated.words} rating. Bleed it slowly to the rating."
    placed = new_fact(state, HoldPlaced(reason=why, rule_id="fill.above-rating", visit_id=state.id), around)
    held = new_fact(state, VisitHeld(visit_id=state.id, why=why), around)
    return (settled, NewFact(placed.fact, placed.subject, placed.performed_on), held)


def _doubts(state: Visit, command: c.ReadSettled, stopped: Pressure, cooled: dt.timedelta) -> list[Reason]:
    found = []
    if cooled < LEAST_COOLING:
        wait = ceil((LEAST_COOLING - cooled).total_seconds() / 60)
        found.append(Reason("settled.warm", f"It is still warm inside. Read it in {wait} min or later."))
    if not LEAST_ROOM_C <= command.wall_c <= MOST_ROOM_C:
        words = f"{command.wall_c:.0f} °C ({command.wall_c * 1.8 + 32:.0f} °F) is no temperature of a cooled cylinder. Read it again, figure and scale."
        found.append(Reason("settled.wall", words, "input"))
    read = command.settled.pressure
    if read.value == 0:
        found.append(
            Reason(
                "settled.empty", "Zero is no full cylinder. Read the gauge again, or hold it: it has leaked."
            )
        )
    elif read.bar > _BEYOND_ANY_BAR or read.is_above(Pressure(stopped.bar + ONE_MARK.bar, "bar")):
        found.append(
            Reason(
                "settled.above-end",
                f"{command.settled.words} is more than the {stopped.words()} that the fill was stopped at, and cooling takes off. "
                "Read the gauge again.",
            )
        )
    return found
