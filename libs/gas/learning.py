"""What a shop's own settled readings say about the heat model: one factor on the rise in temperature that it foresees.

Two gauges and a temperature tell how warm the gas really was when the fill was stopped. It must never correct more than its readings
can bear: a few pull the factor only part of the way, and the doubt that is left stays in every estimate.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median, pstdev
from typing import Final

from gas.estimate import Method
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import AbsolutePressure, Temperature
from gas.states import mol_per_m3, temperature_of

# How far off a rise may be before anybody has checked it. A guess, and the reason why the gauge to stop at is a low one.
UNCHECKED_WITHIN_FRACTION: Final = 0.4
CHECKED_WITHIN_FRACTION: Final = 0.15
LEAST_RISE_WITHIN_KELVIN: Final = 3.0

# The model's own word counts as much as so many readings, and below as many nothing is corrected at all.
WEIGHT_OF_MODEL: Final = 3
LEAST_READINGS: Final = 3

# A factor so many times further from the middle one than the usual distance is a reading that went wrong. Our choice; the
# usual distance is never taken to be below what gauge and probe blur.
ODD_DISTANCES: Final = 4.0
LEAST_DISTANCE: Final = 0.1

# A rise below this says nothing about a factor; one beyond these bounds is a reading that went wrong.
LEAST_RISE_KELVIN: Final = 4.0
LEAST_FACTOR: Final = 0.2
MOST_FACTOR: Final = 2.5


@dataclass(frozen=True)
class SettledReading:
    """One finished fill: what the model foresaw, where the gauge was stopped, and what it read once it had settled."""

    mix: Mix
    foreseen_rise_kelvin: float
    start_at: Temperature
    stopped: Pressure
    settled: Pressure
    settled_at: Temperature


@dataclass(frozen=True)
class Correction:
    """A factor on the foreseen rise, how far off the corrected rise may be, and how many readings stand behind it."""

    rise_factor: float
    within_fraction: float
    readings: int

    @property
    def method(self) -> Method:
        if self.readings < LEAST_READINGS:
            return "heat model, never checked against a measured fill"
        return "heat model, corrected by settled readings here"

    def within_kelvin(self, rise_kelvin: float) -> float:
        return max(LEAST_RISE_WITHIN_KELVIN, self.within_fraction * abs(rise_kelvin))


UNCORRECTED: Final = Correction(1.0, UNCHECKED_WITHIN_FRACTION, 0)


def correction(readings: Sequence[SettledReading]) -> Correction:
    """What the readings so far say together. Those that no physics explains are left out and not counted; so is an odd one."""
    factors = _together([factor for reading in readings if (factor := _factor(reading)) is not None])
    if len(factors) < LEAST_READINGS:
        return Correction(1.0, UNCHECKED_WITHIN_FRACTION, len(factors))
    whole = (WEIGHT_OF_MODEL + fmean(factors) * len(factors)) / (WEIGHT_OF_MODEL + len(factors))
    spread = pstdev(factors) / whole
    doubt = UNCHECKED_WITHIN_FRACTION * WEIGHT_OF_MODEL / (WEIGHT_OF_MODEL + len(factors))
    return Correction(whole, max(CHECKED_WITHIN_FRACTION, 2 * spread, doubt), len(factors))


def _together(factors: Sequence[float]) -> list[float]:
    """All but those far from the middle one: one mad reading must not move the rest."""
    if len(factors) < LEAST_READINGS:
        return list(factors)
    middle = median(factors)
    usual = max(LEAST_DISTANCE, median(abs(factor - middle) for factor in factors))
    return [factor for factor in factors if abs(factor - middle) <= ODD_DISTANCES * usual]


def _factor(reading: SettledReading) -> float | None:
    if reading.foreseen_rise_kelvin < LEAST_RISE_KELVIN:
        return None
    density = mol_per_m3(reading.mix, AbsolutePressure.of_gauge(reading.settled), reading.settled_at)
    try:
        was = temperature_of(reading.mix, density, AbsolutePressure.of_gauge(reading.stopped))
    except ValueError:
        return None
    factor = (was.kelvin - reading.start_at.kelvin) / reading.foreseen_rise_kelvin
    return factor if LEAST_FACTOR <= factor <= MOST_FACTOR else None
