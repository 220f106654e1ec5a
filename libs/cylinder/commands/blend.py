"""What may be asked while a mix is blended in a visit."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from cylinder.commands.asked import VisitAsked
from cylinder.gases import MOST_GASES, Celsius, GasName, Litres, Method, Percent, ValveKind
from cylinder.marks import KeyedPressure


class PlanBlend(VisitAsked):
    """Start a blend: from the residual that was read and what it was analysed as (None: not measured) to the mix wanted.

    `end` settles at 21 °C. The gases are named as the shop lists them.
    """

    command: Literal["plan_blend"] = "plan_blend"
    oxygen_percent: Percent | None = None
    helium_percent: Percent | None = None
    cylinder_c: Celsius
    step_c: Celsius
    end: KeyedPressure
    volume_litre: Litres
    method: Method = "partial pressure"
    gases: Annotated[tuple[GasName, ...], Field(max_length=MOST_GASES)]
    valve: ValveKind


class DoBlendStep(VisitAsked):
    """The step is done: what the gauge says, and how warm the cylinder is."""

    command: Literal["do_blend_step"] = "do_blend_step"
    read: KeyedPressure
    at_c: Celsius


class PlanBlendAnew(VisitAsked):
    """What is in the cylinder now was analysed in the middle of a blend: plan from that."""

    command: Literal["plan_blend_anew"] = "plan_blend_anew"
    read: KeyedPressure
    at_c: Celsius
    oxygen_percent: Percent | None = None
    helium_percent: Percent | None = None


class TakeBackBlendReading(VisitAsked):
    """The last figure was keyed wrongly."""

    command: Literal["take_back_blend_reading"] = "take_back_blend_reading"
