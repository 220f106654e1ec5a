"""What a gauge shows when the gas is warmer or colder: for now by the ideal-gas law alone, and every answer says so.

It must never be taken as a permission to fill. At scuba pressures the real gas answers more strongly to heat than the ideal law
says: air read as 232 bar at 45 °C settles at 21 °C to 207.5 bar by real-gas states (multi-fluid Helmholtz equations,
air of Lemmon et al. 2000), while this file says 214.4. So `settled` says too much, and `gauge_at_temperature` says too
little for warm gas and **too much for cold gas**. A real-gas engine takes this file's place later.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

from gas.pressure import Pressure

ZERO_C_IN_KELVIN: Final = 273.15
ATMOSPHERE_BAR: Final = 1.01325  # standard atmosphere, exact by definition (10th CGPM, 1954)

# 70 °F, the reference of 49 CFR 173.301a(c), 2015 edition; the paragraph itself says 21 °C.
REFERENCE_C_70_F: Final = (70 - 32) / 1.8

# Gas in a filled cylinder is nowhere near these; outside them a temperature was keyed wrongly.
LOWEST_C: Final = -60.0
HIGHEST_C: Final = 200.0


@dataclass(frozen=True)
class Estimate:
    """A computed gauge that names its method wherever it is shown."""

    gauge: Pressure
    method: Literal["ideal gas"]

    def words(self) -> str:
        return f"about {self.gauge.words()} ({self.method} estimate)"


def gauge_at_temperature(rated: Pressure, reference_c: float, gas_c: float) -> Estimate:
    """The gauge, in the unit of `rated`, that gas filling `rated` at `reference_c` shows at `gas_c` (both °C).

    p2 + 1 atm = (p1 + 1 atm)·T2/T1 in kelvin. Ideal gas, an estimate: too low for gas warmer than the reference, too high
    for gas colder, so below the reference it must not be used as a target. ValueError outside −60 … 200 °C.
    """
    return _rescaled(rated, reference_c, gas_c)


def settled(read: Pressure, gas_c: float, reference_c: float) -> Estimate:
    """The gauge, in the unit of `read`, once gas read at `gas_c` has come to `reference_c` (both °C).

    Ideal gas, an estimate: for cooling gas it overstates what is left (module docstring). ValueError outside −60 … 200 °C.
    """
    return _rescaled(read, gas_c, reference_c)


def _rescaled(pressure: Pressure, from_c: float, to_c: float) -> Estimate:
    absolute_bar = (pressure.bar + ATMOSPHERE_BAR) * _kelvin(to_c) / _kelvin(from_c)
    in_bar = Pressure(max(0.0, absolute_bar - ATMOSPHERE_BAR), "bar")
    return Estimate(in_bar if pressure.unit == "bar" else in_bar.twin(), "ideal gas")


def _kelvin(celsius: float) -> float:
    if not math.isfinite(celsius) or not LOWEST_C <= celsius <= HIGHEST_C:
        raise ValueError(f"a gas temperature is between {LOWEST_C:g} and {HIGHEST_C:g} °C, not {celsius:g}")
    return celsius + ZERO_C_IN_KELVIN
