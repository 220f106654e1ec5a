"""The depth aids: one small sum a page, with its formula and its caution. Reads what was keyed; records nothing."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import Response

from branch.depth_aids import (
    AIDS,
    CAUTION,
    SEA_WATER,
    Aid,
    DepthAnswer,
    DepthAsked,
    DepthUnit,
    aid_of,
    answer,
    unit_of,
)
from branch.node import Node
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.render import render
from gas.exposure import EXPOSURE_LIMITS

router = APIRouter(include_in_schema=False)


@router.get("/depth")
def index(request: Request, node: TheNode, session: SignedIn) -> Response:
    """Every sum there is."""
    return render(request, "depth.html", title="Depth aids", session=session, aids=AIDS, caution=CAUTION)


@router.get("/depth/{name}")
def one(request: Request, name: str, node: TheNode, session: SignedIn) -> Response:
    """One sum. What was keyed stands in the address, so going back or sending it on loses nothing."""
    aid = aid_of(name)
    if aid is None:
        raise HTTPException(404)
    asked = asked_of(request)
    unit = unit_of(asked, usual_unit(node))
    found = answer(aid, asked, unit) if _is_asked(aid, asked) else None
    is_answer = isinstance(found, DepthAnswer)
    return render(
        request, "depth_aid.html", title=aid.title, session=session, aid=aid, asked=asked, unit=unit,
        formula=aid.formula(unit), answer=found if is_answer else None, reasons=() if is_answer else found or (),
        caution=CAUTION, sea_water=SEA_WATER, limits=EXPOSURE_LIMITS, status=200 if is_answer or found is None else 422,
    )  # fmt: skip


def asked_of(request: Request) -> DepthAsked:
    """The question as it stands in the address; what is too long to be a figure is cut."""
    at = request.query_params
    return DepthAsked(
        unit=at.get("unit", "")[:8], oxygen=_text(at.get("oxygen")), helium=_text(at.get("helium")),
        depth=_text(at.get("depth")), limit=_text(at.get("limit")), minutes=_text(at.get("minutes")),
    )  # fmt: skip


def usual_unit(node: Node) -> DepthUnit:
    """A shop that reads its gauges in bar measures depth in metres."""
    return "m" if node.settings.unit == "bar" else "ft"


def _text(value: str | None) -> str:
    return (value or "").strip()[:24]


def _is_asked(aid: Aid, asked: DepthAsked) -> bool:
    return any(getattr(asked, field) for field in aid.fields)
