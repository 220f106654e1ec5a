"""What a blender works with: the gases that a shop has on hand, and the question that a blend answers. Shapes and bounds.

Pydantic, because a shop keeps its list, facts carry what was planned with, and a program may ask. What is in a cylinder is
measured or None; nothing here may stand in for a measurement.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from cylinder.marks import GasWanted, KeyedPressure
from gas.blend import Supply
from gas.mixture import Mix

Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Celsius = Annotated[float, Field(ge=-40, le=80, allow_inf_nan=False)]
"""Outside of this nobody stands in a fill bay with a thermometer."""
Litres = Annotated[float, Field(ge=0.5, le=400, allow_inf_nan=False)]
GasName = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40)]
Method = Literal["partial pressure", "banked mix", "continuous"]
METHODS: tuple[Method, ...] = ("partial pressure", "banked mix", "continuous")

ValveKind = Literal["yoke", "din 200", "din 300"]
VALVES_BAR: dict[ValveKind, float] = {"yoke": 232, "din 200": 232, "din 300": 300}
"""Yoke to 232 bar, threaded outlets for 232 and for 300 bar (from memory: EN 144-2, ISO 12209). The lower of valve and cylinder holds."""

MOST_GASES = 12
PURE_FRACTION = 0.99
"""From here on a gas is oxygen, or helium, and no mix. Common practice, no source."""


class _Shape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class GasOnHand(_Shape):
    """One gas of a shop. Without a pressure it comes from a compressor, or through a booster, and reaches any gauge.

    `price_per_m3` is in the shop's money for a cubic metre at one atmosphere and 21 °C.
    """

    name: GasName
    oxygen_percent: Percent
    helium_percent: Percent = 0.0
    pressure: KeyedPressure | None = None
    bottle_litre: Annotated[float, Field(ge=1, le=5000, allow_inf_nan=False)] | None = None
    price_per_m3: Annotated[float, Field(ge=0, le=10_000, allow_inf_nan=False)] = 0.0

    @model_validator(mode="after")
    def _is_one_gas(self) -> GasOnHand:
        if self.oxygen_percent + self.helium_percent > 100:
            raise ValueError(f"{self.name}: oxygen and helium together are more than 100 %")
        return self

    @property
    def mix(self) -> Mix:
        """What it is made of."""
        return Mix(self.oxygen_percent / 100, self.helium_percent / 100)

    @property
    def supply(self) -> Supply:
        """The same as a plan takes it."""
        read = self.pressure.pressure if self.pressure else None
        return Supply(self.name, self.mix, read, self.price_per_m3, self.bottle_litre)

    @property
    def is_banked_mix(self) -> bool:
        """Gas that was mixed before: neither oxygen, nor helium, nor what a compressor draws from outside."""
        is_pure = max(self.mix.oxygen_fraction, self.mix.helium_fraction) >= PURE_FRACTION
        return not is_pure and self.mix.words() != "Air"

    @property
    def words(self) -> str:
        """For example "Oxygen bank: Oxygen, 150 bar"."""
        stands = self.pressure.words if self.pressure else "any gauge (compressor or booster)"
        return f"{self.mix.words()}, {stands}"


class BlendQuestion(_Shape):
    """From what is in the cylinder to the wish. `end` settles at 21 °C and is at most `limit`; steps are read at `step_c`."""

    read: KeyedPressure
    cylinder_c: Celsius
    oxygen_percent: Percent | None
    helium_percent: Percent | None
    oxygen_within_percent: Percent = 1.0
    helium_within_percent: Percent = 1.0
    wish: GasWanted
    end: KeyedPressure
    limit: KeyedPressure
    step_c: Celsius
    volume_litre: Litres
    method: Method = "partial pressure"
    gases: Annotated[tuple[GasOnHand, ...], Field(max_length=MOST_GASES)]
