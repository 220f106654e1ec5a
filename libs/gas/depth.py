"""How deep a mixture goes: the sea-water formulas of diving manuals. Pure arithmetic in feet or metres of sea water.

It must never round a depth or a mixture towards danger, and never plan a dive: it fills in a label that the diver,
trained for the mixture and having analysed it, checks. One atmosphere is taken as 33 fsw or 10 msw, the manuals' convention.
"""

import math
from typing import Final

from gas.mixture import Mix

FSW_PER_ATM: Final = 33.0
MSW_PER_ATM: Final = 10.0

# The nitrogen of air in the EAD formula of the US Navy Diving Manual, chapter 10.
AIR_NITROGEN_FRACTION: Final = 0.79

# NOAA, 2015: planned maximum 1.4 ATA from 5 September 2015; 1.6 remains for decompression. OSHA 29 CFR 1910 Subpart T
# Appendix C: 1.40 ATA.
WORKING_OXYGEN_ATM: Final = 1.4
HIGHEST_OXYGEN_ATM: Final = 1.6

# Keeps 6.000000000000001 and 5.999999999999999 the same six metres before rounding down.
_FLOAT_NOISE = 1e-9


def mod_m(mix: Mix, oxygen_atm_max: float = WORKING_OXYGEN_ATM) -> float:
    """Maximum operating depth, msw = 10·(P/FO2 − 1). Exact; show `mod_m_shown`.

    P in ATA, FO2 a fraction. Source: Dalton's law as in 29 CFR 1910 Subpart T Appendix C and the NOAA Diving Manual.
    Raises ValueError without oxygen, for a limit outside 0 … 1.6 ATA, or where the limit is passed at the surface.
    """
    return _mod(mix, oxygen_atm_max, MSW_PER_ATM)


def mod_ft(mix: Mix, oxygen_atm_max: float = WORKING_OXYGEN_ATM) -> float:
    """Maximum operating depth, fsw = 33·(P/FO2 − 1). Exact; show `mod_ft_shown`. Units, errors, source: `mod_m`."""
    return _mod(mix, oxygen_atm_max, FSW_PER_ATM)


def mod_m_shown(mix: Mix, oxygen_atm_max: float = WORKING_OXYGEN_ATM) -> int:
    """`mod_m` rounded down to whole metres, the safe side."""
    return _floor(mod_m(mix, oxygen_atm_max))


def mod_ft_shown(mix: Mix, oxygen_atm_max: float = WORKING_OXYGEN_ATM) -> int:
    """`mod_ft` rounded down to whole feet, the safe side."""
    return _floor(mod_ft(mix, oxygen_atm_max))


def oxygen_atm_at_m(mix: Mix, depth_m: float) -> float:
    """Partial pressure of oxygen, ATA = FO2·(D/10 + 1), D in msw. Dalton's law."""
    return mix.oxygen_fraction * _ambient_atm(depth_m, MSW_PER_ATM)


def oxygen_atm_at_ft(mix: Mix, depth_ft: float) -> float:
    """Partial pressure of oxygen, ATA = FO2·(D/33 + 1), D in fsw. Dalton's law."""
    return mix.oxygen_fraction * _ambient_atm(depth_ft, FSW_PER_ATM)


def ead_m(mix: Mix, depth_m: float) -> float:
    """Equivalent air depth, msw = (1 − FO2)·(D + 10)/0.79 − 10, not below the surface.

    For nitrox only: helium raises ValueError (use `end_m`). Source: US Navy Diving Manual chapter 10, in metres.
    """
    return _ead(mix, depth_m, MSW_PER_ATM)


def ead_ft(mix: Mix, depth_ft: float) -> float:
    """Equivalent air depth, fsw = (1 − FO2)·(D + 33)/0.79 − 33, not below the surface.

    For nitrox only: helium raises ValueError (use `end_ft`). Source: US Navy Diving Manual chapter 10.
    """
    return _ead(mix, depth_ft, FSW_PER_ATM)


def end_m(mix: Mix, depth_m: float, *, oxygen_is_narcotic: bool = True) -> float:
    """Equivalent narcotic depth, msw = (1 − FHe)·(D + 10) − 10, or FN2·(D + 10)/0.79 − 10 with nitrogen alone counted.

    Source: the open encyclopedia's article "Equivalent narcotic depth". Not below the surface.
    """
    return _end(mix, depth_m, MSW_PER_ATM, oxygen_is_narcotic)


def end_ft(mix: Mix, depth_ft: float, *, oxygen_is_narcotic: bool = True) -> float:
    """Equivalent narcotic depth, fsw = (1 − FHe)·(D + 33) − 33, or FN2·(D + 33)/0.79 − 33. Source: see `end_m`."""
    return _end(mix, depth_ft, FSW_PER_ATM, oxygen_is_narcotic)


def best_oxygen_fraction_at_m(depth_m: float, oxygen_atm_max: float = WORKING_OXYGEN_ATM) -> float:
    """The richest mixture for a depth, FO2 = P/(D/10 + 1), at most 1. Exact; show `oxygen_percent_shown`. See `mod_m`."""
    return _best(depth_m, oxygen_atm_max, MSW_PER_ATM)


def best_oxygen_fraction_at_ft(depth_ft: float, oxygen_atm_max: float = WORKING_OXYGEN_ATM) -> float:
    """The richest mixture for a depth, FO2 = P/(D/33 + 1), at most 1.

    Source: 29 CFR 1910 Subpart T Appendix C, which takes 28 % for 130 fsw at 1.4 ATA. Show `oxygen_percent_shown`.
    """
    return _best(depth_ft, oxygen_atm_max, FSW_PER_ATM)


def oxygen_percent_shown(oxygen_fraction: float) -> int:
    """A best mixture rounded down to whole per cent, the safe side."""
    return _floor(oxygen_fraction * 100)


def _mod(mix: Mix, oxygen_atm_max: float, per_atm: float) -> float:
    _check_limit(oxygen_atm_max)
    if mix.oxygen_fraction <= 0:
        raise ValueError("a gas without oxygen has no operating depth")
    depth = per_atm * (oxygen_atm_max / mix.oxygen_fraction - 1)
    if depth < -_FLOAT_NOISE:
        raise ValueError(f"{mix.words()} is past {oxygen_atm_max:g} ATA of oxygen already at the surface")
    return max(0.0, depth)


def _ead(mix: Mix, depth: float, per_atm: float) -> float:
    if mix.helium_fraction > 0:
        raise ValueError(
            "an equivalent air depth is for nitrox; with helium use the equivalent narcotic depth"
        )
    _check_depth(depth)
    return max(0.0, (1 - mix.oxygen_fraction) * (depth + per_atm) / AIR_NITROGEN_FRACTION - per_atm)


def _end(mix: Mix, depth: float, per_atm: float, oxygen_is_narcotic: bool) -> float:
    _check_depth(depth)
    if oxygen_is_narcotic:
        return max(0.0, (1 - mix.helium_fraction) * (depth + per_atm) - per_atm)
    return max(0.0, mix.nitrogen_fraction * (depth + per_atm) / AIR_NITROGEN_FRACTION - per_atm)


def _best(depth: float, oxygen_atm_max: float, per_atm: float) -> float:
    _check_limit(oxygen_atm_max)
    return min(1.0, oxygen_atm_max / _ambient_atm(depth, per_atm))


def _ambient_atm(depth: float, per_atm: float) -> float:
    _check_depth(depth)
    return depth / per_atm + 1


def _check_depth(depth: float) -> None:
    if not math.isfinite(depth) or depth < 0:
        raise ValueError("a depth is a number, zero at the surface and growing downwards")


def _check_limit(oxygen_atm_max: float) -> None:
    if not 0 < oxygen_atm_max <= HIGHEST_OXYGEN_ATM:
        raise ValueError(
            f"an oxygen limit is above 0 and at most {HIGHEST_OXYGEN_ATM} ATA, not {oxygen_atm_max:g}"
        )


def _floor(value: float) -> int:
    return math.floor(value + _FLOAT_NOISE)
