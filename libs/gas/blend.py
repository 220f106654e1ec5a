"""A blend from what is in the cylinder to what was asked for, with the gases on hand: asked for, planned, or plainly refused.

Owns the question and the answer; `gas.blending` finds it. A plan is a proposal: it knows nothing of a cylinder's cleaning,
its valve, its dates or the blender's competence, and must never be shown as leave to blend.
"""

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from gas.adding import READING_WITHIN, Contents
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import Amount, Temperature
from gas.states import LEAST_LITRE, MOST_LITRE

EMPTY: Final = Pressure(0, "bar")

# The model is compared with a second one from 50 to 300 bar (`make gas-report`); further up nobody has looked.
HIGHEST_PLANNED: Final = Pressure(310, "bar")

# Where 29 CFR 1910.134(i)(3) begins to ask for equipment made for oxygen.
RICH_OXYGEN_FRACTION: Final = 0.235

# What is on hand may miss a wish by this and still make it: air is 20.96 % oxygen, and people ask for 21.
NEAR_ENOUGH_FRACTION: Final = 0.001


@dataclass(frozen=True)
class Supply:
    """A gas on hand. Without a pressure it reaches any gauge: a compressor, or a bottle behind a booster.

    `price_per_m3` is in the shop's money, for a cubic metre at one atmosphere and 21 °C. With `bottle_litre` the plan sees the
    bottle's pressure sink as it gives.
    """

    name: str
    mix: Mix
    pressure: Pressure | None = None
    price_per_m3: float = 0.0
    bottle_litre: float | None = None


@dataclass(frozen=True)
class BlendAsked:
    """`end` and `limit` are settled gauges at `reference`; each step's gauge will be read with the gas at `step_at`."""

    volume_litre: float
    contents: Contents
    wish: Mix
    end: Pressure
    limit: Pressure
    reference: Temperature
    step_at: Temperature
    supplies: tuple[Supply, ...]
    reading_within: Pressure = READING_WITHIN


@dataclass(frozen=True)
class Bleed:
    """Let gas out until the gauge reads so, slowly: at the temperature it was read at."""

    until: Pressure
    at: Temperature
    out: Amount


@dataclass(frozen=True)
class Add:
    """Let this gas in until the gauge reads so at that temperature. `after` is all that is in the cylinder then."""

    supply: Supply
    until: Pressure
    at: Temperature
    amount: Amount
    after: Amount
    cost: float


@dataclass(frozen=True)
class PredictedMix:
    """What an analyser should find, and how far off it may be: the gauge, the temperature, what was in, the equations."""

    mix: Mix
    oxygen_within_fraction: float
    helium_within_fraction: float

    def words(self) -> str:
        oxygen = f"{self.mix.oxygen_fraction:.1%} oxygen, give or take {_up(self.oxygen_within_fraction)}"
        if self.mix.helium_fraction == 0 and self.helium_within_fraction == 0:
            return f"about {oxygen} (estimate)"
        helium = f"{self.mix.helium_fraction:.1%} helium, give or take {_up(self.helium_within_fraction)}"
        return f"about {oxygen}; {helium} (estimate)"


@dataclass(frozen=True)
class IdealComparison:
    """The gauges that the ideal-gas law would give for the same gases, and what following them would really make."""

    gauges: tuple[Pressure, ...]
    would_make: Mix


@dataclass(frozen=True)
class Blend:
    """The steps in their order. `settles_to` is the gauge at the reference temperature: the end that was asked for."""

    asked: BlendAsked
    bleed: Bleed | None
    adds: tuple[Add, ...]
    whole: Amount
    settles_to: Pressure
    predicted: PredictedMix
    cost: float
    ideal: IdealComparison | None = field(compare=False, default=None)

    @property
    def richest_supply(self) -> Mix:
        """The mixture with most oxygen that flows: what cylinder, valve and whip must be clean for."""
        mixes = [add.supply.mix for add in self.adds] + [self.whole.mix]
        return max(mixes, key=lambda mix: mix.oxygen_fraction)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What a blender must know of these steps before the first valve opens."""
        found = []
        last = self.adds[-1]
        if last.until.is_above(self.asked.limit):
            found.append(
                f"{last.until.words()} is right only while the gas is at {last.at.words()}. Colder, it is an overfill: "
                "measure, and plan again."
            )
        for before, add in pairwise(self.adds):
            if add.supply.mix.oxygen_fraction > max(RICH_OXYGEN_FRACTION, before.supply.mix.oxygen_fraction):
                found.append(
                    f"{add.supply.name} flows into {before.until.words()}, after leaner gas: no supply order allows it earlier."
                )
        return tuple(found)


@dataclass(frozen=True)
class CannotBlend:
    """No plan: every reason at once, and the nearest mixture that these gases can make, where there is one."""

    reasons: tuple[str, ...]
    nearest: Mix | None = None


def doubts(asked: BlendAsked) -> list[str]:
    """Everything about a question that no plan could answer, each in words; nothing where it can be tried."""
    found = []
    if not LEAST_LITRE <= asked.volume_litre <= MOST_LITRE:
        found.append(f"A water capacity of {asked.volume_litre:g} litres is none of a cylinder.")
    if not asked.supplies:
        found.append("No gas is on hand.")
    if any(not supply.price_per_m3 >= 0 for supply in asked.supplies):
        found.append("A price is a number and not below zero.")
    if asked.wish.oxygen_fraction <= 0:
        found.append("A gas without oxygen is nothing to breathe.")
    if asked.end.is_same(EMPTY):
        found.append("An end pressure of zero asks for an empty cylinder.")
    if asked.end.is_above(asked.limit):
        found.append(f"{asked.end.words()} is more than this cylinder may hold: {asked.limit.words()}.")
    if asked.end.is_above(HIGHEST_PLANNED):
        found.append(
            f"{asked.end.words()} is more than blends are planned for: {HIGHEST_PLANNED.words_in_both()}."
        )
    if asked.contents.read.is_above(HIGHEST_PLANNED):
        found.append(f"{asked.contents.read.words()} in the cylinder cannot be right: read it again.")
    return found


def _up(fraction: float) -> str:
    return f"{max(fraction, 0.001):.1%}"
