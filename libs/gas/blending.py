"""Finds the steps of a blend: counts in moles, and only then asks what the gauge will show.

No bleed is better than a bleed, the least bleed better than more; among equals the cheapest. It must never return a step that
takes gas back, a gauge that a supply cannot reach, or an end beyond the limit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

from gas import reach
from gas.adding import after_adding
from gas.blend import (
    EMPTY,
    NEAR_ENOUGH_FRACTION,
    RICH_OXYGEN_FRACTION,
    Add,
    Bleed,
    Blend,
    BlendAsked,
    CannotBlend,
    Supply,
    doubts,
)
from gas.mixture import Mix
from gas.outcome import by_ideal_gas, predicted
from gas.pressure import Pressure
from gas.quantity import REFERENCE_21_C, Amount, Temperature
from gas.recipe import mixed, most_kept, recipes
from gas.states import contained, gauge_of

_BISECTIONS = 16
_NO_STEP = 1e-9  # of the whole: less is float noise, not a step


def plan_blend(asked: BlendAsked) -> Blend | CannotBlend:
    """The steps, or every reason why there are none."""
    reasons = doubts(asked)
    if reasons:
        return CannotBlend(tuple(reasons))
    held = _held(asked)
    whole = contained(asked.wish, asked.end, asked.reference, volume_litre=asked.volume_litre)
    if whole.mol <= held.mol:
        return CannotBlend((_too_full(asked, held),))
    planned = _planned(asked, held, whole)
    if planned is not None:
        return planned
    return _nearest(asked, held, whole)


def read_after(plan: Blend, read: Pressure, at: Temperature) -> BlendAsked:
    """The question anew, from what the gauge says once the plan's first step is done: plan it again.

    ValueError where the reading cannot come from that step.
    """
    asked = plan.asked
    if plan.bleed is not None:
        if read.is_above(asked.contents.read) and at <= asked.contents.at:
            raise ValueError("the gauge rose while gas was let out: read it again")
        return replace(asked, contents=replace(asked.contents, read=read, at=at))
    contents = after_adding(
        asked.contents, plan.adds[0].supply.mix, volume_litre=asked.volume_litre, read=read, at=at
    )
    return replace(asked, contents=contents)


def _nearest(asked: BlendAsked, held: Amount, whole: Amount) -> Blend | CannotBlend:
    gases = [supply.mix for supply in asked.supplies]
    corners = reach.corners(
        held.mix, gases, least_share=_locked_in(asked).mol / whole.mol, most_share=held.mol / whole.mol
    )
    because = reach.why_not(asked.wish, corners)
    if because is None:
        return CannotBlend(tuple(_out_of_push(asked, whole)))
    near = reach.nearest(asked.wish, corners)
    plan = _planned(asked, held, _whole(asked, near))
    if plan is None:  # The amount depends a little on the mixture: step back from the very edge.
        middle = mixed(*(Amount(corner, 1) for corner in corners)).mix
        near = mixed(Amount(near, 0.998), Amount(middle, 0.002)).mix
        plan = _planned(asked, held, _whole(asked, near))
    if plan is None:
        return CannotBlend((because,))
    off = max(
        abs(near.oxygen_fraction - asked.wish.oxygen_fraction),
        abs(near.helium_fraction - asked.wish.helium_fraction),
    )
    return plan if off <= NEAR_ENOUGH_FRACTION else CannotBlend((because,), near)


def _planned(asked: BlendAsked, held: Amount, whole: Amount) -> Blend | None:
    """With all that is in, else with the most that may stay, else with the most that weak supplies still top."""
    way = _way(asked, held, whole)
    if way is None:
        gases = [supply.mix for supply in asked.supplies]
        all_of_it = next(recipes(whole, held, gases), None) is not None
        most = held.mol if all_of_it else most_kept(whole, held, gases)
        least = _locked_in(asked).mol
        if most is None or most < least:
            return None
        way = _way(asked, Amount(held.mix, most), whole) or _bled_for_push(
            asked, held.mix, whole, least, most
        )
    return None if way is None else _blend(asked, held, way)


def _bled_for_push(asked: BlendAsked, held: Mix, whole: Amount, least: float, most: float) -> _Way | None:
    """A bottle too weak for the gauge that is needed may do when more is bled first: the least that does."""
    best = _way(asked, Amount(held, least), whole)
    if best is None:
        return None
    for _ in range(_BISECTIONS):
        kept = (least + most) / 2
        way = _way(asked, Amount(held, kept), whole)
        if way is None:
            most = kept
        else:
            least, best = kept, way
    return best


@dataclass(frozen=True)
class _Way:
    """What stays in, and what is added to it."""

    kept: Amount
    adds: tuple[Add, ...]


def _way(asked: BlendAsked, kept: Amount, whole: Amount) -> _Way | None:
    """The cheapest that starts from `kept` and that the supplies can push."""
    found = [
        (sum(_cost(s, Amount(s.mix, mol)) for s, mol in zip(asked.supplies, moles, strict=True)), moles)
        for moles in recipes(whole, kept, [supply.mix for supply in asked.supplies])
    ]
    for _, moles in sorted(found):
        adds = next(_pushed(asked, kept, _lets(asked, moles, whole)), None)
        if adds:
            return _Way(kept, adds)
    return None


def _lets(asked: BlendAsked, moles: Sequence[float], whole: Amount) -> list[tuple[Supply, Amount]]:
    """The gases that are needed, in the usual order: rich gas, then helium, then air."""
    lets = [
        (supply, Amount(supply.mix, mol))
        for supply, mol in zip(asked.supplies, moles, strict=True)
        if mol > _NO_STEP * whole.mol
    ]
    return sorted(lets, key=_turn)


def _turn(let: tuple[Supply, Amount]) -> tuple[int, float]:
    """Rich gas first: a bar read wrong, or an equation that is off, costs least oxygen while the pressure is low."""
    mix = let[1].mix
    if mix.oxygen_fraction > RICH_OXYGEN_FRACTION:
        return 0, -mix.oxygen_fraction
    return 1, -mix.helium_fraction


def _pushed(
    asked: BlendAsked, kept: Amount, lets: Sequence[tuple[Supply, Amount]]
) -> Iterator[tuple[Add, ...]]:
    """The orders in which every supply reaches its gauge, the usual one first."""
    for order in permutations(lets):
        adds, inside = [], kept
        for supply, amount in order:
            inside = mixed(inside, amount)
            until = _gauge(asked, inside)
            if not _reaches(supply, amount, until, asked):
                break
            adds.append(Add(supply, until, asked.step_at, amount, inside, _cost(supply, amount)))
        else:
            yield tuple(adds)


def _reaches(supply: Supply, gives: Amount, until: Pressure, asked: BlendAsked) -> bool:
    if supply.pressure is None:
        return True
    left = supply.pressure
    if supply.bottle_litre is not None:
        bottle = contained(supply.mix, left, asked.reference, volume_litre=supply.bottle_litre)
        remains = Amount(supply.mix, max(0.0, bottle.mol - gives.mol))
        left = gauge_of(remains, asked.reference, volume_litre=supply.bottle_litre, unit=left.unit)
    return not until.is_above(left)


def _blend(asked: BlendAsked, held: Amount, way: _Way) -> Blend:
    kept, adds = way.kept, way.adds
    unit, volume_litre = asked.end.unit, asked.volume_litre
    bleed = None
    if kept.mol < held.mol * (1 - 1e-12):
        until = gauge_of(kept, asked.contents.at, volume_litre=volume_litre, unit=unit)
        bleed = Bleed(until, asked.contents.at, Amount(held.mix, held.mol - kept.mol))
    whole = adds[-1].after
    return Blend(
        asked=asked,
        bleed=bleed,
        adds=adds,
        whole=whole,
        settles_to=gauge_of(whole, asked.reference, volume_litre=volume_litre, unit=unit),
        predicted=predicted(asked, kept, adds),
        cost=sum(add.cost for add in adds),
        ideal=by_ideal_gas(asked, kept, adds),
    )


def _too_full(asked: BlendAsked, held: Amount) -> str:
    settled = gauge_of(held, asked.reference, volume_litre=asked.volume_litre, unit=asked.end.unit)
    return (
        f"The cylinder already holds as much: its {asked.contents.read.words()} settle to {settled.words()}, "
        f"and {asked.end.words()} is asked for. Let gas out first, or ask for more."
    )


def _out_of_push(asked: BlendAsked, whole: Amount) -> Iterator[str]:
    """Emptied as far as can be, and still a bottle is too weak: which one, and for which gauge."""
    inside = _locked_in(asked)
    moles = next(recipes(whole, inside, [supply.mix for supply in asked.supplies]), None)
    for supply, amount in _lets(asked, moles, whole) if moles else ():
        inside = mixed(inside, amount)
        until = _gauge(asked, inside)
        if supply.pressure is not None and not _reaches(supply, amount, until, asked):
            fails = "sinks too far as it gives to reach" if supply.bottle_litre else "does not reach"
            yield f"{supply.name} at {supply.pressure.words()} {fails} the {until.words()} of its step, even from empty."
    yield "What is on hand could make this mixture, but not push it in: a booster or a fuller bottle would."


def _held(asked: BlendAsked) -> Amount:
    contents = asked.contents
    return contained(contents.mix, contents.read, contents.at, volume_litre=asked.volume_litre)


def _locked_in(asked: BlendAsked) -> Amount:
    """The one atmosphere that no bleeding lets out."""
    return contained(asked.contents.mix, EMPTY, asked.contents.at, volume_litre=asked.volume_litre)


def _whole(asked: BlendAsked, mix: Mix) -> Amount:
    return contained(mix, asked.end, asked.reference, volume_litre=asked.volume_litre)


def _gauge(asked: BlendAsked, inside: Amount) -> Pressure:
    return gauge_of(inside, asked.step_at, volume_litre=asked.volume_litre, unit=asked.end.unit)


def _cost(supply: Supply, amount: Amount) -> float:
    return amount.free_litre(REFERENCE_21_C) / 1000 * supply.price_per_m3
