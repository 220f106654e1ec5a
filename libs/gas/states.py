"""What a cylinder really holds and what its gauge shows warmer or colder: real-gas states, in the types of this package.

It must never take a bare number for a pressure or a temperature, and never permit a fill: it says what a gauge means.
"""

from __future__ import annotations

import math
from typing import Final

from gas import engine
from gas.estimate import EstimatedPressure
from gas.mixture import Mix
from gas.pressure import PASCAL_PER_BAR, Pressure, Unit
from gas.quantity import (
    ATMOSPHERE_PASCAL,
    HIGHEST_C,
    LOWEST_C,
    MOLAR_GAS_CONSTANT,
    AbsolutePressure,
    Amount,
    Temperature,
    in_unit,
)

# How far a density may be off. The largest difference from GERG-2008 to 300 bar, as `make gas-report` prints it, rounded up:
# the two share no fit for helium with oxygen, because nobody has made one.
WITHOUT_HELIUM_FRACTION: Final = 0.002
WITH_HELIUM_FRACTION: Final = 0.004

# What a probe on the wall misses of the gas inside. Common practice, no source.
PROBE_WITHIN_KELVIN: Final = 3.0

# A litre of water capacity below this is no cylinder, and above it no scuba cylinder nor bank bottle.
LEAST_LITRE: Final = 0.1
MOST_LITRE: Final = 1000.0

_ROUNDS = 80


def model_fraction(mix: Mix) -> float:
    """How far a density of this mixture may be off, as a fraction of it."""
    return WITH_HELIUM_FRACTION if mix.helium_fraction > 0 else WITHOUT_HELIUM_FRACTION


def mol_per_m3(mix: Mix, pressure: AbsolutePressure, at: Temperature) -> float:
    """Density. ValueError above 1000 bar."""
    return engine.density(mix, pressure.pascal, at.kelvin) if pressure.pascal > 0 else 0.0


def pressure_at(mix: Mix, mol_per_m3: float, at: Temperature) -> AbsolutePressure:
    """The pressure of that density: the inverse of `mol_per_m3`."""
    return AbsolutePressure(engine.pascal(mix, mol_per_m3, at.kelvin) if mol_per_m3 > 0 else 0.0)


def temperature_of(mix: Mix, mol_per_m3: float, pressure: AbsolutePressure) -> Temperature:
    """How warm gas of that density is that has that pressure. ValueError where no `Temperature` is."""
    low, high = Temperature.of_c(LOWEST_C).kelvin, Temperature.of_c(HIGHEST_C).kelvin
    below = engine.pascal(mix, mol_per_m3, low) - pressure.pascal
    above = engine.pascal(mix, mol_per_m3, high) - pressure.pascal
    if below > 0 or above < 0:
        raise ValueError(f"no temperature explains {pressure.bar:.0f} bar of so much gas: a reading is wrong")
    for _ in range(_ROUNDS):  # Pressure is all but straight over temperature: three rounds do.
        found = (low * above - high * below) / (above - below)
        off = engine.pascal(mix, mol_per_m3, found) - pressure.pascal
        if abs(off) < 1.0:
            return Temperature(found)
        low, below, high, above = (found, off, high, above) if off < 0 else (low, below, found, off)
    return Temperature((low + high) / 2)


def compressibility(mix: Mix, pressure: AbsolutePressure, at: Temperature) -> float:
    """Z = p/(ρRT): what the ideal-gas law would have to be multiplied by."""
    return pressure.pascal / (mol_per_m3(mix, pressure, at) * MOLAR_GAS_CONSTANT * at.kelvin)


def contained(
    mix: Mix,
    read: Pressure,
    at: Temperature,
    *,
    volume_litre: float,
    ambient_pascal: float = ATMOSPHERE_PASCAL,
) -> Amount:
    """All gas in a cylinder whose gauge reads so: at zero it still holds one atmosphere."""
    absolute = AbsolutePressure.of_gauge(read, ambient_pascal)
    return Amount(mix, mol_per_m3(mix, absolute, at) * cubic_metre(volume_litre))


def gauge_of(
    amount: Amount,
    at: Temperature,
    *,
    volume_litre: float,
    unit: Unit,
    ambient_pascal: float = ATMOSPHERE_PASCAL,
) -> Pressure:
    """What the gauge of a cylinder shows that holds so much: the inverse of `contained`."""
    absolute = pressure_at(amount.mix, amount.mol / cubic_metre(volume_litre), at)
    return absolute.gauge(unit, ambient_pascal)


def at_temperature(read: Pressure, mix: Mix, *, at: Temperature, then: Temperature) -> Pressure:
    """What a closed cylinder's gauge, read at one temperature, shows at another: same density, no estimate of either."""
    density = mol_per_m3(mix, AbsolutePressure.of_gauge(read), at)
    return pressure_at(mix, density, then).gauge(read.unit)


def settled(
    read: Pressure,
    mix: Mix,
    *,
    gas: Temperature,
    reference: Temperature,
    gas_within_kelvin: float = PROBE_WITHIN_KELVIN,
) -> EstimatedPressure:
    """The gauge once gas read at `gas` has come to `reference`. `gas_within_kelvin`: how well that is known."""
    return _rescaled(read, mix, gas, reference, gas_within_kelvin)


def hot_gauge(
    rated: Pressure,
    mix: Mix,
    *,
    reference: Temperature,
    gas: Temperature,
    gas_within_kelvin: float = PROBE_WITHIN_KELVIN,
) -> EstimatedPressure:
    """The gauge at `gas` of what will settle to `rated` at `reference`: the inverse of `settled`."""
    return _rescaled(rated, mix, reference, gas, gas_within_kelvin)


def cubic_metre(volume_litre: float) -> float:
    """ValueError for what is no cylinder."""
    if not LEAST_LITRE <= volume_litre <= MOST_LITRE:
        raise ValueError(
            f"a water capacity is between {LEAST_LITRE:g} and {MOST_LITRE:g} litres, not {volume_litre:g}"
        )
    return volume_litre / 1000


def _rescaled(
    read: Pressure, mix: Mix, at: Temperature, then: Temperature, within_kelvin: float
) -> EstimatedPressure:
    absolute = AbsolutePressure.of_gauge(read)
    density = mol_per_m3(mix, absolute, at)
    if density == 0:
        raise ValueError("a vacuum has no temperature to settle to")
    result = pressure_at(mix, density, then)
    slope = (result.pascal - absolute.pascal) / (then.kelvin - at.kelvin) if then != at else 0.0
    if slope <= 0:
        slope = result.pascal / then.kelvin
    # An error of the equation enters twice, there and back, and so all but cancels: what is left is its share of the change.
    of_equation = model_fraction(mix) * abs(result.pascal - absolute.pascal)
    within = math.hypot(slope * within_kelvin, of_equation) / PASCAL_PER_BAR
    return EstimatedPressure(
        result.gauge(read.unit), in_unit(Pressure(within, "bar"), read.unit), "real-gas equation"
    )
