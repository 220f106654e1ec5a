"""The depth aids as JSON, for programs: same figures, same reasons, same caution as the pages."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, ConfigDict

from branch.depth_aids import CAUTION, SEA_WATER, AidName, DepthAnswer, DepthAsked, aid_of, answer, unit_of
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.depth import usual_unit
from branch.web.problems import Problem, problem

router = APIRouter()
_Text = Annotated[str, Query(max_length=24)]


class FigureDocument(BaseModel):
    """One figure with its unit, rounded to the safe side."""

    model_config = ConfigDict(frozen=True)

    label: str
    value: float
    unit: str
    note: str


class DepthDocument(BaseModel):
    """An answer with the formula it follows, where that is written, and what must be said beside it."""

    model_config = ConfigDict(frozen=True)

    aid: AidName
    of: str
    figures: tuple[FigureDocument, ...]
    warnings: tuple[str, ...]
    formula: str
    water: str
    source: str
    caution: str


@router.get(
    "/api/depth/{aid}", tags=["depth"], summary="A sum about depth, with its formula and caution", response_model=DepthDocument,
    responses={401: {"model": Problem}, 422: {"model": Problem, "description": "Not understood, with every fault"}},
)  # fmt: skip
def depth_aid(
    aid: AidName, node: TheNode, session: SignedIn, unit: _Text = "", oxygen: _Text = "", helium: _Text = "",
    depth: _Text = "", limit: _Text = "", minutes: _Text = "",
) -> DepthDocument | Response:  # fmt: skip
    """Per cent, m or ft, ATA, minutes. `unit` is m or ft; without it the shop's own."""
    chosen = aid_of(aid)
    assert chosen is not None  # AidName lists them.
    asked = DepthAsked(unit, oxygen.strip(), helium.strip(), depth.strip(), limit.strip(), minutes.strip())
    in_unit = unit_of(asked, usual_unit(node))
    found = answer(chosen, asked, in_unit)
    if not isinstance(found, DepthAnswer):
        return problem(422, "Not understood", " ".join(reason.words for reason in found), found)
    figures = tuple(
        FigureDocument(label=line.label, value=line.value, unit=line.unit, note=line.note)
        for line in found.lines
    )
    return DepthDocument(
        aid=aid, of=found.head, figures=figures, warnings=found.warnings, formula=chosen.formula(in_unit), water=SEA_WATER,
        source=chosen.source, caution=CAUTION,
    )  # fmt: skip
