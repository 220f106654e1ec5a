"""Clean for oxygen: recording it at the bench, and saying of a fill's gas, before it flows, that it is fit."""

from __future__ import annotations

from cylinder import commands as c
from cylinder.around import Around
from cylinder.decide.gates import new_fact
from cylinder.decide.judging import judging_reasons
from cylinder.facts import GasFitForOxygen, OxygenCleaned
from cylinder.oxygen import FILLING, last_day
from cylinder.recorded import NewFact, cylinder_subject
from cylinder.refusal import Reason, refuse_if
from cylinder.standing import Standing
from cylinder.visit import Visit


def clean(command: c.CleanForOxygen, standing: Standing, around: Around) -> tuple[NewFact, ...]:
    """On every record of this cylinder, naming the links by which they are one. Raises Refused."""
    reasons = judging_reasons(command, around, standing, work="oxygen cleaning")
    months = around.policy.oxygen_service_months
    latest = last_day(command.performed_on, command.until, months)
    if command.until < command.performed_on:
        reasons.append(Reason("oxygen.until", "Its last day lies before the day on which it was cleaned."))
    elif command.until > latest:
        reasons.append(
            Reason(
                "oxygen.until",
                f"A cleaning counts for {months} months here: to {latest:%d %B %Y} at the latest.",
            )
        )
    refuse_if(reasons)
    cleaned = OxygenCleaned(
        parts=command.parts,
        procedure=command.procedure,
        cleaned_by=command.cleaned_by,
        until=command.until,
        links=standing.links,
        certificate=around.actor.certificate,
    )
    return tuple(
        NewFact(cleaned, cylinder_subject(record), command.performed_on)
        for record in (command.cylinder_id, *standing.linked)
    )


def say_gas_fit(state: Visit, command: c.SayGasFit, around: Around) -> tuple[NewFact, ...]:
    """Only before gas flows, and only of a cylinder that is known. Raises Refused."""
    refuse_if(
        reason
        for is_so, reason in (
            (around.actor.role not in FILLING, Reason("oxygen.who", "Only who fills may say that.")),
            (
                state.cylinder_id is None,
                Reason("oxygen.which", "Say first which cylinder it is."),
            ),
            (
                state.gas_has_flowed,
                Reason(
                    "oxygen.too-late",
                    "Gas has flowed into it already: what it was fit for is not said afterwards.",
                ),
            ),
            (
                not command.was_filled_nowhere_else,
                Reason(
                    "oxygen.filled-elsewhere",
                    "Ask the diver: if it was filled anywhere that wrote nothing down since it was cleaned, it is not clean.",
                ),
            ),
        )
        if is_so
    )
    return (new_fact(state, GasFitForOxygen(visit_id=state.id, shown_by=command.shown_by), around),)
