"""What is in a cylinder after gas was let in until the gauge read so: the other direction of a plan.

With it a blender's measured reading becomes the new starting point, and a wrong gauge target shows what it would have made.
It must never be told how much was added: only what the gauge said.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import MOLAR_GAS_CONSTANT, AbsolutePressure, Amount, Temperature
from gas.recipe import mixed
from gas.states import contained, cubic_metre, model_fraction, pressure_at

# ±1 % oxygen is what an analyser is trusted with (29 CFR 1910 Subpart T Appendix C 6(b): within 1 % of oxygen by volume);
# the same for helium is common practice, no source.
ANALYSER_WITHIN_FRACTION: Final = 0.01
READING_WITHIN: Final = Pressure(1, "bar")  # One mark of a good gauge. Common practice, no source.
TEMPERATURE_WITHIN_KELVIN: Final = 2.0  # Common practice, no source.

_ROUNDS: Final = 60
_CLOSE_PASCAL: Final = 1e-3


@dataclass(frozen=True)
class Contents:
    """What a cylinder holds: the gauge and the temperature as read, the mixture as analysed, never as assumed."""

    read: Pressure
    at: Temperature
    mix: Mix
    oxygen_within_fraction: float = ANALYSER_WITHIN_FRACTION
    helium_within_fraction: float = ANALYSER_WITHIN_FRACTION


def after_adding(
    before: Contents, added: Mix, *, volume_litre: float, read: Pressure, at: Temperature
) -> Contents:
    """What the cylinder holds once `added` was let in until the gauge read so at that temperature.

    ValueError where the gauge stands no higher than what was in accounts for: then something else happened.
    """
    held = contained(before.mix, before.read, before.at, volume_litre=volume_litre)
    let_in = added_until(held, added, read, at, volume_litre=volume_litre)
    if let_in.mol <= 0:
        raise ValueError(
            f"{read.words()} at {at.words()} is no more than what was in already: nothing was added, or it leaks"
        )
    now = mixed(held, let_in)
    kept = held.mol / now.mol
    error = reading_share(read, at, READING_WITHIN, now.mix)
    shift = (1 - kept) * error
    oxygen = abs(added.oxygen_fraction - before.mix.oxygen_fraction)
    helium = abs(added.helium_fraction - before.mix.helium_fraction)
    return Contents(
        read,
        at,
        now.mix,
        math.hypot(kept * before.oxygen_within_fraction, shift * oxygen),
        math.hypot(kept * before.helium_within_fraction, shift * helium),
    )


def added_until(held: Amount, added: Mix, until: Pressure, at: Temperature, *, volume_litre: float) -> Amount:
    """So much of `added` makes the gauge read `until` at that temperature; none where it does so already."""
    target, volume = AbsolutePressure.of_gauge(until).pascal, cubic_metre(volume_litre)

    def missing(mol: float) -> float:
        whole = mixed(held, Amount(added, mol))
        return pressure_at(whole.mix, whole.mol / volume, at).pascal - target

    low, below = 0.0, missing(0.0)
    if below >= 0:
        return Amount(added, 0.0)
    high = -below * volume / (MOLAR_GAS_CONSTANT * at.kelvin)
    above = missing(high)
    while above < 0:
        low, below = high, above
        high *= 1.5
        above = missing(high)
    return Amount(added, _between(missing, low, below, high, above))


def reading_share(read: Pressure, at: Temperature, within: Pressure, mix: Mix) -> float:
    """How far an amount told from a gauge may be off, as a fraction of it."""
    of_gauge = within.pascal / AbsolutePressure.of_gauge(read).pascal
    of_heat = TEMPERATURE_WITHIN_KELVIN / at.kelvin
    return math.hypot(of_gauge, of_heat, model_fraction(mix))


def _between(missing: Callable[[float], float], low: float, below: float, high: float, above: float) -> float:
    """Where `missing` is zero: straight lines between two ends (Illinois), which never leaves them."""
    side = 0
    for _ in range(_ROUNDS):
        at = (low * above - high * below) / (above - below)
        found = missing(at)
        if abs(found) < _CLOSE_PASCAL:
            return at
        if found < 0:
            low, below = at, found
            above *= 0.5 if side < 0 else 1.0
            side = -1
        else:
            high, above = at, found
            below *= 0.5 if side > 0 else 1.0
            side = 1
    return (low + high) / 2
