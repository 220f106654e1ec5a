"""Density, pressure and energy of a breathing gas by multi-fluid Helmholtz equations of state (CoolProp).

The only file that knows CoolProp, and it imports it at the first call: that takes two seconds, and most pages need no gas law.
The gas phase is forced, since breathing gas above −60 °C has no other and a search for one takes a hundred times as long.
Bare SI numbers live here and in `gas.states` alone; it must never be given a gauge pressure.

Oxygen, nitrogen and argon mix by the equations of Lemmon, Jacobsen, Penoncello and Friend (2000), whose constants stand
below: CoolProp 8 mixes them by another set that puts air 0.11 % off those authors' own equation for air. Helium with
nitrogen is Kunz and Wagner (2012). Helium with oxygen has never been fitted by anyone, and CoolProp's helium with argon was
fitted far below room temperature; `gas.states.model_fraction` says how sure a density is therefore.
"""

from __future__ import annotations

import json
import math
import threading
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from gas.mixture import Mix
from gas.quantity import ARGON_OF_INERT, LOWEST_C, ZERO_C_IN_KELVIN

if TYPE_CHECKING:
    from CoolProp.CoolProp import AbstractState, input_pairs

HIGHEST_PASCAL: Final = 1000e5

# A part below this is no part: two zeros among the fractions make the mixing rule divide by zero.
_NO_PART: Final = 1e-9
_COLDEST_KELVIN: Final = LOWEST_C + ZERO_C_IN_KELVIN - 1e-6

# Lemmon et al., J. Phys. Chem. Ref. Data 29 (2000): for each pair the weight of the excess term, the shift of
# the reducing temperature in kelvin and of the reducing volume in dm³/mol.
_AIR_PAIRS: Final = (
    ("Nitrogen", "Oxygen", 1.0, -0.856350, -0.00041847),
    ("Nitrogen", "Argon", 1.121527, -1.237713, -0.00076031),
    ("Oxygen", "Argon", 0.597203, -2.115126, 0.00041232),
)
_AIR_EXCESS_NAME: Final = "dry air of Lemmon et al. 2000"
_AIR_EXCESS: Final = {
    "Name": _AIR_EXCESS_NAME,
    "aliases": [],
    "BibTeX": "Lemmon-JPCRD-2000",
    "type": "Exponential",
    "Npower": 2,
    "n": [-0.00195245, 0.00871334],
    "t": [-1.4, 1.5],
    "d": [2, 2],
    "l": [0, 0],
}


@dataclass(frozen=True, slots=True)
class Energetics:
    """Of one mole at a density and temperature, SI units, with the slopes that an energy balance needs."""

    pascal: float
    energy_j: float
    enthalpy_j: float
    heat_capacity_v_j_per_kelvin: float
    heat_capacity_p_j_per_kelvin: float
    pascal_per_density: float
    pascal_per_kelvin: float
    energy_per_density: float


def density(mix: Mix, pascal: float, kelvin: float) -> float:
    """mol/m³ at that absolute pressure. ValueError above 1000 bar or at a temperature no `Temperature` holds."""
    if not 0.0 < pascal <= HIGHEST_PASCAL or not kelvin >= _COLDEST_KELVIN:
        _refuse(pascal, kelvin)
    at = ready(mix)
    at.state.update(at.by_pressure, pascal, kelvin)
    return at.state.rhomolar()


def pascal(mix: Mix, mol_per_m3: float, kelvin: float) -> float:
    """Absolute pressure at that density: no search, ten times as fast as `density`."""
    if not 0.0 < mol_per_m3 < math.inf or not kelvin >= _COLDEST_KELVIN:
        _refuse(mol_per_m3, kelvin)
    at = ready(mix)
    at.state.update(at.by_density, mol_per_m3, kelvin)
    return at.state.p()


def energetics(mix: Mix, mol_per_m3: float, kelvin: float) -> Energetics:
    """Pressure, energy and their slopes at that density."""
    from CoolProp.CoolProp import iDmolar, iP, iT, iUmolar

    found = pascal(mix, mol_per_m3, kelvin)
    state = ready(mix).state
    return Energetics(
        pascal=found,
        energy_j=state.umolar(),
        enthalpy_j=state.hmolar(),
        heat_capacity_v_j_per_kelvin=state.cvmolar(),
        heat_capacity_p_j_per_kelvin=state.cpmolar(),
        pascal_per_density=state.first_partial_deriv(iP, iDmolar, iT),
        pascal_per_kelvin=state.first_partial_deriv(iP, iT, iDmolar),
        energy_per_density=state.first_partial_deriv(iUmolar, iDmolar, iT),
    )


@dataclass(slots=True)
class Ready:
    """An engine for one set of parts, and its names for the two ways to ask it."""

    state: AbstractState
    by_pressure: input_pairs
    by_density: input_pairs
    filled_with: Mix | None = None


class _Engines(threading.local):
    """CoolProp's states remember what they were last asked, so no two threads may share one."""

    def __init__(self) -> None:
        self.of_parts: dict[tuple[str, ...], Ready] = {}


_engines = _Engines()
_one_builds = threading.Lock()


def ready(mix: Mix) -> Ready:
    """This thread's engine, filled with that mixture; for measuring what a bare call of it costs."""
    names, fractions = _parts(mix)
    found = _engines.of_parts.get(names)
    if found is None:
        with _one_builds:
            found = _engines.of_parts[names] = _built(names)
    if found.filled_with is not mix:
        found.state.set_mole_fractions(fractions)
        found.filled_with = mix
    return found


@lru_cache(maxsize=4096)
def _parts(mix: Mix) -> tuple[tuple[str, ...], list[float]]:
    inert = mix.nitrogen_fraction
    whole = (
        ("Nitrogen", inert * (1 - ARGON_OF_INERT)),
        ("Oxygen", mix.oxygen_fraction),
        ("Argon", inert * ARGON_OF_INERT),
        ("Helium", mix.helium_fraction),
    )
    kept = [(name, fraction) for name, fraction in whole if fraction > _NO_PART]
    total = math.fsum(fraction for _, fraction in kept)
    return tuple(name for name, _ in kept), [fraction / total for _, fraction in kept]


def _built(names: tuple[str, ...]) -> Ready:
    from CoolProp.CoolProp import PT_INPUTS, AbstractState, DmolarT_INPUTS, iphase_gas

    _teach_excess_of_air()
    state = AbstractState("HEOS", "&".join(names))
    for first, second, weight, kelvin, dm3_per_mol in _AIR_PAIRS:
        if first in names and second in names:
            _mix_as_air(state, names.index(first), names.index(second), weight, kelvin, dm3_per_mol)
    state.specify_phase(iphase_gas)
    return Ready(state, PT_INPUTS, DmolarT_INPUTS)


def _mix_as_air(
    state: AbstractState, first: int, second: int, weight: float, kelvin: float, dm3_per_mol: float
) -> None:
    """Those authors shift the mean of two critical points; CoolProp wants the same as factors on its own means."""
    from CoolProp.CoolProp import irhomolar_reducing, iT_reducing

    hot, hotter = (state.get_fluid_constant(at, iT_reducing) for at in (first, second))
    large, larger = (1e3 / state.get_fluid_constant(at, irhomolar_reducing) for at in (first, second))
    by_temperature = (hot + hotter + kelvin) / (2 * math.sqrt(hot * hotter))
    by_volume = 4 * (large + larger + dm3_per_mol) / (large ** (1 / 3) + larger ** (1 / 3)) ** 3
    state.set_binary_interaction_string(first, second, "function", _AIR_EXCESS_NAME)
    for name, value in (
        ("betaT", 1.0),
        ("gammaT", by_temperature),
        ("betaV", 1.0),
        ("gammaV", by_volume),
        ("Fij", weight),
    ):
        state.set_binary_interaction_double(first, second, name, value)


@lru_cache(maxsize=1)
def _teach_excess_of_air() -> None:
    """Once a process: CoolProp keeps a library of excess terms by name."""
    from CoolProp.CoolProp import set_departure_functions

    set_departure_functions(json.dumps([_AIR_EXCESS]))


def _refuse(asked: float, kelvin: float) -> None:
    raise ValueError(f"no state of gas is known at {asked:g} (Pa or mol/m³) and {kelvin:g} K")
