"""`make gas-report`: how far the states are from published figures and from a second set of equations, and what that does to a blend."""

from __future__ import annotations

import random
import statistics
from collections.abc import Callable, Sequence

from rich.console import Console
from rich.table import Table
from tests.gas import gerg
from tests.gas.published import published
from tests.gas.recipes import Made, compared

from gas.mixture import Mix
from gas.quantity import DRY_AIR, MOLAR_GAS_CONSTANT, AbsolutePressure, Temperature
from gas.states import mol_per_m3

MIXES = (
    DRY_AIR, Mix(0.32), Mix(0.50), Mix(1.0), Mix(0.0, 1.0), Mix(0.21, 0.35), Mix(0.18, 0.45), Mix(0.10, 0.70),
    Mix(0.50, 0.20),
)  # fmt: skip
KELVINS = (273.15, 283.15, 294.15, 308.15, 328.15)
BARS = (50, 100, 150, 200, 232, 300, 350)
BLENDS = 500
SEED = 2026

_Density = Callable[[Mix, float, float], float]


def main() -> None:
    out = Console()
    if not out.is_terminal:
        out = Console(width=132)
    for table in (published_table(), density_table(), blend_table(BLENDS)):
        out.print(table)


def published_table() -> Table:
    table = _table("Published figures", "what", "published", "found", "off", "source")
    for one in published():
        table.add_row(one.what, f"{one.expected:.5g}", f"{one.found:.5g}", f"{one.off:+.3%}", one.source)
    return table


def density_table() -> Table:
    """Every mixture over five temperatures and seven pressures; the ideal-gas law beside it."""
    table = _table(
        "Density from GERG-2008, 0 to 55 °C, 50 to 350 bar", "mixture", "mean", "largest to 300 bar", "largest",
        "ideal gas: mean", "ideal gas: largest",
    )  # fmt: skip
    for mix in MIXES:
        ours, to_300 = _off(mix, _states, BARS), _off(mix, _states, [bar for bar in BARS if bar <= 300])
        ideal = _off(mix, _ideal, BARS)
        table.add_row(
            mix.words(), f"{statistics.fmean(ours):.3%}", f"{max(to_300):.3%}", f"{max(ours):.3%}",
            f"{statistics.fmean(ideal):.1%}", f"{max(ideal):.1%}",
        )  # fmt: skip
    return table


def blend_table(blends: int) -> Table:
    """Plans followed by their gauges in GERG-2008: what they make, less what they say."""
    table = _table(
        f"{blends} random blends to 150 … 300 bar, followed by their gauges in GERG-2008", "blends",
        "oxygen: mean", "largest", "helium: mean", "largest",
    )  # fmt: skip
    for name, helium in (("nitrox 22 to 60 %", False), ("trimix 8 to 40 % oxygen, 10 to 70 % helium", True)):
        made = compared(random.Random(SEED), blends, helium=helium)
        table.add_row(name, *_figures(made, "oxygen"), *_figures(made, "helium"))
    return table


def _figures(made: Sequence[Made], part: str) -> tuple[str, str]:
    offs = [abs(one.oxygen_off if part == "oxygen" else one.helium_off) for one in made]
    return f"{statistics.fmean(offs):.3%}", f"{max(offs):.3%}"


def _off(mix: Mix, density: _Density, bars: Sequence[float]) -> list[float]:
    return [
        abs(density(mix, bar * 1e5, kelvin) / gerg.density(mix, bar * 1e5, kelvin) - 1)
        for bar in bars
        for kelvin in KELVINS
    ]


def _states(mix: Mix, pascal: float, kelvin: float) -> float:
    return mol_per_m3(mix, AbsolutePressure(pascal), Temperature(kelvin))


def _ideal(mix: Mix, pascal: float, kelvin: float) -> float:
    return pascal / (MOLAR_GAS_CONSTANT * kelvin)


def _table(title: str, first: str, *others: str) -> Table:
    table = Table(title=title, title_justify="left")
    table.add_column(first)
    for other in others:
        table.add_column(other, justify="left" if other == "source" else "right")
    return table


if __name__ == "__main__":
    main()
