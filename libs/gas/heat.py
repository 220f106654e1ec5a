"""How warm a cylinder's gas becomes while it is filled: one temperature for the gas, one for the wall, heat between them.

A lumped model of known physics with typical dimensions, **never checked against a measured scuba fill**: whatever comes from it
is an `Estimated…`, and `gas.learning` corrects it by what a shop reads. It must never be the only thing between a cylinder and
too much gas: `gas.fill` stops at the gauge for the coldest that the gas may be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from gas import engine
from gas.mixture import Mix
from gas.pressure import PASCAL_PER_BAR, Pressure
from gas.quantity import HIGHEST_C, LOWEST_C, AbsolutePressure, Temperature, kg_per_mol
from gas.states import cubic_metre, mol_per_m3, pressure_at

Metal = Literal["aluminium", "steel"]
Medium = Literal["air", "water"]

# Typical, from memory, no source: an aluminium cylinder of 11.1 litres weighs 14.3 kg, a steel one of 12 litres 14.5 kg.
KG_PER_LITRE: Final[dict[Metal, float]] = {"aluminium": 14.3 / 11.1, "steel": 14.5 / 12}
HEAT_J_PER_KG_KELVIN: Final[dict[Metal, float]] = {"aluminium": 900.0, "steel": 470.0}
DENSITY_KG_PER_M3: Final[dict[Metal, float]] = {"aluminium": 2700.0, "steel": 7850.0}
OUTSIDE_W_PER_M2_KELVIN: Final[dict[Medium, float]] = {"air": 10.0, "water": 400.0}

LENGTH_PER_DIAMETER: Final = 3.5  # Inside, of a usual scuba cylinder. Typical, no source.
VALVE_BORE_M: Final = 0.004  # Typical, no source.
GRAVITY: Final = 9.80665

# Of thin gas near 300 K, W/(m·K) and Pa·s; dense gas conducts a little better, so the wall takes a little more than this says.
CONDUCTIVITY_HELIUM: Final = 0.155
CONDUCTIVITY_OTHER: Final = 0.026
VISCOSITY: Final = 2.0e-5

LEAST_RATE_BAR_PER_MIN: Final = 0.5
MOST_RATE_BAR_PER_MIN: Final = 300.0

_STEPS = 60
_MOST_STEPS = 6 * _STEPS
_MIN_IN_S = 60.0


@dataclass(frozen=True)
class Vessel:
    """What is filled. Without its weight a typical one is taken."""

    volume_litre: float
    metal: Metal
    wall_kg: float | None = None


@dataclass(frozen=True)
class Filling:
    """One cylinder at one rate of rise on its gauge. Without a supply pressure the gas comes from a compressor."""

    vessel: Vessel
    mix: Mix
    start: Pressure
    start_at: Temperature
    rate_bar_per_min: float
    supply_at: Temperature
    surroundings_at: Temperature
    supply: Pressure | None = None
    medium: Medium = "air"


@dataclass(frozen=True)
class Moment:
    """One point of the curve: what the gauge would show, the temperatures, and what that would settle to be in moles."""

    minute: float
    gauge: Pressure
    gas: Temperature
    wall: Temperature
    mol_per_m3: float


def warming(filling: Filling, until_mol_per_m3: float, rise_factor: float = 1.0) -> tuple[Moment, ...]:
    """The curve from the start until that density. `rise_factor` is what a shop's own readings make of the model's rise.

    ValueError for a rate or a start that nothing can be computed from.
    """
    if not LEAST_RATE_BAR_PER_MIN <= filling.rate_bar_per_min <= MOST_RATE_BAR_PER_MIN:
        raise ValueError(
            f"a fill rises by {LEAST_RATE_BAR_PER_MIN:g} to {MOST_RATE_BAR_PER_MIN:g} bar a minute, "
            f"not {filling.rate_bar_per_min:g}"
        )
    density = mol_per_m3(filling.mix, AbsolutePressure.of_gauge(filling.start), filling.start_at)
    at = _Now(0.0, density, filling.start_at.kelvin, filling.start_at.kelvin)
    body = _Body.of(filling)
    step_s = _step_s(filling, until_mol_per_m3)
    passed = [at]
    for _ in range(_MOST_STEPS):
        if at.density >= until_mol_per_m3:
            break
        at = _later(filling, body, at, step_s)
        passed.append(at)
    if len(passed) > 1:
        passed[-1] = _cut(passed[-2], passed[-1], until_mol_per_m3)
    return tuple(_moment(filling, now, rise_factor) for now in passed)


@dataclass(frozen=True)
class _Now:
    second: float
    density: float
    gas: float
    wall: float


@dataclass(frozen=True)
class _Body:
    """Sizes and capacities, SI."""

    volume: float
    diameter: float
    inside: float
    outside: float
    wall_j_per_kelvin: float
    outside_w_per_kelvin: float
    inflow_j: float | None  # of a mole from a bank; a compressor's changes as the pressure does

    @classmethod
    def of(cls, filling: Filling) -> _Body:
        vessel = filling.vessel
        volume = cubic_metre(vessel.volume_litre)
        kg = (
            vessel.wall_kg if vessel.wall_kg is not None else KG_PER_LITRE[vessel.metal] * vessel.volume_litre
        )
        if not 0 < kg < math.inf:
            raise ValueError(f"a cylinder weighs something, not {kg:g} kg")
        diameter = (4 * volume / (math.pi * LENGTH_PER_DIAMETER)) ** (1 / 3)
        inside = math.pi * diameter**2 * (LENGTH_PER_DIAMETER + 0.5)
        thickness = kg / DENSITY_KG_PER_M3[vessel.metal] / inside
        outside = inside * (1 + 2 * thickness / diameter)
        return cls(
            volume,
            diameter,
            inside,
            outside,
            kg * HEAT_J_PER_KG_KELVIN[vessel.metal],
            OUTSIDE_W_PER_M2_KELVIN[filling.medium] * outside,
            None
            if filling.supply is None
            else _enthalpy_j(filling, AbsolutePressure.of_gauge(filling.supply).pascal),
        )


def _later(filling: Filling, body: _Body, at: _Now, step_s: float) -> _Now:
    """One step. The heat to the wall is taken at the end of the step, so that little gas in a big cylinder stays stable."""
    state = engine.energetics(filling.mix, at.density, at.gas)
    rise = filling.rate_bar_per_min * PASCAL_PER_BAR / _MIN_IN_S
    inflow_j = body.inflow_j if body.inflow_j is not None else _enthalpy_j(filling, state.pascal)
    flow = rise / state.pascal_per_density * body.volume
    to_wall = _to_wall_w_per_kelvin(filling, body, state, at, flow)
    # Two equations in the slopes of density and gas temperature: the gauge rises evenly; the energy adds up.
    stored = at.density * body.volume * state.heat_capacity_v_j_per_kelvin + to_wall * step_s
    per_density = body.volume * (inflow_j - state.energy_j - at.density * state.energy_per_density)
    loss = to_wall * (at.gas - at.wall)
    determinant = stored * state.pascal_per_density + per_density * state.pascal_per_kelvin
    denser = (rise * stored + loss * state.pascal_per_kelvin) / determinant
    warmer = (rise * per_density - loss * state.pascal_per_density) / determinant
    gas = _bounded(at.gas + warmer * step_s)
    inward = to_wall * (gas - at.wall) - body.outside_w_per_kelvin * (
        at.wall - filling.surroundings_at.kelvin
    )
    capacity = body.wall_j_per_kelvin + (to_wall + body.outside_w_per_kelvin) * step_s
    wall = _bounded(at.wall + inward * step_s / capacity)
    return _Now(at.second + step_s, at.density + denser * step_s, gas, wall)


def _enthalpy_j(filling: Filling, pascal: float) -> float:
    """Of a mole at the supply: throttling keeps it, so the Joule–Thomson effect is in it."""
    kelvin = filling.supply_at.kelvin
    density = engine.density(filling.mix, pascal, kelvin)
    return engine.energetics(filling.mix, density, kelvin).enthalpy_j


def _to_wall_w_per_kelvin(
    filling: Filling, body: _Body, state: engine.Energetics, at: _Now, flow: float
) -> float:
    """Nu = 0.56·Re^0.67 + 0.104·Ra^0.352: Woodfield, Monde and Mitsutake (2007), read second-hand."""
    mix = filling.mix
    conductivity = CONDUCTIVITY_OTHER + (CONDUCTIVITY_HELIUM - CONDUCTIVITY_OTHER) * mix.helium_fraction
    kg_per_m3 = at.density * kg_per_mol(mix)
    reynolds = 4 * flow * kg_per_mol(mix) / (math.pi * VALVE_BORE_M * VISCOSITY)
    capacity = state.heat_capacity_p_j_per_kelvin / kg_per_mol(mix)
    buoyancy = GRAVITY * abs(at.gas - at.wall) / at.gas * body.diameter**3
    rayleigh = buoyancy * kg_per_m3**2 * capacity / (VISCOSITY * conductivity)
    nusselt = 0.56 * reynolds**0.67 + 0.104 * rayleigh**0.352
    return float(nusselt * conductivity / body.diameter * body.inside)


def _step_s(filling: Filling, until_mol_per_m3: float) -> float:
    end = pressure_at(filling.mix, until_mol_per_m3, filling.start_at).bar
    bar = max(1.0, end - AbsolutePressure.of_gauge(filling.start).bar)
    return bar / filling.rate_bar_per_min * _MIN_IN_S / _STEPS


def _cut(before: _Now, after: _Now, until_mol_per_m3: float) -> _Now:
    """The last step only as far as the density that was asked for."""
    share = min(1.0, (until_mol_per_m3 - before.density) / (after.density - before.density))

    def at(one: float, other: float) -> float:
        return one + (other - one) * share

    return _Now(
        at(before.second, after.second), at(before.density, after.density), at(before.gas, after.gas),
        at(before.wall, after.wall),
    )  # fmt: skip


def _moment(filling: Filling, now: _Now, rise_factor: float) -> Moment:
    start = filling.start_at.kelvin
    gas = Temperature(_bounded(start + (now.gas - start) * rise_factor))
    wall = Temperature(_bounded(start + (now.wall - start) * rise_factor))
    gauge = pressure_at(filling.mix, now.density, gas).gauge(filling.start.unit)
    return Moment(now.second / _MIN_IN_S, gauge, gas, wall, now.density)


def _bounded(kelvin: float) -> float:
    """Inside what a `Temperature` may be; no real fill comes near."""
    return min(max(kelvin, LOWEST_C + 273.15), HIGHEST_C + 273.15)
