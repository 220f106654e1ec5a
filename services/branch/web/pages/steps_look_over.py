"""Looking the cylinder over: the outside, and the rated pressure read blind."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from branch.store.rows import history
from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.steps_frame import (
    NOTHING,
    At,
    TheVisit,
    answer,
    asked,
    moved_on,
    page,
    pressure_in,
    stopped,
)
from branch.web.pages.words import day
from cylinder import commands as c
from cylinder.facts import OutsideLookedOver
from cylinder.recorded import Recorded, cylinder_subject
from cylinder.refusal import Reason, Refused

router = APIRouter()

WRONGS = (
    "Dent, cut or gouge",
    "Rust or corrosion",
    "Bulge",
    "Crack or leak",
    "Heat, fire or fresh paint",
    "Valve or relief device",
    "Marks cannot be read",
)
"""What is offered to tick at an outside that is not sound; words of our own for 49 CFR 173.301(a)(2)."""

MOST_HISTORY = 200


def show_outside(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """Sound, or something is wrong."""
    if trouble is not None and form.text("sound") == "no":
        return page(at, "outside_wrong", trouble=trouble, kept=form, wrongs=WRONGS)
    rule = at.node.desk.rules.rule("look.outside")
    return page(at, "outside", trouble=trouble, kept=form, last=_last_note(at), rule=rule)


@router.get("/outside/wrong")
def outside_wrong(at: TheVisit) -> Response:
    """What is wrong with it."""
    held = stopped(at)
    if held is not None:
        return held
    return page(at, "outside_wrong", wrongs=WRONGS) if at.visit.step == "outside" else moved_on(at)


@router.post("/outside")
def look_over(at: TheVisit, form: Form) -> Response:
    """Record the look at the outside."""

    def make() -> c.LookOver:
        if form.text("sound") not in ("yes", "no"):
            raise Refused([Reason("input.sound", "Say whether the outside is sound.", "input")])
        note = ". ".join(part for part in (*form.all("wrong"), form.text("note")) if part)
        return c.LookOver.model_validate(asked(at, form, sound=form.text("sound") == "yes", note=note))

    return answer(at, form, make, show_outside)


def show_rating(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The rated pressure, keyed off the stamp. What is on record is not on this page."""
    is_unit_asked = trouble is not None and trouble.has("rating.unit")
    return page(at, "rating", trouble=trouble, kept=form, is_unit_asked=is_unit_asked)


@router.post("/rating")
def read_rating(at: TheVisit, form: Form) -> Response:
    """Record the stamp; it is compared with the record afterwards."""

    def make() -> c.ReadRating:
        sure = form.has("unit_is_sure")
        return c.ReadRating.model_validate(
            asked(at, form, rated=pressure_in(form, "rated"), unit_is_sure=sure)
        )

    return answer(at, form, make, show_rating)


def history_of(at: At) -> list[Recorded]:
    """What is on record of the visit's cylinder, newest first."""
    if at.visit.cylinder_id is None:
        return []
    with at.node.store.reading() as cursor:
        return history(cursor, cylinder_subject(at.visit.cylinder_id), MOST_HISTORY)


def _last_note(at: At) -> str:
    """What was seen at the outside on an earlier visit, newest first."""
    for record_ in history_of(at):
        fact = record_.fact
        if isinstance(fact, OutsideLookedOver) and fact.note and fact.visit_id != at.visit.id:
            where = "here" if record_.node == at.node.settings.node else f"at {at.shop(record_.node)}"
            return (
                f"Last time {where}, {day(record_.performed_on)}: {fact.note.rstrip('.')}. Look there again."
            )
    return ""
