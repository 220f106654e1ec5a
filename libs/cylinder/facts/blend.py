"""A blend in the course of a visit: what was planned from which measurement, what each step came to, what was taken back."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from cylinder.facts.shape import GrownFact, VisitFact
from cylinder.gases import BlendQuestion, Celsius, Percent, ValveKind
from cylinder.marks import KeyedPressure

Words = Annotated[str, StringConstraints(max_length=500)]
Follows = Literal["start", "step", "analysis"]
"""What a plan rests on: the residual as analysed, a step as read, an analysis in the middle."""


class PlannedStep(BaseModel):
    """One thing to do at the valve until the gauge reads so at that temperature."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    does: Literal["bleed", "add"]
    gas: Annotated[str, StringConstraints(max_length=80)] = ""
    oxygen_percent: Percent
    helium_percent: Percent = 0.0
    until: KeyedPressure
    at_c: Celsius


class BlendPlanned(GrownFact, VisitFact):
    """The steps that are left, worked out from what was measured. No step and no reason: the blend is done.

    `because` says why nothing leads on from here; then a person analyses what is in, and plans anew. `settles_to_bar` is
    what is in it by now, at 21 °C: an estimate from the question's gauge, temperature and mix.
    """

    KIND = "visit.blend_planned"
    ADDED: ClassVar[frozenset[str]] = frozenset({"settles_to_bar"})
    follows: Follows
    question: BlendQuestion
    valve: ValveKind
    steps: Annotated[tuple[PlannedStep, ...], Field(max_length=8)] = ()
    predicted: Words = ""
    because: tuple[Words, ...] = ()
    settles_to_bar: Annotated[float, Field(allow_inf_nan=False)] | None = None


class BlendStepDone(VisitFact):
    """What the gauge said, and how warm the cylinder was, once a step was done."""

    KIND = "visit.blend_step_done"
    step: PlannedStep
    read: KeyedPressure
    at_c: Celsius


class BlendReadingTakenBack(VisitFact):
    """The last plan rested on a figure that was keyed wrongly; the plan before it holds again. Both stay readable."""

    KIND = "visit.blend_reading_taken_back"
