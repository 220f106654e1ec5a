"""A fill that was planned, and what it came to once it had cooled.

A second version of the start of a fill, not another field of the first: what was stored stays as it was. Whatever the plan
foresees is an estimate and is named as one; nothing here may be taken for a reading but what a person keyed.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from cylinder.facts.shape import VisitFact
from cylinder.facts.visit import FillAuthorised
from cylinder.marks import GasWanted, KeyedPressure

Number = Annotated[float, Field(allow_inf_nan=False)]


class FillPlanned(BaseModel):
    """What was known before the valve opened, the gauge to stop at, and what that was expected to come to.

    `room_c` and `volume_litre` are None where nobody could say; then no warming is counted, and nothing is foreseen of it.
    Pressures named `settles…` are at 21 °C.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    room_c: Number | None
    volume_litre: Number | None
    rate_bar_per_min: Number
    stop: KeyedPressure
    minutes: Number
    rise_kelvin: Number | None = None
    rise_within_kelvin: Number | None = None
    settles_to_bar: Number | None = None
    settles_within_bar: Number | None = None
    top_off: KeyedPressure | None = None
    learnt_from: Annotated[int, Field(ge=0)] = 0
    """So many settled readings of this shop had corrected the estimate by then."""

    @property
    def is_at_known_temperature(self) -> bool:
        """Somebody read a thermometer, so the gauge to stop at is a limit and not only advice."""
        return self.room_c is not None


class FillAuthorisedByPlan(FillAuthorised):
    """The fill may start, to this plan."""

    V = 2
    plan: FillPlanned


class SettledRead(VisitFact):
    """The gauge of a filled cylinder once it had cooled, with the temperature of its wall.

    `came_to_bar` is the same at 21 °C. `foreseen_bar` is what the uncorrected heat model makes of this fill, at 21 °C too;
    it and the rise are None where the fill was not planned with a size and a temperature.
    """

    KIND = "visit.settled_read"
    settled: KeyedPressure
    wall_c: Number
    stopped: KeyedPressure
    gas: GasWanted
    came_to_bar: Number
    room_c: Number | None = None
    foreseen_rise_kelvin: Number | None = None
    foreseen_bar: Number | None = None
