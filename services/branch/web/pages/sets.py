"""Two cylinders on one manifold: join their visits, see how far both are, part them."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter
from starlette.responses import Response

from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.steps_frame import NOTHING, At, TheVisit, answer, asked, page
from cylinder import commands as c
from cylinder.decide.gates import STEP_WORDS
from cylinder.visit import Visit

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class Half:
    """One of the diver's cylinders on the floor, as the page lists it."""

    id: str
    tag: int
    serial: str
    rated: str
    at: str


@router.get("/visits/{visit_id}/set")
def show_set(at: TheVisit) -> Response:
    """The diver's other cylinders here, or the other half and the way to part them."""
    return _page(at)


@router.post("/visits/{visit_id}/set")
def join(at: TheVisit, form: Form) -> Response:
    """They stand on one manifold."""
    return answer(
        at, form, lambda: c.JoinSet.model_validate(asked(at, form, other_id=form.text("other_id"))), _page
    )


@router.post("/visits/{visit_id}/set/part")
def part(at: TheVisit, form: Form) -> Response:
    """They do not."""
    return answer(at, form, lambda: c.PartSet.model_validate(asked(at, form)), _page)


def _page(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    others = [one for one in at.around.open_visits if one.id != at.visit.id]
    mine = [one for one in others if one.diver_ref == at.visit.diver_ref and one.joined is None]
    half = next((one for one in others if one.id == at.visit.joined), None)
    is_read = at.visit.rating is not None
    return page(
        at, "set", trouble=trouble, kept=form, half=None if half is None else _half(half, is_read), is_set=at.visit.joined is not None,
        others=[_half(one, is_read) for one in mine],
    )  # fmt: skip


def _half(visit: Visit, is_read: bool) -> Half:
    """`is_read`: whether the rating of the cylinder in hand was read; before that the other one's would be copied."""
    return Half(
        id=str(visit.id),
        tag=visit.tag,
        serial=visit.marks.serial if visit.marks else "not identified yet",
        rated="rating not read yet"
        if visit.rating is None
        else visit.rating.rated.words
        if is_read
        else "its rating is read",
        at="done" if visit.step == "done" else STEP_WORDS[visit.step],
    )
