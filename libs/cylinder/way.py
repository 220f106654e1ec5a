"""What a blend comes to: its steps, each with the gauge to stop at, and what they make. Figures only, no leave to blend."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor
from typing import Literal

from cylinder.gases import PURE_FRACTION
from cylinder.marks import KeyedPressure
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import Temperature


@dataclass(frozen=True)
class Step:
    """One thing to do at the valve, until the gauge reads so at that temperature. `ideal` is the ideal-gas gauge, to compare."""

    does: Literal["bleed", "add"]
    gas: str
    mix: Mix
    until: Pressure
    at: Temperature
    free_litre: float
    cost: float = 0.0
    ideal: Pressure | None = None


@dataclass(frozen=True)
class Way:
    """The steps to the wish. None left: what is in the cylinder is the wish, as far as a gauge can tell."""

    steps: tuple[Step, ...]
    predicted: str
    mix: Mix
    settles_to: Pressure
    richest: Mix
    cost: float = 0.0
    shares: tuple[tuple[str, float], ...] = ()
    ideal_makes: Mix | None = None
    cautions: tuple[str, ...] = ()

    @property
    def takes_pure_oxygen(self) -> bool:
        """Oxygen itself flows through the cylinder's valve."""
        return self.richest.oxygen_fraction >= PURE_FRACTION


def keyed(pressure: Pressure) -> KeyedPressure:
    """A gauge to stop at as it is shown and stored: whole psi, tenths of a bar, never rounded up."""
    tenths = 10 if pressure.unit == "bar" else 1
    return KeyedPressure(value=floor(pressure.value * tenths + 1e-6) / tenths, unit=pressure.unit)
