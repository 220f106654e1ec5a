"""One visit, one address: its page shows the present question, the stop, or the hold. Also: Hold it, and Back."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from fastapi import APIRouter
from starlette.responses import Response

from branch.web.pages import (
    blend_visit,
    steps_analyse,
    steps_connect,
    steps_dates,
    steps_fill,
    steps_greet,
    steps_look_over,
    steps_settled,
    steps_sign,
    steps_standing,
    steps_tape,
    steps_target,
)
from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.render import go
from branch.web.pages.steps_frame import NOTHING, At, TheVisit, answer, asked, moved_on, page, stopped
from branch.web.pages.stop import inspectors_here
from cylinder import commands as c

router = APIRouter(include_in_schema=False)

Show = Callable[[At], Response]

SHOWN: Mapping[str, Show] = {
    "identify": steps_greet.show,
    "outside": steps_look_over.show_outside,
    "dates": steps_dates.show_dates,
    "rating": steps_look_over.show_rating,
    "standing": steps_standing.show_standing,
    "people_out": steps_connect.show_people_out,
    "blow_out": steps_connect.show_blow_out,
    "whip": steps_connect.show_whip,
    "residual": steps_connect.show_residual,
    "target": steps_target.show_target,
    "fill": blend_visit.show_fill,
    "analyse": steps_analyse.show_analyse,
    "bleed": steps_tape.show_bleed,
    "tape": steps_tape.show_tape,
    "set_down": steps_tape.show_set_down,
    "hand_over": steps_tape.show_full,
    "done": steps_tape.show_left,
}
"""The page of each question. Certification is seen at the counter, before there is a visit."""


@router.get("/visits/{visit_id}")
def present(at: TheVisit) -> Response:
    """The present question. A cylinder that is stopped or held has no other page than that."""
    return stopped(at) or SHOWN[at.visit.step](at)


def show_hold(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Why it is held, and who could let it go on."""
    return page(at, "hold_it", trouble=trouble, kept=form, releasers=inspectors_here(at.node))


@router.get("/visits/{visit_id}/hold")
def hold(at: TheVisit) -> Response:
    """Ask why."""
    return stopped(at) or show_hold(at)


@router.post("/visits/{visit_id}/hold")
def hold_it(at: TheVisit, form: Form) -> Response:
    """Hold it. What was read stays as it is."""
    why = ". ".join(part for part in (*form.all("reason"), form.text("why")) if part)
    return answer(at, form, lambda: c.HoldIt.model_validate(asked(at, form, why=why)), show_hold)


@router.post("/visits/{visit_id}/reopen")
def back(at: TheVisit, form: Form) -> Response:
    """Take the last answer back; it stays readable in the log."""
    step = form.text("step")
    return answer(
        at,
        form,
        lambda: c.Reopen.model_validate(asked(at, form, step=step)),
        lambda now, trouble, _: moved_on(now, trouble),
    )


for steps in (
    steps_greet,
    steps_look_over,
    steps_dates,
    steps_standing,
    steps_connect,
    blend_visit,
    steps_fill,
    steps_analyse,
    steps_settled,
    steps_sign,
    steps_tape,
    steps_target,
):
    router.include_router(steps.router, prefix="/visits/{visit_id}")


@router.get("/visits/{visit_id}/{step}")
def any_step(step: str, at: TheVisit) -> Response:
    """The address of a form that was reloaded: there is one page for a visit, whatever it was asked."""
    return stopped(at) or go(at.here)
