"""One fill of one cylinder as the gas law sees it: which gauge to stop at, and what that settles to.

Pure, and the one place where a visit becomes a question for `gas.fill`. It must never plan above the rating that was read in
this visit or the rulebook's limit, and never count on warmth that nobody can vouch for: without a temperature or a size it
plans for colder gas and says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from cylinder.around import Around, HousePolicy
from cylinder.commands.filling import FillConditions
from cylinder.facts import FillAuthorisedByPlan, FillPlanned
from cylinder.marks import GasWanted, KeyedPressure
from cylinder.refusal import Reason, Refused, refuse_if
from cylinder.visit import Visit
from gas.fill import CannotFill, FillAsked, FillPlan, Limit, plan_fill, stop_now
from gas.heat import LEAST_RATE_BAR_PER_MIN, MOST_RATE_BAR_PER_MIN, Filling, Metal, Vessel, warming
from gas.learning import LEAST_READINGS, Correction
from gas.mixture import Mix
from gas.pressure import Pressure, Unit
from gas.quantity import DRY_AIR, REFERENCE_21_C, AbsolutePressure, Temperature
from gas.states import PROBE_WITHIN_KELVIN, at_temperature, mol_per_m3
from rulebook import Pack, fill_limit, hot_limit, spec_known

# Without a thermometer a room is taken to be as cold as any where people fill. Our choice, on the safe side.
COLDEST_ASSUMED: Final = Temperature.of_c(10)

# Outside these a fill room was misread; from the third on somebody has to say that it is not °F. Our choice.
LEAST_ROOM_C: Final = -10.0
MOST_ROOM_C: Final = 50.0
HOT_ROOM_C: Final = 40.0

# A litre below the first or above the second is no scuba cylinder. Common practice, no source.
LEAST_LITRE: Final = 0.5
MOST_LITRE: Final = 30.0

# US Navy Diving Manual 10-10: at most 200 psi a minute while mixing nitrox (page images, Change A).
MOST_RATE_OF_MIX: Final = Pressure(200, "psi").bar

# The marks that a person can read off a gauge: a figure to stop at is rounded down to one. Common practice, no source.
_MARK: Final[dict[Unit, float]] = {"psi": 10.0, "bar": 1.0}
ONE_MARK: Final = Pressure(1, "bar")

# More than any breathing gas is filled to, and less than the gas law refuses to speak of.
_BEYOND_ANY: Final = Pressure(600, "bar")

_STAND_IN: Final = Vessel(11.1, "aluminium")


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan as it is stored, and the remarks that a person should read before the valve opens."""

    plan: FillPlanned
    remarks: tuple[str, ...] = ()


def plan_of(visit: Visit) -> FillPlanned | None:
    """The plan of the fill that was started in this visit, where there is one."""
    return visit.authorised.plan if isinstance(visit.authorised, FillAuthorisedByPlan) else None


def most_on_gauge(visit: Visit) -> Pressure | None:
    """What the gauge of this fill may show; more is an overfill. None where no fill was started.

    With a thermometer it is the gauge to stop at and the mark above it, which may lie over or under the rating; without
    one it is the rating.
    """
    if visit.authorised is None:
        return None
    plan = plan_of(visit)
    if plan is None or not plan.is_at_known_temperature:
        return visit.authorised.rated.pressure
    stop = plan.stop.pressure
    return (
        Pressure(stop.bar + ONE_MARK.bar, "bar")
        if stop.unit == "bar"
        else Pressure(stop.psi + ONE_MARK.psi, "psi")
    )


def rates(gas: GasWanted, policy: HousePolicy) -> tuple[float, float]:
    """The usual and the highest rate of rise in bar a minute for this gas, by the shop's policy and the standard for mixes."""
    usual, most = policy.fill_rate_bar_per_min, policy.fill_rate_max_bar_per_min
    return (usual, most) if gas.is_air else (min(usual, MOST_RATE_OF_MIX), min(most, MOST_RATE_OF_MIX))


def plan_fill_of(visit: Visit, target: KeyedPressure, conditions: FillConditions, around: Around) -> Planned:
    """The plan for this cylinder to this target under these conditions. Raises Refused with every reason why there is none."""
    rating, residual, marks = visit.rating, visit.residual, visit.marks
    if rating is None or residual is None or marks is None:
        raise Refused([Reason("fill.not-read", "Marks, rating and what is left must be read first.")])
    usual, most = rates(visit.gas, around.policy)
    refuse_if(_doubts(conditions))
    rate = conditions.rate_bar_per_min if conditions.rate_bar_per_min is not None else usual
    room = COLDEST_ASSUMED if conditions.room_c is None else Temperature.of_c(conditions.room_c)
    vessel = _vessel(around.rules, marks.spec, conditions.volume_litre)
    start = (
        Pressure(residual.pressure.bar, "bar")
        if target.unit == "bar"
        else Pressure(residual.pressure.psi, "psi")
    )
    filling = Filling(vessel or _STAND_IN, mix_of(visit.gas), start, room, rate, room, room)
    asked = FillAsked(
        filling, limits(around.rules, marks.spec, rating.rated.pressure, target.pressure), None, most,
        around.fill_correction,
    )  # fmt: skip
    if vessel is None or conditions.room_c is None:
        return _unwarmed(asked, conditions, target.unit)
    found = plan_fill(asked)
    if isinstance(found, CannotFill):
        raise Refused([Reason("fill.no-plan", words) for words in found.reasons])
    return Planned(_stored(found, conditions), found.remarks)


def limits(rules: Pack, spec: str, rated: Pressure, target: Pressure) -> tuple[Limit, ...]:
    """What this cylinder may hold: the target, never above the rating as the rulebook limits it, and the law's hot limit.

    A plus is not read in a visit, so no fill goes above the rating.
    """
    most, _ = fill_limit(rules, spec, rated, plus_stamped=False)
    settled = most if target.is_above(most) else target
    found = [Limit(settled, REFERENCE_21_C, rules.rule("fill.limit").words)]
    hot = hot_limit(rules, rated)
    if hot is not None:
        found.append(Limit(hot, Temperature.of_c(55), rules.rule("fill.hot").words))
    return tuple(found)


def mix_of(gas: GasWanted) -> Mix:
    """The gas wanted as the gas laws take it."""
    return DRY_AIR if gas.is_air else Mix(gas.oxygen_percent / 100, gas.helium_percent / 100)


def metal_of(rules: Pack, spec: str) -> Metal | None:
    """What the wall is made of; None where the type does not say, or it is wound."""
    key = spec_known(rules, spec)
    metal = rules.specification(key).metal if key is not None else "any"
    return metal if metal in ("aluminium", "steel") else None


def foreseen(
    visit: Visit, settled: Pressure, wall: Temperature, rules: Pack
) -> tuple[float, Pressure] | None:
    """What the uncorrected model says of the fill as it went: the rise in kelvin, and what its end settles to at 21 °C.

    None where no size or temperature was known, or the fill took no time that tells a rate.
    """
    plan, done, started = plan_of(visit), visit.completed, visit.authorised_at
    if plan is None or plan.room_c is None or visit.marks is None or done is None:
        return None
    vessel = _vessel(rules, visit.marks.spec, plan.volume_litre)
    if (
        vessel is None
        or started is None
        or visit.completed_at is None
        or done.end.pressure.is_above(_BEYOND_ANY)
    ):
        return None
    minutes = (visit.completed_at - started).total_seconds() / 60
    rate = (done.end.pressure.bar - done.start.pressure.bar) / minutes if minutes > 0 else 0.0
    if not LEAST_RATE_BAR_PER_MIN <= rate <= MOST_RATE_BAR_PER_MIN:
        return None
    room, mix = Temperature.of_c(plan.room_c), mix_of(done.gas)
    density = mol_per_m3(mix, AbsolutePressure.of_gauge(settled), wall)
    curve = warming(Filling(vessel, mix, done.start.pressure, room, rate, room, room), density)
    rise = curve[-1].gas.kelvin - room.kelvin
    hot = Temperature(room.kelvin + rise)
    return rise, at_temperature(done.end.pressure, mix, at=hot, then=REFERENCE_21_C)


def _vessel(rules: Pack, spec: str, volume_litre: float | None) -> Vessel | None:
    metal = metal_of(rules, spec)
    return None if metal is None or volume_litre is None else Vessel(volume_litre, metal)


def _unwarmed(asked: FillAsked, conditions: FillConditions, unit: Unit) -> Planned:
    """No warming counted: the gauge for gas as cold as the room, or as a cold room where nobody read a thermometer."""
    filling = asked.filling
    # What was assumed is the coldest already; what was read may be off as a probe is.
    within_kelvin = 0.0 if conditions.room_c is None else PROBE_WITHIN_KELVIN
    stop = _down(stop_now(asked, filling.start_at, within_kelvin), unit)
    if not stop.pressure.is_above(filling.start):
        raise Refused([Reason("fill.no-plan", _as_full(stop, filling.start, conditions))])
    minutes = (stop.pressure.bar - filling.start.bar) / filling.rate_bar_per_min
    return Planned(
        FillPlanned(
            room_c=_rounded(conditions.room_c), volume_litre=conditions.volume_litre, rate_bar_per_min=round(filling.rate_bar_per_min, 1),
            stop=stop, minutes=round(minutes, 1),
        ),
        _too_fast(asked),
    )  # fmt: skip


def _as_full(stop: KeyedPressure, start: Pressure, conditions: FillConditions) -> str:
    why = "read a thermometer" if conditions.room_c is None else "key its size"
    return (
        f"It holds {start.words()} and may be stopped at {stop.words} at the most, as long as no warmth is counted: "
        f"{why}, and the plan can say more."
    )


def _stored(found: FillPlan, conditions: FillConditions) -> FillPlanned:
    unit = found.stop.unit
    return FillPlanned(
        room_c=_rounded(conditions.room_c),
        volume_litre=conditions.volume_litre,
        rate_bar_per_min=round(found.asked.filling.rate_bar_per_min, 1),
        stop=_down(found.stop, unit),
        minutes=round(found.minutes, 1),
        rise_kelvin=round(found.gas.temperature.kelvin - found.asked.filling.start_at.kelvin, 1),
        rise_within_kelvin=round(found.gas.within_kelvin, 1),
        settles_to_bar=round(found.settles_to.gauge.bar, 1),
        settles_within_bar=round(max(1.0, found.settles_to.within.bar), 1),
        top_off=None if found.top_off is None else _down(found.top_off, unit),
        learnt_from=_learnt_from(found.asked.correction),
    )


def _learnt_from(correction: Correction) -> int:
    """Fewer readings than a correction needs have taught nothing yet."""
    return correction.readings if correction.readings >= LEAST_READINGS else 0


def _rounded(celsius: float | None) -> float | None:
    """To what a thermometer shows; a figure keyed in °F is no neat one in °C."""
    return None if celsius is None else round(celsius, 1)


def _down(pressure: Pressure, unit: Unit) -> KeyedPressure:
    """Rounded down to a mark of the gauge: up would be more gas than was planned."""
    value = pressure.psi if unit == "psi" else pressure.bar
    return KeyedPressure(value=math.floor(value / _MARK[unit] + 1e-6) * _MARK[unit], unit=unit)


def _too_fast(asked: FillAsked) -> tuple[str, ...]:
    rate, most = asked.filling.rate_bar_per_min, asked.rate_max_bar_per_min
    if most is None or rate <= most + 1e-9:
        return ()
    return (f"{rate:g} bar a minute is faster than the {most:.3g} of the shop's policy.",)


def _doubts(conditions: FillConditions) -> list[Reason]:
    found, room, litre = [], conditions.room_c, conditions.volume_litre
    if room is not None and not LEAST_ROOM_C <= room <= MOST_ROOM_C:
        words = f"{room:.0f} °C ({room * 1.8 + 32:.0f} °F) is no temperature to fill at. Read the thermometer again, figure and scale."
        found.append(Reason("fill.room", words, "input"))
    elif room is not None and room > HOT_ROOM_C and not conditions.room_is_sure:
        words = f"{room:.0f} °C ({room * 1.8 + 32:.0f} °F) is hot for a room. Say that it is right, or correct figure and scale."
        found.append(Reason("fill.room-hot", words, "input"))
    if litre is not None and not LEAST_LITRE <= litre <= MOST_LITRE:
        words = f"{litre:g} litres is no size of a cylinder: {LEAST_LITRE:g} to {MOST_LITRE:g} of water. Leave it empty if it is not known."
        found.append(Reason("fill.size", words, "input"))
    rate = conditions.rate_bar_per_min
    if rate is not None and not LEAST_RATE_BAR_PER_MIN <= rate <= MOST_RATE_BAR_PER_MIN:
        words = f"{rate:g} bar a minute is no rate of a fill: {LEAST_RATE_BAR_PER_MIN:g} to {MOST_RATE_BAR_PER_MIN:g}."
        found.append(Reason("fill.rate", words, "input"))
    return found
