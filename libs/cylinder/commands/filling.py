"""What may be asked about a fill beyond its target: the conditions it is planned for, and what it came to."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from cylinder.commands.asked import VisitAsked
from cylinder.marks import KeyedPressure

Number = Annotated[float, Field(allow_inf_nan=False)]


class FillConditions(BaseModel):
    """What is known of room, cylinder and rate; None for what is not. `room_c` is the colder of room and cylinder."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    room_c: Number | None = None
    volume_litre: Number | None = None
    rate_bar_per_min: Number | None = None
    room_is_sure: bool = False
    """The person was asked whether it is really so hot, and says so."""


class ReadSettled(VisitAsked):
    """Key the gauge of a filled cylinder that has cooled, and how warm its wall is."""

    command: Literal["read_settled"] = "read_settled"
    settled: KeyedPressure
    wall_c: Number
