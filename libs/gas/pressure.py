"""One gauge pressure as it was stamped or keyed: owns the two units of the trade and how they compare.

It must never lose the unit a person read, and never decide whether a pressure is allowed: that is the rulebook's.
"""

import math
from dataclasses import dataclass
from typing import Literal

Unit = Literal["psi", "bar"]

# 1 psi = 6894.757 293 Pa (international avoirdupois pound, 9.806 65 m/s², inch of 25.4 mm), so 1 bar = 14.503 773 8 psi.
PSI_PER_BAR = 14.5037738
PASCAL_PER_BAR = 100_000.0

# Past this a number cannot be a reading of any gauge; it also keeps every conversion finite.
HIGHEST_PASCAL = 10_000 * PASCAL_PER_BAR

# Two pressures closer than this are one pressure: it is float noise of a conversion, far below what any gauge shows.
SAME_WITHIN_PASCAL = 1.0

# A stamp in bar runs from 100 to 330 for breathing gas (124 to 310 bar are in use), so the same figure with "psi"
# is suspect, and a figure above 330 with "bar" is. Common practice, no source.
LOWEST_USUAL_BAR = 100.0
HIGHEST_USUAL_BAR = 330.0


@dataclass(frozen=True)
class Pressure:
    """A gauge pressure. Equality is as keyed (207 bar is not 3002 psi); compare with `is_above`, `is_below`, `is_same`."""

    value: float
    unit: Unit

    def __post_init__(self) -> None:
        if self.unit not in ("psi", "bar"):
            raise ValueError(f"a pressure is in psi or bar, not {self.unit!r}")
        if not math.isfinite(self.value):
            raise ValueError("a pressure must be a number")
        if self.value < 0:
            raise ValueError("a gauge pressure cannot be below zero")
        # Adding 0.0 turns an int into a float and -0.0 into 0.0, so that equal readings are stored alike.
        object.__setattr__(self, "value", self.value + 0.0)
        if self.pascal > HIGHEST_PASCAL * (1 + 1e-9):
            raise ValueError(f"{self.value:g} {self.unit} is more than any gauge shows: read it again")

    @property
    def bar(self) -> float:
        return self.value if self.unit == "bar" else self.value / PSI_PER_BAR

    @property
    def psi(self) -> float:
        return self.value if self.unit == "psi" else self.value * PSI_PER_BAR

    @property
    def pascal(self) -> float:
        return self.bar * PASCAL_PER_BAR

    def twin(self) -> "Pressure":
        """The same pressure in the other unit, not rounded."""
        return Pressure(self.bar, "bar") if self.unit == "psi" else Pressure(self.psi, "psi")

    def times(self, factor: float) -> "Pressure":
        return Pressure(self.value * factor, self.unit)

    def is_above(self, other: "Pressure") -> bool:
        return self.pascal - other.pascal > SAME_WITHIN_PASCAL

    def is_below(self, other: "Pressure") -> bool:
        return other.is_above(self)

    def is_same(self, other: "Pressure") -> bool:
        return not self.is_above(other) and not self.is_below(other)

    def words(self) -> str:
        """As a person says it: whole psi; bar whole, or with one decimal where there is one. No thousands comma."""
        if self.unit == "bar" and round(self.value, 1) != round(self.value):
            return f"{self.value:.1f} bar"
        return f"{self.value:.0f} {self.unit}"

    def words_in_both(self) -> str:
        """'3000 psi (207 bar)'. The figure in brackets is rounded for reading; only the first one was keyed."""
        twin = self.twin()
        return f"{self.words()} ({twin.value:.0f} {twin.unit})"


def odd_unit_question(pressure: Pressure) -> str | None:
    """What to ask when a rating, target or end pressure looks keyed in the wrong unit. Asks, never refuses.

    Not for a residual: a cylinder may well come in with 200 psi.
    """
    if pressure.unit == "psi" and LOWEST_USUAL_BAR <= pressure.value <= HIGHEST_USUAL_BAR:
        return f"{pressure.words()} is low for a rating. Is the stamp in bar?"
    if pressure.unit == "bar" and pressure.value > HIGHEST_USUAL_BAR:
        return f"{pressure.words()} is more than any usual rating. Is the stamp in psi?"
    return None
