"""A blend worked out for programs: the sheet of `/blend` as JSON. The same session, the same refusals; nothing is recorded."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from branch import gas_engine
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.blend_view import CAUTIONS
from branch.web.problems import Problem
from cylinder.decide.blend_rules import Blender, Vessel, judged
from cylinder.gases import BlendQuestion, ValveKind
from cylinder.marks import KeyedPressure
from cylinder.way import Step, Way, keyed

router = APIRouter()
_REFUSALS: dict[int | str, dict[str, object]] = {
    401: {"model": Problem, "description": "Nobody is signed in on this device"},
    409: {"model": Problem, "description": "No plan, with every reason"},
    422: {"model": Problem, "description": "Not understood, with every fault"},
}


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class BlendAskedDocument(_Document):
    """The question, and the cylinder as it was read. `is_oxygen_clean`: cylinder and valve, by record; null is not known."""

    question: BlendQuestion
    spec: Annotated[str, StringConstraints(max_length=24)] = ""
    valve: ValveKind
    is_oxygen_clean: bool | None = None


class BlendStepDocument(_Document):
    """One step. `until` is rounded down; `ideal` is what an ideal gas would show and is never to be filled by."""

    does: Literal["bleed", "add"]
    gas: str
    mix: str
    until: KeyedPressure
    at_c: float
    free_litre: float
    cost: float
    ideal: KeyedPressure | None


class BlendDocument(_Document):
    """A plan. Every figure is an estimate; the analysis decides."""

    steps: tuple[BlendStepDocument, ...]
    predicted: str
    oxygen_percent: float
    helium_percent: float
    settles_to: KeyedPressure
    cost: float
    shares: dict[str, float] = Field(default_factory=dict)
    cautions: tuple[str, ...]


@router.post("/api/blend", tags=["node"], summary="Work out a blend", responses=_REFUSALS)
def plan_blend(asked: BlendAskedDocument, node: TheNode, session: SignedIn) -> BlendDocument:
    """Nothing is recorded. 409 when it cannot be done or must not be done; the nearest mix stands among the reasons."""
    gas_engine.wait_until_warm()
    vessel = Vessel(asked.spec, asked.valve, asked.is_oxygen_clean)
    blender = Blender(node.gases.trained().get(session.person.actor.id), node.desk.today())
    return _document(judged(node.desk.rules, asked.question, vessel, blender))


def _document(way: Way) -> BlendDocument:
    return BlendDocument(
        steps=tuple(_step(step) for step in way.steps),
        predicted=way.predicted,
        oxygen_percent=round(way.mix.oxygen_fraction * 100, 2),
        helium_percent=round(way.mix.helium_fraction * 100, 2),
        settles_to=keyed(way.settles_to),
        cost=round(way.cost, 2),
        shares={name: round(share, 4) for name, share in way.shares},
        cautions=(*way.cautions, *CAUTIONS),
    )


def _step(step: Step) -> BlendStepDocument:
    return BlendStepDocument(
        does=step.does,
        gas=step.gas,
        mix=step.mix.words(),
        until=keyed(step.until),
        at_c=round(step.at.c, 1),
        free_litre=round(step.free_litre, 1),
        cost=round(step.cost, 2),
        ideal=None if step.ideal is None else keyed(step.ideal),
    )
