"""Figures that others published, each with its source, beside what the states say: for the tests and for `make gas-report`."""

from __future__ import annotations

from dataclasses import dataclass

from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import (
    DRY_AIR,
    REFERENCE_21_C,
    REFERENCE_70_F,
    AbsolutePressure,
    Temperature,
)
from gas.states import at_temperature, compressibility, contained, mol_per_m3

AT_300_K = Temperature(300)
OXYGEN, HELIUM = Mix(1.0), Mix(0.0, 1.0)


@dataclass(frozen=True)
class Published:
    """`within` is a fraction of the expected figure."""

    what: str
    expected: float
    within: float
    source: str
    found: float

    @property
    def off(self) -> float:
        return self.found / self.expected - 1


def published() -> list[Published]:
    return [*_handbook(), *_authors(), *_helium_table(), *_trade()]


def _handbook() -> list[Published]:
    source = "Perry's Chemical Engineers' Handbook, air at 300 K (from memory)"
    table = {100: 0.9930, 200: 1.0326, 250: 1.0669, 300: 1.1089}
    return [
        Published(f"Z of air, 300 K, {bar} bar", z, 1e-3, source, _z(DRY_AIR, bar, AT_300_K))
        for bar, z in table.items()
    ]


def _authors() -> list[Published]:
    """By the authors' own equation for the one substance, evaluated apart from this project's mixing rules."""
    table = [
        ("air", DRY_AIR, (4.0370, 7.7690, 10.8511), 5e-4, "Lemmon et al. 2000, equation for air itself"),
        ("oxygen", OXYGEN, (4.2056, 8.4481, 12.1584), 1e-4, "Schmidt and Wagner 1985"),
        ("helium", HELIUM, (3.8294, 7.3373, 10.5708), 1e-4, "Ortiz-Vega et al. 2020"),
    ]
    return [
        Published(
            f"mol/L of {name}, 300 K, {bar} bar", expected, within, source,
            mol_per_m3(mix, AbsolutePressure.of_bar(bar), AT_300_K) / 1000,
        )
        for name, mix, densities, within, source in table
        for bar, expected in zip((100, 200, 300), densities, strict=True)
    ]  # fmt: skip


def _helium_table() -> list[Published]:
    source = "public table of helium at solar.energy.free.fr"
    return [
        Published(
            f"Z of helium, {celsius} °C, 200 bar", z, 1e-3, source, _z(HELIUM, 200, Temperature.of_c(celsius))
        )
        for celsius, z in {15: 1.0965, 50: 1.0851}.items()
    ]


def _trade() -> list[Published]:
    held = contained(DRY_AIR, Pressure(3000, "psi"), REFERENCE_70_F, volume_litre=11.1)
    hot = at_temperature(Pressure(207, "bar"), DRY_AIR, at=REFERENCE_21_C, then=Temperature.of_c(55))
    return [
        Published(
            "cu ft in 11.1 L, 3000 psi, 70 °F", 77.4, 7e-3, "trade figure", held.free_cubic_foot()
        ),
        Published(
            "bar at 55 °C of 207 at 21 °C, to stay below 5/4", 241.6, 2e-3,
            "49 CFR 173.301(a)(8); 241.6 by the equation of air", hot.bar,
        ),
    ]  # fmt: skip


def _z(mix: Mix, bar: float, at: Temperature) -> float:
    return compressibility(mix, AbsolutePressure.of_bar(bar), at)
