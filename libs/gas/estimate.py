"""Figures that were computed, not read: each carries how it was come by and how far off it may be.

Owns the words for that. A gauge reading is a `Pressure`; where a function returns one of these instead, no page can show
the figure as if somebody had measured it. It must never be stored as a reading.
"""

from dataclasses import dataclass
from typing import Literal

from gas.pressure import Pressure
from gas.quantity import Temperature

Method = Literal[
    "real-gas equation",
    "heat model, never checked against a measured fill",
    "heat model, corrected by settled readings here",
]


@dataclass(frozen=True)
class EstimatedPressure:
    """A gauge that nobody has read. `within` is in the unit of `gauge`: the true one is rarely further off."""

    gauge: Pressure
    within: Pressure
    method: Method

    def words(self) -> str:
        return f"about {self.gauge.words()}, give or take {_up(self.within)} ({self.method})"


@dataclass(frozen=True)
class EstimatedTemperature:
    """A temperature that nobody has measured."""

    temperature: Temperature
    within_kelvin: float
    method: Method

    def words(self) -> str:
        return f"about {self.temperature.words()}, give or take {self.within_kelvin:.0f} °C ({self.method})"


def _up(within: Pressure) -> str:
    """Never rounded to nothing: an estimate that says ±0 lies."""
    return Pressure(max(1.0, within.value), within.unit).words()
