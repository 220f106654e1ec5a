"""Works a blender's question out: the steps in their order, or every reason why not and the nearest mix that can be made.

The arithmetic is `gas`; this file chooses between the three ways to blend, and leaves out what no gauge can show. It must
never say that a cylinder may be blended in: `cylinder.decide.blend` does.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import floor
from typing import Literal

from cylinder.gases import PURE_FRACTION, BlendQuestion, GasOnHand
from cylinder.marks import KeyedPressure
from gas.adding import READING_WITHIN, Contents, after_adding
from gas.blend import Blend, BlendAsked, CannotBlend, PredictedMix, Supply, doubts
from gas.blending import plan_blend
from gas.keyed import KeyedBlend, blend_asked
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, REFERENCE_21_C, Amount, Temperature, in_unit
from gas.reach import distance
from gas.recipe import mixed
from gas.states import contained, gauge_of
from gas.topping import Stream, Topped, streamed, topped

NEAR_OXYGEN_FRACTION = 0.005
NEAR_HELIUM_FRACTION = 0.01
"""How far one premixed gas may miss the wish and still be offered for it: half of what an analysis is let be off. Our choice."""

OFF_OXYGEN_FRACTION = 0.01
OFF_HELIUM_FRACTION = 0.02
"""How far what the gauges tell may be from the wish at the end of a blend. The analysis decides (`cylinder.decide.mix`)."""

_BISECTIONS = 12


@dataclass(frozen=True)
class Step:
    """One thing to do at the valve, until the gauge reads so at that temperature. `ideal` is the ideal-gas gauge, to compare."""

    does: Literal["bleed", "add"]
    gas: str
    mix: Mix
    until: Pressure
    at: Temperature
    free_litre: float
    cost: float = 0.0
    ideal: Pressure | None = None


@dataclass(frozen=True)
class Way:
    """The steps to the wish. None left: what is in the cylinder is the wish, as far as a gauge can tell."""

    steps: tuple[Step, ...]
    predicted: str
    mix: Mix
    settles_to: Pressure
    richest: Mix
    cost: float = 0.0
    shares: tuple[tuple[str, float], ...] = ()
    ideal_makes: Mix | None = None
    cautions: tuple[str, ...] = ()

    @property
    def takes_pure_oxygen(self) -> bool:
        """Oxygen itself flows through the cylinder's valve."""
        return self.richest.oxygen_fraction >= PURE_FRACTION


def work_out(question: BlendQuestion) -> Way | CannotBlend:
    """The steps, or every reason why there are none."""
    asked = _in_types(question)
    if isinstance(asked, CannotBlend):
        return asked
    try:
        match question.method:
            case "partial pressure":
                return _shown(plan_blend(asked))
            case "banked mix":
                return _topping(asked, question.gases)
            case "continuous":
                return _streaming(asked)
    except ValueError as cannot:
        return CannotBlend((_sentence(str(cannot)),))


def go_on(question: BlendQuestion) -> Way | CannotBlend:
    """The same in the middle of a blend: what is finer than a gauge can show is no step, and what is full is done."""
    asked = _in_types(question)
    if isinstance(asked, CannotBlend):
        return asked
    held = contained(
        asked.contents.mix, asked.contents.read, asked.contents.at, volume_litre=asked.volume_litre
    )
    settled = gauge_of(held, asked.reference, volume_litre=asked.volume_litre, unit=asked.end.unit)
    if settled.pascal >= asked.end.pascal - READING_WITHIN.pascal:
        return _at_the_end(asked, settled)
    way = work_out(question)
    if isinstance(way, CannotBlend):
        return way
    gauge = gauge_of(held, asked.step_at, volume_litre=asked.volume_litre, unit=asked.end.unit)
    steps = list(way.steps)
    while steps and abs(steps[0].until.pascal - gauge.pascal) < READING_WITHIN.pascal:
        steps.pop(0)
    return replace(way, steps=tuple(steps)) if steps else _at_the_end(asked, settled)


def is_near(mix: Mix, wish: Mix, *, oxygen: float, helium: float) -> bool:
    """Whether a mix is the wish, give or take these fractions."""
    return (
        abs(mix.oxygen_fraction - wish.oxygen_fraction) <= oxygen + 1e-9
        and abs(mix.helium_fraction - wish.helium_fraction) <= helium + 1e-9
    )


def keyed(pressure: Pressure) -> KeyedPressure:
    """A gauge to stop at as it is shown and stored: whole psi, tenths of a bar, never rounded up."""
    tenths = 10 if pressure.unit == "bar" else 1
    return KeyedPressure(value=floor(pressure.value * tenths + 1e-6) / tenths, unit=pressure.unit)


def settled(question: BlendQuestion) -> Pressure:
    """What the contents of a cylinder come to at 21 °C: an estimate, from the gauge, the temperature and the mix in it."""
    mix = Mix((question.oxygen_percent or 0) / 100, (question.helium_percent or 0) / 100)
    at, litre = Temperature.of_c(question.cylinder_c), question.volume_litre
    held = contained(mix, question.read.pressure, at, volume_litre=litre)
    return gauge_of(held, REFERENCE_21_C, volume_litre=litre, unit=question.end.unit)


def after_step(question: BlendQuestion, step: Step, read: KeyedPressure, at_c: float) -> BlendQuestion:
    """The question anew, from what the gauge said once a step was done. ValueError where it cannot come from that step."""
    asked = blend_asked(_keyed_blend(question))
    if isinstance(asked, CannotBlend):
        raise ValueError(" ".join(asked.reasons))
    now, at = in_unit(read.pressure, question.end.unit), Temperature.of_c(at_c)
    if step.does == "bleed":
        if now.is_above(asked.contents.read) and at <= asked.contents.at:
            raise ValueError("the gauge rose while gas was let out: read it again")
        return question.model_copy(update={"read": read, "cylinder_c": at_c, "step_c": at_c})
    held = _within(asked.contents, question)
    inside = after_adding(held, step.mix, volume_litre=asked.volume_litre, read=now, at=at)
    return question.model_copy(
        update={
            "read": read,
            "cylinder_c": at_c,
            "step_c": at_c,
            "oxygen_percent": inside.mix.oxygen_fraction * 100,
            "helium_percent": inside.mix.helium_fraction * 100,
            "oxygen_within_percent": inside.oxygen_within_fraction * 100,
            "helium_within_percent": inside.helium_within_fraction * 100,
        }
    )


def _keyed_blend(question: BlendQuestion) -> KeyedBlend:
    unit = question.end.unit
    return KeyedBlend(
        unit=unit,
        volume_litre=question.volume_litre,
        contents_gauge=in_unit(question.read.pressure, unit).value,
        contents_c=question.cylinder_c,
        contents_oxygen_percent=question.oxygen_percent,
        contents_helium_percent=question.helium_percent,
        wish_oxygen_percent=question.wish.oxygen_percent,
        wish_helium_percent=question.wish.helium_percent,
        end_gauge=question.end.value,
        limit_gauge=in_unit(question.limit.pressure, unit).value,
        step_c=question.step_c,
        supplies=tuple(gas.supply for gas in question.gases),
    )


def _in_types(question: BlendQuestion) -> BlendAsked | CannotBlend:
    asked = blend_asked(_keyed_blend(question))
    if isinstance(asked, CannotBlend):
        return asked
    return replace(asked, contents=_within(asked.contents, question))


def _within(contents: Contents, question: BlendQuestion) -> Contents:
    return replace(
        contents,
        oxygen_within_fraction=question.oxygen_within_percent / 100,
        helium_within_fraction=question.helium_within_percent / 100,
    )


def _at_the_end(asked: BlendAsked, settled: Pressure) -> Way | CannotBlend:
    """Full: done where the mix is the wish, and otherwise nothing that more gas could mend."""
    mix = asked.contents.mix
    found = PredictedMix(mix, asked.contents.oxygen_within_fraction, asked.contents.helium_within_fraction)
    if not is_near(mix, asked.wish, oxygen=OFF_OXYGEN_FRACTION, helium=OFF_HELIUM_FRACTION):
        words = (
            f"It is full ({settled.words()} settled) but holds {found.words()}, and {asked.wish.words()} is wanted. "
            "Let gas out, analyse what is left, and plan again from that."
        )
        return CannotBlend((words,))
    return Way((), found.words(), mix, settled, mix)


def _shown(plan: Blend | CannotBlend) -> Way | CannotBlend:
    if isinstance(plan, CannotBlend):
        return plan
    steps = []
    if plan.bleed is not None:
        bleed, mix = plan.bleed, plan.asked.contents.mix
        steps.append(Step("bleed", "", mix, bleed.until, bleed.at, bleed.out.free_litre()))
    ideal = plan.ideal.gauges if plan.ideal else (None,) * len(plan.adds)
    steps += [
        Step(
            "add",
            add.supply.name,
            add.supply.mix,
            add.until,
            add.at,
            add.amount.free_litre(),
            add.cost,
            other,
        )
        for add, other in zip(plan.adds, ideal, strict=True)
    ]
    return Way(
        steps=tuple(steps),
        predicted=plan.predicted.words(),
        mix=plan.whole.mix,
        settles_to=plan.settles_to,
        richest=plan.richest_supply,
        cost=plan.cost,
        ideal_makes=plan.ideal.would_make if plan.ideal else None,
        cautions=plan.cautions,
    )


def _topping(asked: BlendAsked, gases: Iterable[GasOnHand]) -> Way | CannotBlend:
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
    exact = _shown(plan_blend(replace(asked, supplies=tuple(banked))))
    if isinstance(exact, Way):
        return exact
    return CannotBlend(tuple(weak) or exact.reasons, exact.nearest or made[0][0].whole.mix)


def _topped(asked: BlendAsked, supply: Supply) -> Topped:
    return topped(
        asked.contents,
        supply.mix,
        volume_litre=asked.volume_litre,
        end=asked.end,
        reference=asked.reference,
        read_at=asked.step_at,
    )


def _streaming(asked: BlendAsked) -> Way | CannotBlend:
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


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "."
