"""A second opinion: the GERG-2008 equations (Kunz and Wagner 2012) as teqp computes them. Shares no code with `libs/gas`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import teqp

from gas.mixture import Mix

GERG_GAS_CONSTANT = 8.314472  # J/(mol·K), the value that GERG-2008 was fitted with
ROUNDS = 60
PARTS = ("nitrogen", "oxygen", "argon", "helium")


def fractions(mix: Mix) -> tuple[float, ...]:
    """Of dry air's nitrogen and argon, 0.7812 : 0.0092 (Lemmon et al. 2000)."""
    inert = 1 - mix.oxygen_fraction - mix.helium_fraction
    return inert * 0.7812 / 0.7904, mix.oxygen_fraction, inert * 0.0092 / 0.7904, mix.helium_fraction


def density(mix: Mix, pascal: float, kelvin: float) -> float:
    """mol/m³."""
    return density_of(PARTS, fractions(mix), pascal, kelvin)


def pascal(mix: Mix, mol_per_m3: float, kelvin: float) -> float:
    """Absolute pressure."""
    return _pascal(PARTS, np.maximum(np.array(fractions(mix)), 1e-14), mol_per_m3, kelvin)[0]


def density_of(parts: Sequence[str], x: Sequence[float], pascal: float, kelvin: float) -> float:
    """mol/m³ of any GERG mixture, by Newton's method from the ideal gas; absent parts get a trace that changes nothing."""
    fraction = np.maximum(np.array(x), 1e-14)
    found = pascal / (GERG_GAS_CONSTANT * kelvin)
    for _ in range(ROUNDS):
        at, slope = _pascal(tuple(parts), fraction, found, kelvin)
        step = (at - pascal) / slope
        found = max(found / 2, found - step)
        if abs(step) < 1e-13 * found:
            return found
    raise AssertionError(f"GERG-2008 found no density at {pascal} Pa and {kelvin} K")


def _pascal(parts: tuple[str, ...], x: np.ndarray, mol_per_m3: float, kelvin: float) -> tuple[float, float]:
    """Pressure, and its slope over density at one temperature."""
    model = _model(parts)
    first = float(model.get_Ar01(kelvin, mol_per_m3, x))
    second = float(model.get_Ar02(kelvin, mol_per_m3, x))
    warmth = GERG_GAS_CONSTANT * kelvin
    return mol_per_m3 * warmth * (1 + first), warmth * (1 + 2 * first + second)


@lru_cache
def _model(parts: tuple[str, ...]) -> teqp.AbstractModel:
    made = json.loads(json.dumps({"kind": "GERG2008resid", "model": {"names": list(parts)}}))
    return teqp.make_model(made)
