"""Works a blender's question out: the steps in their order, or every reason why not and the nearest mix that can be made.

The arithmetic is `gas`; this file chooses between the three ways to blend, and leaves out what no gauge can show. It must
never say that a cylinder may be blended in: `cylinder.decide.blend` does.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from cylinder.gases import BlendQuestion, GasOnHand
from cylinder.marks import GasWanted, KeyedPressure
from cylinder.premixed import NEAR_HELIUM_FRACTION, NEAR_OXYGEN_FRACTION, is_near, streaming, topping
from cylinder.way import Step, Way, keyed
from gas.adding import READING_WITHIN, Contents, after_adding, reading_share
from gas.blend import Blend, BlendAsked, CannotBlend, PredictedMix
from gas.blending import plan_blend
from gas.keyed import KeyedBlend, blend_asked
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import REFERENCE_21_C, Amount, Temperature, in_unit
from gas.reach import corners, nearest
from gas.recipe import mixed
from gas.states import contained, gauge_of

OFF_OXYGEN_FRACTION = 0.01
OFF_HELIUM_FRACTION = 0.02
"""How far what the gauges tell may be from the wish at the end of a blend. The analysis decides (`cylinder.decide.mix`)."""

_PULLED_IN = 0.002
"""A mix on the very edge of what can be made may fall outside by rounding."""


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
                return _banked(asked, question.gases)
            case "continuous":
                return streaming(asked)
    except ValueError as cannot:
        return CannotBlend((_sentence(str(cannot)),))


def as_wished(question: BlendQuestion) -> Way | None:
    """No plan, but what would flow if there were one: so that every rule can be asked at once. None where the wish is no gas."""
    wish = question.wish
    if wish.oxygen_percent + wish.helium_percent > 100:
        return None
    mix = Mix(wish.oxygen_percent / 100, wish.helium_percent / 100)
    flows = [mix]
    if question.method != "continuous":
        flows += [
            gas.mix for gas in question.gases if question.method == "partial pressure" or gas.is_banked_mix
        ]
    richest = max(flows, key=lambda one: one.oxygen_fraction)
    return Way((), "", mix, question.end.pressure, richest)


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
    way = _without_bleed(question, asked, held) or work_out(question)
    if isinstance(way, CannotBlend):
        return way
    gauge = gauge_of(held, asked.step_at, volume_litre=asked.volume_litre, unit=asked.end.unit)
    steps = list(way.steps)
    while steps and abs(steps[0].until.pascal - gauge.pascal) < READING_WITHIN.pascal:
        steps.pop(0)
    return replace(way, steps=tuple(steps)) if steps else _at_the_end(asked, settled)


def _without_bleed(question: BlendQuestion, asked: BlendAsked, held: Amount) -> Way | None:
    """The wish, or what comes near enough to it that letting gas out for the rest would be waste; None where neither is.

    Only pure gases and streams: what is on top of a banked mix is chosen by nearness anyway.
    """
    exact = work_out(question)
    if isinstance(exact, CannotBlend) or exact.steps[0].does == "add":
        return exact if isinstance(exact, Way) else None
    whole = contained(asked.wish, asked.end, asked.reference, volume_litre=asked.volume_litre)
    share = held.mol / whole.mol
    edge = corners(held.mix, [one.mix for one in asked.supplies], least_share=share, most_share=share)
    near = nearest(asked.wish, edge)
    inside = mixed(*(Amount(one, _PULLED_IN / len(edge)) for one in edge), Amount(near, 1 - _PULLED_IN)).mix
    if not is_near(inside, asked.wish, oxygen=NEAR_OXYGEN_FRACTION, helium=NEAR_HELIUM_FRACTION):
        return None
    wish = GasWanted(oxygen_percent=inside.oxygen_fraction * 100, helium_percent=inside.helium_fraction * 100)
    way = work_out(question.model_copy(update={"wish": wish}))
    return way if isinstance(way, Way) and way.steps[0].does == "add" else None


def settled(question: BlendQuestion) -> Pressure:
    """What the contents of a cylinder come to at 21 °C: an estimate, from the gauge, the temperature and the mix in it."""
    mix = Mix((question.oxygen_percent or 0) / 100, (question.helium_percent or 0) / 100)
    at, litre = Temperature.of_c(question.cylinder_c), question.volume_litre
    held = contained(mix, question.read.pressure, at, volume_litre=litre)
    return gauge_of(held, REFERENCE_21_C, volume_litre=litre, unit=question.end.unit)


def is_over_limit(question: BlendQuestion) -> bool:
    """Whether it settles above the rating by more than a gauge can be off. A warm gauge above the rating is none such."""
    return settled(question).pascal - question.limit.pressure.pascal > READING_WITHIN.pascal


def after_step(question: BlendQuestion, step: Step, read: KeyedPressure, at_c: float) -> BlendQuestion:
    """The question anew, from what the gauge said once a step was done. ValueError where it cannot come from that step."""
    asked = blend_asked(_keyed_blend(question))
    if isinstance(asked, CannotBlend):
        raise ValueError(" ".join(asked.reasons))
    now, at = in_unit(read.pressure, question.end.unit), Temperature.of_c(at_c)
    if step.does == "bleed":
        mix, litre = asked.contents.mix, asked.volume_litre
        before = contained(mix, asked.contents.read, asked.contents.at, volume_litre=litre)
        left = contained(mix, now, at, volume_litre=litre)
        if left.mol > before.mol * (1 + reading_share(now, at, READING_WITHIN, mix)):
            raise ValueError("there is more in it than before gas was let out: read it again")
        return question.model_copy(update={"read": read, "cylinder_c": at_c, "step_c": at_c})
    held = _within(asked.contents, question)
    inside = after_adding(held, step.mix, volume_litre=asked.volume_litre, read=now, at=at)
    return question.model_copy(
        update={
            "read": read,
            "cylinder_c": at_c,
            "step_c": at_c,
            "gases": tuple(_drawn(gas, step, asked, inside) for gas in question.gases),
            "oxygen_percent": inside.mix.oxygen_fraction * 100,
            "helium_percent": inside.mix.helium_fraction * 100,
            "oxygen_within_percent": inside.oxygen_within_fraction * 100,
            "helium_within_percent": inside.helium_within_fraction * 100,
        }
    )


def _drawn(gas: GasOnHand, step: Step, asked: BlendAsked, inside: Contents) -> GasOnHand:
    """A bottle of known size stands lower once it gave the gas of a step; every other gas as before."""
    if gas.name != step.gas or gas.pressure is None or gas.bottle_litre is None:
        return gas
    before, litre = asked.contents, asked.volume_litre
    held = contained(before.mix, before.read, before.at, volume_litre=litre)
    given = contained(inside.mix, inside.read, inside.at, volume_litre=litre).mol - held.mol
    full = contained(gas.mix, gas.pressure.pressure, asked.reference, volume_litre=gas.bottle_litre)
    left = Amount(gas.mix, max(0.0, full.mol - given))
    gauge = gauge_of(left, asked.reference, volume_litre=gas.bottle_litre, unit=gas.pressure.unit)
    return gas.model_copy(update={"pressure": keyed(gauge)})


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


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "."


def _banked(asked: BlendAsked, gases: Iterable[GasOnHand]) -> Way | CannotBlend:
    """One banked mix that comes near enough, else several of them, with a bleed where it takes one."""
    one = topping(asked, gases)
    supplies = tuple(gas.supply for gas in gases if gas.is_banked_mix)
    if isinstance(one, Way) or not supplies:
        return one
    exact = _shown(plan_blend(replace(asked, supplies=supplies)))
    if isinstance(exact, Way):
        return exact
    return CannotBlend(one.reasons or exact.reasons, exact.nearest or one.nearest)
