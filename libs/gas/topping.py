"""Two ways to blend with one flow: topping with a banked mixture, and continuous blending into the compressor's intake.

Premixed gas keeps its mixture at any pressure, so only what was in and what is added count. It must never pass a stream that is
richer than the caller says the compressor may draw, and never a stream that would have to take gas back.
"""

import math
from dataclasses import dataclass
from typing import Final

from gas.adding import ANALYSER_WITHIN_FRACTION, READING_WITHIN, Contents, added_until, reading_share
from gas.blend import BlendAsked, CannotBlend, PredictedMix, Supply, doubts
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import Amount, Temperature
from gas.recipe import mixed, parts, recipes
from gas.states import contained, gauge_of

# What an ordinary compressor is let draw in. Common practice, no source; many are allowed less.
STREAM_OXYGEN_MAX_FRACTION: Final = 0.40

_NOISE = 1e-9


@dataclass(frozen=True)
class Topped:
    """What comes of topping with one mixture: so much of it, read on the gauge as `until`, and what is in then."""

    supply: Mix
    amount: Amount
    until: Pressure
    at: Temperature
    whole: Amount
    predicted: PredictedMix


@dataclass(frozen=True)
class Stream:
    """The one mixture to pump until the gauge reads so. `shares` make it up, each as a fraction of the flow."""

    topped: Topped
    shares: tuple[tuple[Supply, float], ...]


def topped(
    contents: Contents,
    supply: Mix,
    *,
    volume_litre: float,
    end: Pressure,
    reference: Temperature,
    read_at: Temperature,
) -> Topped:
    """Top with `supply` to a gauge of `end` settled at `reference`; read with the gas at `read_at`.

    ValueError where the cylinder already holds as much.
    """
    held = contained(contents.mix, contents.read, contents.at, volume_litre=volume_litre)
    amount = added_until(held, supply, end, reference, volume_litre=volume_litre)
    if amount.mol <= 0:
        raise ValueError(f"{contents.read.words()} in the cylinder leave nothing to top up to {end.words()}")
    whole = mixed(held, amount)
    until = gauge_of(whole, read_at, volume_litre=volume_litre, unit=end.unit)
    return Topped(
        supply, amount, until, read_at, whole, _predicted(contents, held, supply, whole, until, read_at)
    )


def streamed(
    asked: BlendAsked, stream_oxygen_max_fraction: float = STREAM_OXYGEN_MAX_FRACTION
) -> Stream | CannotBlend:
    """The stream that makes the wish from what is in, and its shares of the supplies; or every reason why not."""
    reasons = doubts(asked)
    if reasons:
        return CannotBlend(tuple(reasons))
    held = contained(
        asked.contents.mix, asked.contents.read, asked.contents.at, volume_litre=asked.volume_litre
    )
    whole = contained(asked.wish, asked.end, asked.reference, volume_litre=asked.volume_litre)
    if whole.mol <= held.mol * (1 + _NOISE):
        return CannotBlend(("The cylinder already holds as much as is asked for.",))
    oxygen, helium, rest = (
        (of_wish * whole.mol - of_held * held.mol) / (whole.mol - held.mol)
        for of_wish, of_held in zip(parts(asked.wish), parts(held.mix), strict=True)
    )
    reasons = _against(oxygen, helium, rest, stream_oxygen_max_fraction)
    if reasons:
        return CannotBlend(tuple(reasons))
    oxygen, helium = max(0.0, oxygen), max(0.0, helium)
    stream = Mix(oxygen, min(helium, 1 - oxygen))
    shares = next(recipes(Amount(stream, 1.0), Amount(stream, 0.0), [s.mix for s in asked.supplies]), None)
    if shares is None:
        return CannotBlend(
            (f"The stream would have to be {stream.words()}, which the gases on hand cannot make.",)
        )
    made = topped(
        asked.contents,
        stream,
        volume_litre=asked.volume_litre,
        end=asked.end,
        reference=asked.reference,
        read_at=asked.step_at,
    )
    used = [(s, share) for s, share in zip(asked.supplies, shares, strict=True) if share > _NOISE]
    return Stream(made, tuple(used))


def _against(oxygen: float, helium: float, rest: float, oxygen_max: float) -> list[str]:
    reasons = []
    for name, fraction in (("oxygen", oxygen), ("helium", helium), ("nitrogen", rest)):
        if fraction < -_NOISE:
            reasons.append(f"What is in the cylinder brings too much {name}: let some out first.")
    if oxygen > oxygen_max + _NOISE:
        reasons.append(
            f"The stream would be {oxygen:.1%} oxygen, and the compressor may draw {oxygen_max:.1%} at most."
        )
    return reasons


def _predicted(
    contents: Contents, held: Amount, supply: Mix, whole: Amount, until: Pressure, at: Temperature
) -> PredictedMix:
    """Off by the analysis of what was in, of what is added, and by how much of either the gauges hide."""
    kept = held.mol / whole.mol
    of_gauges = kept * math.hypot(
        reading_share(contents.read, contents.at, READING_WITHIN, held.mix),
        reading_share(until, at, READING_WITHIN, whole.mix),
    )
    oxygen = math.hypot(
        kept * contents.oxygen_within_fraction,
        (1 - kept) * ANALYSER_WITHIN_FRACTION,
        of_gauges * (supply.oxygen_fraction - contents.mix.oxygen_fraction),
    )
    helium = math.hypot(
        kept * contents.helium_within_fraction * (contents.mix.helium_fraction > 0),
        (1 - kept) * ANALYSER_WITHIN_FRACTION * (supply.helium_fraction > 0),
        of_gauges * (supply.helium_fraction - contents.mix.helium_fraction),
    )
    return PredictedMix(whole.mix, oxygen, helium)
