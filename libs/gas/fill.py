"""A fill planned: the gauge to stop at, what that settles to, how warm and how long, and whether to top off.

The target is an amount, the least of all that the limits allow; the gauge follows from how warm the gas is. It must never name a
gauge that could hold more than a limit: where the temperature is a guess, it reckons with the coldest that the guess allows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from gas.blend import HIGHEST_PLANNED
from gas.estimate import EstimatedPressure, EstimatedTemperature
from gas.heat import Filling, Moment, warming
from gas.learning import UNCORRECTED, Correction
from gas.pressure import PASCAL_PER_BAR, Pressure
from gas.quantity import AbsolutePressure, Amount, Temperature, in_unit
from gas.states import (
    LEAST_LITRE,
    MOST_LITRE,
    PROBE_WITHIN_KELVIN,
    cubic_metre,
    mol_per_m3,
    pressure_at,
)

# The highest temperature that filling standards reckon with (second-hand, of SANS 10019).
HOTTEST: Final = Temperature.of_c(65)

# Less than this short of the rating is full. Common practice, no source.
NOT_WORTH_TOPPING: Final = Pressure(5, "bar")


@dataclass(frozen=True)
class Limit:
    """At that temperature the gauge may show no more than this, and why. The rating of the cylinder is one, the law's another."""

    gauge: Pressure
    at: Temperature
    why: str


@dataclass(frozen=True)
class FillAsked:
    """`limits` holds the cylinder's rating first. `gas` is the temperature that a probe says the gas has when it is stopped."""

    filling: Filling
    limits: tuple[Limit, ...]
    gas: Temperature | None = None
    rate_max_bar_per_min: float | None = None
    correction: Correction = UNCORRECTED


@dataclass(frozen=True)
class FillPlan:
    """`stop` is the gauge to stop at. `settles_to` and `stopped_at_rating` are what it reads later, at the rating's temperature."""

    asked: FillAsked
    binding: Limit
    stop: Pressure
    gas: EstimatedTemperature
    settles_to: EstimatedPressure
    stopped_at_rating: EstimatedPressure
    minutes: float
    added: Amount
    top_off: Pressure | None
    curve: tuple[Moment, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class CannotFill:
    """No plan, and every reason why."""

    reasons: tuple[str, ...]


def plan_fill(asked: FillAsked) -> FillPlan | CannotFill:
    """The plan, or every reason why there is none."""
    reasons = _doubts(asked)
    if reasons:
        return CannotFill(tuple(reasons))
    filling, rating = asked.filling, asked.limits[0]
    binding = min(asked.limits, key=lambda limit: _density(asked, limit))
    target = _density(asked, binding)
    held = mol_per_m3(filling.mix, AbsolutePressure.of_gauge(filling.start), filling.start_at)
    if held >= target:
        return CannotFill((_full(asked, held, rating),))
    try:
        curve = warming(filling, target, asked.correction.rise_factor)
    except ValueError as refused:
        return CannotFill((f"{refused}.",))
    gas = _gas(asked, curve[-1])
    stop = _stop(asked, target, gas)
    return FillPlan(
        asked=asked,
        binding=binding,
        stop=stop,
        gas=gas,
        settles_to=_settled(asked, stop, gas, rating),
        stopped_at_rating=_settled(asked, rating.gauge, _gas_at(asked, curve, rating.gauge), rating),
        minutes=curve[-1].minute,
        added=Amount(filling.mix, (target - held) * cubic_metre(filling.vessel.volume_litre)),
        top_off=_top_off(asked, stop, gas, target, rating),
        curve=curve,
        remarks=tuple(_remarks(asked, stop, curve)),
    )


def stop_now(asked: FillAsked, gas: Temperature, within_kelvin: float = PROBE_WITHIN_KELVIN) -> Pressure:
    """The gauge to stop at for gas that is measured to be so warm: for the page that follows a fill, and for topping off."""
    target = min(_density(asked, limit) for limit in asked.limits)
    return _stop(asked, target, EstimatedTemperature(gas, within_kelvin, "real-gas equation"))


def _density(asked: FillAsked, limit: Limit) -> float:
    return mol_per_m3(asked.filling.mix, AbsolutePressure.of_gauge(limit.gauge), limit.at)


def _gas(asked: FillAsked, end: Moment) -> EstimatedTemperature:
    if asked.gas is not None:
        return EstimatedTemperature(asked.gas, PROBE_WITHIN_KELVIN, "real-gas equation")
    rise = end.gas.kelvin - asked.filling.start_at.kelvin
    return EstimatedTemperature(end.gas, asked.correction.within_kelvin(rise), asked.correction.method)


def _gas_at(asked: FillAsked, curve: tuple[Moment, ...], gauge: Pressure) -> EstimatedTemperature:
    reached = next((moment for moment in curve if not moment.gauge.is_below(gauge)), curve[-1])
    return _gas(asked, reached)


def _stop(asked: FillAsked, target: float, gas: EstimatedTemperature) -> Pressure:
    """For the coldest that the gas may be, and never above the highest figure that any limit allows hot."""
    coldest = Temperature.of_c(max(-60.0, gas.temperature.c - gas.within_kelvin))
    unit = asked.limits[0].gauge.unit
    stop = pressure_at(asked.filling.mix, target, coldest).gauge(unit)
    hot = [limit.gauge for limit in asked.limits if limit.at >= HOTTEST or limit.at.c >= 55]
    ceiling = min(hot, key=lambda gauge: gauge.pascal, default=None)
    return in_unit(ceiling, unit) if ceiling is not None and stop.is_above(ceiling) else stop


def _settled(asked: FillAsked, stop: Pressure, gas: EstimatedTemperature, rating: Limit) -> EstimatedPressure:
    def at(kelvin: float) -> Pressure:
        warm = Temperature.of_c(min(200.0, max(-60.0, kelvin - 273.15)))
        density = mol_per_m3(asked.filling.mix, AbsolutePressure.of_gauge(stop), warm)
        return pressure_at(asked.filling.mix, density, rating.at).gauge(rating.gauge.unit)

    middle, kelvin = at(gas.temperature.kelvin), gas.temperature.kelvin
    off = [abs(at(kelvin + sign * gas.within_kelvin).pascal - middle.pascal) for sign in (-1, 1)]
    within = in_unit(Pressure(max(off) / PASCAL_PER_BAR, "bar"), rating.gauge.unit)
    return EstimatedPressure(middle, within, gas.method)


def _top_off(
    asked: FillAsked, stop: Pressure, gas: EstimatedTemperature, target: float, rating: Limit
) -> Pressure | None:
    """What to top off to once it has come to the temperature around it; None where that is not worth it."""
    surroundings = asked.filling.surroundings_at
    cooled = pressure_at(asked.filling.mix, target, surroundings).gauge(rating.gauge.unit)
    now = mol_per_m3(asked.filling.mix, AbsolutePressure.of_gauge(stop), gas.temperature)
    short = cooled.pascal - pressure_at(asked.filling.mix, now, surroundings).gauge("bar").pascal
    return cooled if short > NOT_WORTH_TOPPING.pascal else None


def _remarks(asked: FillAsked, stop: Pressure, curve: tuple[Moment, ...]) -> list[str]:
    filling, found = asked.filling, []
    if asked.rate_max_bar_per_min is not None and filling.rate_bar_per_min > asked.rate_max_bar_per_min:
        found.append(
            f"{filling.rate_bar_per_min:g} bar a minute is faster than the {asked.rate_max_bar_per_min:g} of the shop's policy."
        )
    hottest = max(curve, key=lambda moment: moment.gas.kelvin).gas
    if hottest >= HOTTEST:
        found.append(f"The gas would come to about {hottest.words()}: fill more slowly.")
    if filling.supply is not None and not filling.supply.is_above(stop):
        found.append(f"The bank at {filling.supply.words()} does not reach the gauge of {stop.words()}.")
    return found


def _full(asked: FillAsked, held: float, rating: Limit) -> str:
    settled = pressure_at(asked.filling.mix, held, rating.at).gauge(rating.gauge.unit)
    return (
        f"{asked.filling.start.words()} at {asked.filling.start_at.words()} settle to {settled.words()}: "
        "the cylinder is as full as it may be."
    )


def _doubts(asked: FillAsked) -> list[str]:
    found, filling = [], asked.filling
    if not asked.limits:
        return ["Nothing says how much this cylinder may hold."]
    if not LEAST_LITRE <= filling.vessel.volume_litre <= MOST_LITRE:
        found.append(f"A water capacity of {filling.vessel.volume_litre:g} litres is none of a cylinder.")
    for limit in asked.limits:
        if limit.gauge.value == 0:
            found.append(f"A limit of {limit.gauge.words()} allows no fill: {limit.why}.")
    rating = asked.limits[0]
    if rating.gauge.is_above(HIGHEST_PLANNED):
        found.append(
            f"{rating.gauge.words()} is more than fills are planned for: {HIGHEST_PLANNED.words_in_both()}."
        )
    if not math.isfinite(filling.rate_bar_per_min) or filling.rate_bar_per_min <= 0:
        found.append("A rate is a number and above zero.")
    return found
