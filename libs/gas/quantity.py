"""Absolute pressure, temperature and amount: the quantities that gas laws take, each a type of its own.

A gauge reads `gas.pressure.Pressure`; a gas law takes `AbsolutePressure`. Only this file goes from one to the other.
It must never hold a gauge reading, and never know a law of gases beyond the counting of moles.
"""

import math
from dataclasses import dataclass
from typing import Final

from gas.mixture import Mix
from gas.pressure import PASCAL_PER_BAR, Pressure, Unit

ATMOSPHERE_PASCAL: Final = 101_325.0  # standard atmosphere, exact by definition (10th CGPM, 1954)
ZERO_C_IN_KELVIN: Final = 273.15
MOLAR_GAS_CONSTANT: Final = 8.314462618  # J/(mol·K), exact since 2019 (CODATA 2018)

# Gas in a filled cylinder is nowhere near these; outside them a temperature was keyed wrongly.
LOWEST_C: Final = -60.0
HIGHEST_C: Final = 200.0

# Below half of this an ambient pressure is no place with a dive shop, above it the barometer was misread.
LOWEST_AMBIENT_PASCAL: Final = 50_000.0
HIGHEST_AMBIENT_PASCAL: Final = 110_000.0

CUBIC_FOOT_IN_LITRE: Final = 28.316846592  # international foot of 0.3048 m, cubed: exact

# Molar masses in kg/mol, CODATA/IUPAC standard atomic weights. The inert part is the nitrogen and argon of dry air.
OXYGEN_KG_PER_MOL: Final = 0.0319988
HELIUM_KG_PER_MOL: Final = 0.004002602
NITROGEN_KG_PER_MOL: Final = 0.0280134
ARGON_KG_PER_MOL: Final = 0.039948

# Dry air as Lemmon, Jacobsen, Penoncello and Friend (2000) define it: 0.7812 N2, 0.2096 O2, 0.0092 Ar.
ARGON_OF_INERT: Final = 0.0092 / (0.7812 + 0.0092)
DRY_AIR: Final = Mix(0.2096)


@dataclass(frozen=True, order=True)
class Temperature:
    """A temperature of gas, wall or water. Built by `of_c` or `of_f`, so that no call leaves the scale open."""

    kelvin: float

    def __post_init__(self) -> None:
        celsius = self.kelvin - ZERO_C_IN_KELVIN
        if not math.isfinite(celsius) or not LOWEST_C - 1e-9 <= celsius <= HIGHEST_C + 1e-9:
            raise ValueError(f"a temperature is between {LOWEST_C:g} and {HIGHEST_C:g} °C, not {celsius:g}")

    @classmethod
    def of_c(cls, celsius: float) -> "Temperature":
        return cls(celsius + ZERO_C_IN_KELVIN)

    @classmethod
    def of_f(cls, fahrenheit: float) -> "Temperature":
        return cls((fahrenheit - 32) / 1.8 + ZERO_C_IN_KELVIN)

    @property
    def c(self) -> float:
        return self.kelvin - ZERO_C_IN_KELVIN

    @property
    def f(self) -> float:
        return self.c * 1.8 + 32

    def words(self) -> str:
        return f"{self.c:.0f} °C ({self.f:.0f} °F)"


REFERENCE_15_C: Final = Temperature.of_c(15)
REFERENCE_21_C: Final = Temperature.of_c(21)  # 49 CFR 173.301a(c): "at 21 °C (70 °F)"
REFERENCE_70_F: Final = Temperature.of_f(70)


@dataclass(frozen=True, order=True)
class AbsolutePressure:
    """Pressure above vacuum. There is no arithmetic between it and a gauge reading but `of_gauge` and `gauge`."""

    pascal: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.pascal) or self.pascal < 0:
            raise ValueError("an absolute pressure is a number and not below vacuum")

    @classmethod
    def of_gauge(cls, read: Pressure, ambient_pascal: float = ATMOSPHERE_PASCAL) -> "AbsolutePressure":
        """What a gauge means where the air stands at `ambient_pascal`; lower on a mountain."""
        return cls(read.pascal + _ambient(ambient_pascal))

    @classmethod
    def of_bar(cls, bar: float) -> "AbsolutePressure":
        return cls(bar * PASCAL_PER_BAR)

    @property
    def bar(self) -> float:
        return self.pascal / PASCAL_PER_BAR

    def gauge(self, unit: Unit, ambient_pascal: float = ATMOSPHERE_PASCAL) -> Pressure:
        """What a gauge shows; nothing is below its pin, so less than the air outside reads zero."""
        bar = max(0.0, self.pascal - _ambient(ambient_pascal)) / PASCAL_PER_BAR
        return in_unit(Pressure(bar, "bar"), unit)


@dataclass(frozen=True)
class Amount:
    """So much gas of one mixture, in moles: the one figure that neither heat nor pressure changes."""

    mix: Mix
    mol: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.mol) or self.mol < 0:
            raise ValueError("an amount of gas is a number and not below zero")

    @property
    def kg(self) -> float:
        return self.mol * kg_per_mol(self.mix)

    def free_litre(self, at: Temperature = REFERENCE_21_C) -> float:
        """Litres at one atmosphere, where the ideal-gas law is 0.1 % true or better for these gases."""
        return self.mol * MOLAR_GAS_CONSTANT * at.kelvin / ATMOSPHERE_PASCAL * 1000

    def free_cubic_foot(self, at: Temperature = REFERENCE_70_F) -> float:
        """Cubic feet at one atmosphere, the measure that scuba cylinders are sold by."""
        return self.free_litre(at) / CUBIC_FOOT_IN_LITRE


def in_unit(pressure: Pressure, unit: Unit) -> Pressure:
    """The same pressure in that unit."""
    return pressure if pressure.unit == unit else pressure.twin()


def kg_per_mol(mix: Mix) -> float:
    inert = NITROGEN_KG_PER_MOL * (1 - ARGON_OF_INERT) + ARGON_KG_PER_MOL * ARGON_OF_INERT
    return (
        mix.oxygen_fraction * OXYGEN_KG_PER_MOL
        + mix.helium_fraction * HELIUM_KG_PER_MOL
        + mix.nitrogen_fraction * inert
    )


def _ambient(pascal: float) -> float:
    if not LOWEST_AMBIENT_PASCAL <= pascal <= HIGHEST_AMBIENT_PASCAL:
        raise ValueError(f"air outside stands between 0.5 and 1.1 bar, not {pascal / PASCAL_PER_BAR:g}")
    return pascal
