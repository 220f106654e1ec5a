"""A blend in a visit: the plan before gas flows, then one step a screen, each planned from what was measured. Decides nothing."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.responses import Response

from branch import fill_memory, gas_engine
from branch.web.gate import DEVICE_LASTS_S, set_cookie
from branch.web.pages import steps_fill
from branch.web.pages.asking import Form, Posted, Trouble, misread
from branch.web.pages.blend import METHOD_WORDS, VALVE_WORDS
from branch.web.pages.blend_form import LABELS, celsius_in, contents_in, number_in
from branch.web.pages.blend_view import CAUTIONS, PlanView, plan_view
from branch.web.pages.render import go
from branch.web.pages.steps_frame import (
    NOTHING,
    At,
    TheVisit,
    answer,
    asked,
    moved_on,
    page,
    reasons_against,
    stopped,
)
from branch.web.pages.steps_target import DEGREES_COOKIE, scale_of
from cylinder import commands as c
from cylinder.blends import go_on, work_out
from cylinder.decide.blend import question_of
from cylinder.facts import BlendPlanned
from cylinder.way import Way
from gas.blend import CannotBlend
from gas.quantity import Temperature

router = APIRouter()


def show_fill(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The fill's page: a step of the blend where it is one."""
    blending = at.visit.blending
    if blending is None:
        return steps_fill.show_fill(at, trouble, form)
    gas_engine.wait_until_warm()
    step, plan = blending.next_step, _again(blending.plan)
    return page(
        at,
        "blend_stuck" if step is None else "blend_step",
        trouble=trouble,
        kept=form,
        blending=blending,
        step=step,
        plan=plan,
        number=len(blending.done) + 1,
        at_words=Temperature.of_c(step.at_c).words() if step else "",
        degrees=scale_of(at, form),
    )


@router.get("/blend")
def ask_plan(at: TheVisit) -> Response:
    """What is in it and how to get to the wish, before gas flows."""
    if at.visit.step != "target":
        return stopped(at) or moved_on(at)
    return stopped(at) or show_plan(at, None, _known(at))


@router.post("/blend")
def plan_or_start(at: TheVisit, form: Form) -> Response:
    """Look at the plan, change what was keyed, or start it."""
    gas_engine.wait_until_warm()
    if form.text("what") == "start":
        return answer(at, form, lambda: _command(at, form), show_plan)
    held = stopped(at)
    if held is not None or at.visit.step != "target":
        return held or moved_on(at)
    if form.text("what") == "again":
        return show_plan(at, None, form)
    try:
        command = _command(at, form)
    except ValidationError as wrong:
        return show_plan(at, Trouble(misread(wrong, LABELS), 422), form)
    reasons = reasons_against(at, command)
    if reasons:
        return show_plan(at, Trouble(reasons, 422), form)
    question = question_of(at.visit, command, at.around)
    way = work_out(question)
    assert isinstance(way, Way)  # Nothing speaks against it, so there is one.
    return page(
        at, "blend_plan", kept=form, plan=plan_view(question, way), cautions=CAUTIONS, end=command.end
    )


def show_plan(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The form; what was keyed is still there."""
    rating, oxygen = at.visit.rating, at.around.oxygen
    return page(
        at,
        "blend_ask",
        trouble=trouble,
        kept=form,
        rated=rating.rated if rating else None,
        on_hand=at.around.gases,
        ticked=set(form.all("gas")),
        valves=VALVE_WORDS,
        methods=METHOD_WORDS,
        degrees=scale_of(at, form),
        cautions=CAUTIONS,
        clean_words=oxygen.words if oxygen else "",
        is_said_fit=oxygen is not None and at.visit.id in oxygen.fit_visits,
    )


@router.post("/blend_gas_fit")
def say_gas_fit(at: TheVisit, form: Form) -> Response:
    """Before gas flows: all of it is fit for oxygen service, and what shows it. Then the plan is asked for again."""
    members = asked(
        at,
        form,
        shown_by=form.text("shown_by"),
        was_filled_nowhere_else=form.text("nowhere_else") == "yes",
    )
    done = answer(at, form, lambda: c.SayGasFit.model_validate(members), show_plan)
    return go(f"{at.here}/blend") if done.status_code == 303 else done


@router.post("/blend_step")
def step_done(at: TheVisit, form: Form) -> Response:
    """Record the gauge and the temperature after a step."""
    gas_engine.wait_until_warm()
    done = answer(at, form, lambda: c.DoBlendStep.model_validate(_read(at, form)), show_fill)
    return _scale_kept(at, form, done)


@router.get("/blend_anew")
def ask_anew(at: TheVisit) -> Response:
    """What is in it now, measured in the middle of a blend."""
    if at.visit.blending is None or not at.visit.is_filling:
        return stopped(at) or moved_on(at)
    return stopped(at) or show_anew(at)


def show_anew(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The form."""
    assert at.visit.blending is not None
    return page(
        at,
        "blend_anew",
        trouble=trouble,
        kept=form,
        unit=at.visit.blending.plan.question.end.unit,
        degrees=scale_of(at, form),
    )


@router.post("/blend_anew")
def plan_anew(at: TheVisit, form: Form) -> Response:
    """Plan from an analysis."""
    if at.visit.blending is None:
        return moved_on(at)
    gas_engine.wait_until_warm()
    measured = contents_in(form)
    members = {
        **_read(at, form),
        "oxygen_percent": measured["oxygen_percent"],
        "helium_percent": measured["helium_percent"],
    }
    done = answer(at, form, lambda: c.PlanBlendAnew.model_validate(members), show_anew)
    return _scale_kept(at, form, done)


@router.post("/blend_back")
def take_back(at: TheVisit, form: Form) -> Response:
    """The last figure was keyed wrongly."""
    return answer(at, form, lambda: c.TakeBackBlendReading.model_validate(asked(at, form)), show_fill)


def _scale_kept(at: At, form: Posted, done: Response) -> Response:
    """The device remembers which scale its thermometer has."""
    set_cookie(at.request, done, DEGREES_COOKIE, scale_of(at, form), DEVICE_LASTS_S)
    return done


def _known(at: At) -> Posted:
    """What is on record and no measurement: every gas ticked, the size as somebody keyed it once."""
    with at.node.store.reading() as cursor:
        size = fill_memory.size(cursor, at.visit.cylinder_id) if at.visit.cylinder_id else None
    sized = (("volume", f"{size.litre:g}"),) if size else ()
    return Posted((*(("gas", gas.name) for gas in at.around.gases), *sized))


def _command(at: At, form: Posted) -> c.PlanBlend:
    return c.PlanBlend.model_validate(
        asked(
            at,
            form,
            **contents_in(form),
            step_c=celsius_in(form, "step_c"),
            end={"value": number_in(form, "end"), "unit": form.text("unit")},
            volume_litre=number_in(form, "volume"),
            method=form.text("method", "partial pressure"),
            gases=form.all("gas"),
            valve=form.text("valve"),
        )
    )


def _read(at: At, form: Posted) -> dict[str, object]:
    read = {"value": number_in(form, "gauge"), "unit": form.text("unit")}
    return asked(at, form, read=read, at_c=celsius_in(form, "at_c"))


def _again(planned: BlendPlanned) -> PlanView | None:
    """The steps that are left with what an ideal gas would show; the stored ones stay what counts."""
    question = planned.question
    way = work_out(question) if planned.follows == "start" else go_on(question)
    if isinstance(way, CannotBlend) or len(way.steps) != len(planned.steps):
        return None
    return plan_view(question, way)
