"""Readings that a gauge sends by itself while a fill runs: the same command as a person's, with the same session and refusals.

It keeps what tells something and passes the rest over: every reading that is kept is a fact for ever, at every shop.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Final
from uuid import UUID

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, StringConstraints

from branch.web.gate import SignedIn, TheNode
from branch.web.pages.steps_fill import gauge
from branch.web.problems import Problem
from cylinder import commands as c
from cylinder.fill_plan import ONE_MARK, most_on_gauge
from cylinder.marks import KeyedPressure
from cylinder.refusal import Reason, Refused
from cylinder.visit import Visit

router = APIRouter()

# A reading this soon after the last one is kept only where it says something new. Our choice.
APART: Final = dt.timedelta(seconds=10)


class GaugeReading(BaseModel):
    """What the gauge shows now. The same `key` again writes nothing new."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    key: UUID
    reading: KeyedPressure


class FillNow(BaseModel):
    """How the fill stands after it. `must_stop` is true above what the gauge may show, and for a leak."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    is_kept: bool
    stop: KeyedPressure
    is_reached: bool
    must_stop: bool
    remarks: tuple[Annotated[str, StringConstraints(max_length=500)], ...]


@router.post(
    "/api/visits/{visit_id}/readings",
    tags=["node"],
    summary="A gauge says what it shows while a fill runs",
    responses={401: {"model": Problem}, 409: {"model": Problem}, 422: {"model": Problem}},
)
def take_reading(visit_id: UUID, sent: GaugeReading, node: TheNode, session: SignedIn) -> FillNow:
    """409 where nothing is being filled, and for a blend: then the gauge may stop sending."""
    visit = node.desk.visit(visit_id)
    if visit is None or not visit.is_filling:
        raise Refused([Reason("fill.not-filling", "Nothing is being filled in that visit.")])
    if visit.blending is not None:
        # Each step ends at a gauge of its own, far below the end of the fill: no answer here may say "go on" past it.
        words = "A blend goes by what is keyed after each step: stop at the gauge on its page."
        raise Refused([Reason("fill.blending", words)])
    is_kept = _tells(visit, sent.reading, node.floor.now())
    if is_kept:
        command = c.TakeReading(key=sent.key, visit_id=visit_id, reading=sent.reading)
        node.desk.handle(command, session.person.actor)
    found = gauge(node.desk.visit(visit_id) or visit, policy=node.settings.policy, tz=node.settings.tz)
    return FillNow(
        is_kept=is_kept,
        stop=found.stop,
        is_reached=found.is_reached,
        must_stop=bool(found.above) or found.is_leaking,
        remarks=found.remarks,
    )


def _tells(visit: Visit, reading: KeyedPressure, now: dt.datetime) -> bool:
    """Long enough after the last one; or it falls, or it is the first above what the gauge may show, or the first at its end."""
    if not visit.readings or now - visit.readings[-1].at >= APART:
        return True
    before, shown, most = visit.readings[-1].pressure.pressure, reading.pressure, most_on_gauge(visit)
    if shown.bar < before.bar - ONE_MARK.bar:
        return True
    return most is not None and shown.is_above(most) and not before.is_above(most)
