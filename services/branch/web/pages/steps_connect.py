"""Connecting: people out, the valve blown out, the O-ring, the whip, what is left in it."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter
from starlette.responses import Response

from branch import gas_engine
from branch.web.pages.asking import Form, Posted, Trouble, record
from branch.web.pages.render import epoch_ms, go
from branch.web.pages.steps_frame import (
    LABELS,
    NOTHING,
    At,
    TheVisit,
    answer,
    asked,
    moved_on,
    page,
    pressure_in,
)
from cylinder import commands as c
from cylinder.decide.connect import people_out_reasons

router = APIRouter()


@dataclass(frozen=True)
class Whip:
    """One whip of the bay and the tag that it is on, if any."""

    number: int
    tag: int | None


def show_people_out(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Everybody out; how long ago that was last said, if it still counts."""
    gas_engine.warm()
    still_counts = not people_out_reasons(at.around)
    said_at = at.around.people_out_at
    return page(
        at,
        "people_out",
        trouble=trouble,
        minutes=at.around.policy.people_out_min,
        said_ms=epoch_ms(said_at) if still_counts and said_at is not None else None,
        now_ms=epoch_ms(at.around.now),
    )


@router.post("/people_out")
def send_people_out(at: TheVisit, form: Form) -> Response:
    """Everybody is out: for the bay, and for this visit where it asks for it."""
    answers = {"key": form.text("key"), "visit_id": at.visit.id if at.visit.step == "people_out" else None}
    return answer(at, form, lambda: c.SendPeopleOut.model_validate(answers), show_people_out)


def show_blow_out(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Blow the valve out, look at the O-ring."""
    return page(at, "blow_out", trouble=trouble, kept=form)


@router.post("/blow_out")
def blow_out(at: TheVisit, form: Form) -> Response:
    """Record both."""

    def make() -> c.BlowOut:
        is_out = True if form.text("is_blown_out") == "yes" else None
        return c.BlowOut.model_validate(asked(at, form, is_blown_out=is_out, o_ring=form.text("o_ring")))

    return answer(at, form, make, show_blow_out)


def show_whip(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Every whip of the bay; the taken ones say by which tag."""
    taken = {other.holds_whip: other.tag for other in at.around.open_visits if other.id != at.visit.id}
    whips = tuple(Whip(number, taken.get(number)) for number in range(1, at.around.policy.whips + 1))
    return page(at, "whip", trouble=trouble, whips=whips)


@router.post("/whip")
def connect_whip(at: TheVisit, form: Form) -> Response:
    """Connect this whip."""
    return answer(
        at, form, lambda: c.ConnectWhip.model_validate(asked(at, form, whip=form.text("whip"))), show_whip
    )


@router.post("/take_off")
def take_off(at: TheVisit, form: Form) -> Response:
    """Bled and off before the fill was done: the whip is free, and the question of the whip is open again."""
    outcome = record(at.node, at.session, lambda: c.BleedWhip.model_validate(asked(at, form)), LABELS)
    if isinstance(outcome, Trouble):
        return moved_on(at.looked_at_again(), outcome)
    return go(at.here)


def show_residual(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """What is left in it; nothing left is an answer too."""
    gas_engine.warm()
    rule = at.node.desk.rules.rule("residual.low")
    return page(at, "residual", trouble=trouble, kept=form, rule=rule)


@router.post("/residual")
def read_residual(at: TheVisit, form: Form) -> Response:
    """Record what is left."""
    return answer(
        at,
        form,
        lambda: c.ReadResidual.model_validate(asked(at, form, residual=pressure_in(form, "residual"))),
        show_residual,
    )
