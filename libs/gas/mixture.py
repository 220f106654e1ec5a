"""What is in the gas, as fractions of one: owns the checks on a mixture and the words for it.

It must never say whether a mixture is fit to breathe: an analysis and the rulebook do.
"""

import math
from dataclasses import dataclass

# Breathing air carries 20 to 22 % oxygen by CGA G-7.1 Grade E (as tabulated by an air laboratory, 2011); EN 144-3 (second-hand)
# speaks of nitrox above 22 %. Within that band the words are "Air", whatever decimals the analyser showed.
AIR_LOWEST_OXYGEN_FRACTION = 0.20
AIR_HIGHEST_OXYGEN_FRACTION = 0.22

_SLACK = 1e-9


@dataclass(frozen=True)
class Mix:
    """Oxygen and helium by volume; the rest is nitrogen with the argon of air."""

    oxygen_fraction: float
    helium_fraction: float = 0.0

    def __post_init__(self) -> None:
        for name, fraction in (("oxygen", self.oxygen_fraction), ("helium", self.helium_fraction)):
            if not math.isfinite(fraction):
                raise ValueError(f"the {name} fraction must be a number")
            if not 0.0 <= fraction <= 1.0:
                raise ValueError(f"the {name} fraction is between 0 and 1, not {fraction:g}: 32 % is 0.32")
        object.__setattr__(self, "oxygen_fraction", self.oxygen_fraction + 0.0)
        object.__setattr__(self, "helium_fraction", self.helium_fraction + 0.0)
        if self.oxygen_fraction + self.helium_fraction > 1.0 + _SLACK:
            raise ValueError("oxygen and helium together are more than the whole gas")

    @property
    def nitrogen_fraction(self) -> float:
        """The balance, argon counted in."""
        return max(0.0, 1.0 - self.oxygen_fraction - self.helium_fraction)

    def words(self) -> str:
        oxygen, helium = _percent(self.oxygen_fraction), _percent(self.helium_fraction)
        if self.helium_fraction > 0:
            if self.oxygen_fraction == 0 and self.nitrogen_fraction <= _SLACK:
                return "Helium"
            name = "Trimix" if self.nitrogen_fraction > _SLACK else "Heliox"
            return f"{name} {oxygen}/{helium}"
        if self.oxygen_fraction > 1.0 - _SLACK:
            return "Oxygen"
        if self.oxygen_fraction > AIR_HIGHEST_OXYGEN_FRACTION + _SLACK:
            return f"Nitrox {oxygen} %"
        if self.oxygen_fraction >= AIR_LOWEST_OXYGEN_FRACTION - _SLACK:
            return "Air"
        return f"Low-oxygen mix {oxygen} %"


AIR = Mix(0.209)


def _percent(fraction: float) -> str:
    """One decimal where there is one: '32', '32.1'."""
    return f"{round(fraction * 100, 1):g}"
