"""The settled reading: a filled cylinder that has cooled, its gauge and how warm its wall is. Asked of nobody; offered while it waits."""

from __future__ import annotations

import datetime as dt
from math import ceil

from fastapi import APIRouter
from starlette.responses import Response

from branch import gas_engine
from branch.web.gate import DEVICE_LASTS_S, set_cookie
from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.fill_words import settling_words
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
from branch.web.pages.steps_target import DEGREES_COOKIE, celsius, remembered, scale_of
from cylinder import commands as c
from cylinder.decide.settle import LEAST_COOLING
from cylinder.visit import Visit

router = APIRouter()


def may_settle(visit: Visit) -> bool:
    """Whether a settled reading could be taken of what stands here."""
    return visit.is_open and visit.completed is not None and visit.held is None


def wait_min(visit: Visit, now: dt.datetime) -> int:
    """How many minutes it still has to cool before its gauge tells anything."""
    if visit.completed_at is None:
        return 0
    return max(0, ceil((LEAST_COOLING - (now - visit.completed_at)).total_seconds() / 60))


@router.get("/settled")
def ask(at: TheVisit) -> Response:
    """The pad for it."""
    if not may_settle(at.visit):
        return stopped(at) or moved_on(at)
    return stopped(at) or show(at)


def show(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The gauge, the temperature of the wall, and what earlier readings have taught."""
    known = remembered(at)
    done = at.visit.completed
    unit = done.end.unit if done is not None else "psi"
    return page(
        at, "settled", trouble=trouble, kept=form, done=done, degrees=scale_of(at, form),
        wait=wait_min(at.visit, at.around.now), taught=settling_words(known.settling, unit),
        fills=len(known.fills), before=at.visit.settled,
    )  # fmt: skip


@router.post("/settled")
def read(at: TheVisit, form: Form) -> Response:
    """Record it."""
    gas_engine.wait_until_warm()

    def make() -> c.ReadSettled:
        wall = celsius(form.text("wall"), scale_of(at, form))
        return c.ReadSettled.model_validate(
            asked(at, form, settled=pressure_in(form, "settled"), wall_c=wall)
        )

    response = answer(at, form, make, show)
    set_cookie(at.request, response, DEGREES_COOKIE, scale_of(at, form), DEVICE_LASTS_S)
    return response
