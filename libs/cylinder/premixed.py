"""Two ways to blend with one flow: a banked mix on top, and a stream through the compressor.

Must never choose a gas whose bottle cannot push it in.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from cylinder.gases import GasOnHand
from cylinder.way import Step, Way
from gas.blend import BlendAsked, CannotBlend, Supply, doubts
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, Amount, Temperature
from gas.reach import distance
from gas.recipe import mixed
from gas.states import contained, gauge_of
from gas.topping import Stream, Topped, streamed, topped

NEAR_OXYGEN_FRACTION = 0.005
NEAR_HELIUM_FRACTION = 0.01
"""How near is near enough to spare a bleed: half of what an analysis is let be off. Our choice."""

_BISECTIONS = 12


def is_near(mix: Mix, wish: Mix, *, oxygen: float, helium: float) -> bool:
    """Whether a mix is the wish, give or take these fractions."""
    return (
        abs(mix.oxygen_fraction - wish.oxygen_fraction) <= oxygen + 1e-9
        and abs(mix.helium_fraction - wish.helium_fraction) <= helium + 1e-9
    )


def topping(asked: BlendAsked, gases: Iterable[GasOnHand]) -> Way | CannotBlend:
    """One banked mix that comes near enough, else several of them, with a bleed where it takes one."""
    banked = [gas.supply for gas in gases if gas.is_banked_mix]
    if not banked:
        return CannotBlend(("No banked mix is chosen. Choose one, or another way to blend.",))
    made = sorted(
        ((_topped(asked, one), one) for one in banked),
        key=lambda pair: distance(pair[0].whole.mix, asked.wish),
    )
    weak = []
    for top, supply in made:
        if not is_near(top.whole.mix, asked.wish, oxygen=NEAR_OXYGEN_FRACTION, helium=NEAR_HELIUM_FRACTION):
            continue
        if _can_push(supply, top.amount, top.until, asked.reference):
            return _way_of(asked, top, supply.name, _price(top.amount, ((supply, 1.0),)))
        weak.append(
            f"{supply.name} has too little pressure, or too little gas, to reach {top.until.words()}."
        )
    return CannotBlend(tuple(weak), made[0][0].whole.mix)


def _topped(asked: BlendAsked, supply: Supply) -> Topped:
    return topped(
        asked.contents,
        supply.mix,
        volume_litre=asked.volume_litre,
        end=asked.end,
        reference=asked.reference,
        read_at=asked.step_at,
    )


def streaming(asked: BlendAsked) -> Way | CannotBlend:
    """One mixture pumped to the end, and its shares; or why no stream makes the wish, and what one would."""
    found = streamed(asked)
    if isinstance(found, Stream):
        stream = found.topped
        shares = tuple((supply.name, share) for supply, share in found.shares)
        way = _way_of(
            asked, stream, f"Stream of {stream.supply.words()}", _price(stream.amount, found.shares)
        )
        return replace(way, shares=shares)
    return CannotBlend(found.reasons, _nearest_stream(asked))


def _nearest_stream(asked: BlendAsked) -> Mix | None:
    """On the straight line from what air alone would make to the wish: the last mix that one stream still makes."""
    if doubts(asked):
        return None
    try:
        from_air = _topped(asked, Supply("Air", DRY_AIR)).whole.mix
    except ValueError:
        return None
    low, high, best = 0.0, 1.0, None
    for _ in range(_BISECTIONS):
        share = (low + high) / 2
        mix = mixed(Amount(asked.wish, share), Amount(from_air, 1 - share)).mix
        if isinstance(streamed(replace(asked, wish=mix)), Stream):
            low, best = share, mix
        else:
            high = share
    return best


def _way_of(asked: BlendAsked, top: Topped, name: str, cost: float) -> Way:
    step = Step("add", name, top.supply, top.until, top.at, top.amount.free_litre(), cost)
    richest = max((top.supply, top.whole.mix), key=lambda mix: mix.oxygen_fraction)
    return Way((step,), top.predicted.words(), top.whole.mix, asked.end, richest, cost)


def _can_push(supply: Supply, gives: Amount, until: Pressure, reference: Temperature) -> bool:
    """Whether a bottle still stands above the gauge of its step once it has given so much."""
    if supply.pressure is None:
        return True
    left = supply.pressure
    if supply.bottle_litre is not None:
        bottle = contained(supply.mix, left, reference, volume_litre=supply.bottle_litre)
        remains = Amount(supply.mix, max(0.0, bottle.mol - gives.mol))
        left = gauge_of(remains, reference, volume_litre=supply.bottle_litre, unit=left.unit)
    return not until.is_above(left)


def _price(amount: Amount, shares: Iterable[tuple[Supply, float]]) -> float:
    return sum(amount.free_litre() / 1000 * share * supply.price_per_m3 for supply, share in shares)
