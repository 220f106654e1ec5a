"""How long a diver may breathe oxygen at a pressure, and how dense a gas is at depth: tables and plain arithmetic.

It must never read a table towards danger: between two lines the shorter time holds, past the last line there is none. Limits are advice
for a trained diver who plans with them; nothing here plans a dive.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

from gas.depth import FSW_PER_ATM, MSW_PER_ATM
from gas.mixture import Mix
from gas.quantity import ATMOSPHERE_PASCAL, MOLAR_GAS_CONSTANT, ZERO_C_IN_KELVIN, kg_per_mol

_FLOAT_NOISE = 1e-9


@dataclass(frozen=True)
class ExposureLimit:
    """At that oxygen pressure: minutes in one dive, and in 24 hours."""

    oxygen_atm: float
    single_min: int
    day_min: int


# NOAA Diving Manual, oxygen exposure limits for working dives, as a dive computer's manual reproduces them (second-hand).
EXPOSURE_LIMITS: Final = (
    ExposureLimit(0.6, 720, 720),
    ExposureLimit(0.7, 570, 570),
    ExposureLimit(0.8, 450, 450),
    ExposureLimit(0.9, 360, 360),
    ExposureLimit(1.0, 300, 300),
    ExposureLimit(1.1, 240, 270),
    ExposureLimit(1.2, 210, 240),
    ExposureLimit(1.3, 180, 210),
    ExposureLimit(1.4, 150, 180),
    ExposureLimit(1.5, 120, 180),
    ExposureLimit(1.6, 45, 150),
)

# Advice for divers at rest and at work, g/L, from memory of the paper on gas density by Anthony and Mitchell (2016): easy up to
# the first, not planned above the second.
EASY_G_PER_LITRE: Final = 5.2
HARD_G_PER_LITRE: Final = 6.2
Ease = Literal["easy", "laboured", "too dense"]


def exposure_limit(oxygen_atm: float) -> ExposureLimit | None:
    """The line of the table that holds at that pressure, the next one up; None below 0.6 ATA, where the table sets no limit.

    Raises ValueError above 1.6 ATA: no time there is short enough.
    """
    if not math.isfinite(oxygen_atm) or oxygen_atm < 0:
        raise ValueError("an oxygen pressure is a number and not below zero")
    if oxygen_atm < EXPOSURE_LIMITS[0].oxygen_atm - _FLOAT_NOISE:
        return None
    for limit in EXPOSURE_LIMITS:
        if oxygen_atm <= limit.oxygen_atm + _FLOAT_NOISE:
            return limit
    raise ValueError(
        f"{oxygen_atm:.2f} ATA of oxygen is past {EXPOSURE_LIMITS[-1].oxygen_atm} ATA, the end of the table"
    )


def share_of_single_limit(oxygen_atm: float, minutes: float) -> float:
    """The part of the single limit that so many minutes use up: 1.0 is all of it. The table's own addition, by fractions.

    Zero below 0.6 ATA. Errors: `exposure_limit`.
    """
    if not math.isfinite(minutes) or minutes < 0:
        raise ValueError("a time is a number and not below zero")
    limit = exposure_limit(oxygen_atm)
    return 0.0 if limit is None else minutes / limit.single_min


def density_g_per_litre_at_m(mix: Mix, depth_m: float, gas_c: float = 0.0) -> float:
    """How dense the gas is that a diver breathes there, g/L = M·p/(R·T), p = (D/10 + 1) atm.

    At 0 °C unless told otherwise, the convention of the advisory limits. The ideal-gas law is good to 1 % at these pressures.
    """
    return _density(mix, depth_m / MSW_PER_ATM + 1, depth_m, gas_c)


def density_g_per_litre_at_ft(mix: Mix, depth_ft: float, gas_c: float = 0.0) -> float:
    """As `density_g_per_litre_at_m`, p = (D/33 + 1) atm."""
    return _density(mix, depth_ft / FSW_PER_ATM + 1, depth_ft, gas_c)


def ease(density_g_per_litre: float) -> Ease:
    """What the advisory limits say of that density."""
    if not density_g_per_litre <= HARD_G_PER_LITRE:
        return "too dense"
    return "easy" if density_g_per_litre <= EASY_G_PER_LITRE else "laboured"


def _density(mix: Mix, atm: float, depth: float, gas_c: float) -> float:
    if not math.isfinite(depth) or depth < 0:
        raise ValueError("a depth is a number, zero at the surface and growing downwards")
    if not -10 <= gas_c <= 60:
        raise ValueError(f"a breathed gas is between −10 and 60 °C, not {gas_c:g}")
    return kg_per_mol(mix) * atm * ATMOSPHERE_PASCAL / (MOLAR_GAS_CONSTANT * (gas_c + ZERO_C_IN_KELVIN))
