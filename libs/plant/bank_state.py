"""What a shop's storage bottles hold by what is on record: moles per bottle, how sure that is, and since when.

A reading is what was read; every figure after it is an estimate and says so. It must never let a bottle that nobody has
read pass for one with gas in it, and never say that a bottle may be filled.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final
from uuid import UUID

from gas.bank import Bank, Bottle
from gas.mixture import Mix
from gas.pressure import Pressure, Unit
from gas.quantity import REFERENCE_21_C, Amount, Temperature
from gas.states import contained, gauge_of, settled

# A gauge's mark and a wall thermometer. Common practice, no source.
GAUGE_WITHIN: Final = Pressure(2, "bar")
TEMPERATURE_WITHIN_KELVIN: Final = 2.0


@dataclass(frozen=True)
class BottleState:
    """One bottle. `mol` is None until it is read; `within_mol` is how far off it may be."""

    name: str
    volume_litre: float
    service: Pressure
    mol: float | None = None
    within_mol: float = 0.0
    read: Pressure | None = None
    read_c: float | None = None
    read_at: dt.datetime | None = None
    is_withdrawn: bool = False
    withdrawn_why: str = ""
    fills_since: int = 0

    @property
    def gives(self) -> bool:
        """Whether a fill can draw on it as far as anybody knows."""
        return self.mol is not None and not self.is_withdrawn

    @property
    def is_estimate(self) -> bool:
        """Whether something was drawn since the gauge was read."""
        return self.fills_since > 0


@dataclass(frozen=True)
class BankState:
    """One bank. `mix` is what was analysed last, or what is `meant` to be in it.

    `unsure` are the reasons, in words, why its figures may be worse than they say.
    """

    bank_id: UUID
    name: str
    mix: Mix
    meant: Mix
    bottles: tuple[BottleState, ...]
    whips: tuple[int, ...] = ()
    at: Temperature = REFERENCE_21_C
    is_analysed: bool = False
    unsure: tuple[str, ...] = ()

    @property
    def giving(self) -> tuple[BottleState, ...]:
        """The bottles that a fill can draw on."""
        return tuple(bottle for bottle in self.bottles if bottle.gives)

    @property
    def is_plain(self) -> bool:
        """Air, oxygen or helium, which come as they are called; every other gas was mixed by somebody."""
        return self.meant.words() in ("Air", "Oxygen", "Helium")

    @property
    def unread(self) -> tuple[BottleState, ...]:
        """The bottles that are open and that nobody has read."""
        return tuple(one for one in self.bottles if one.mol is None and not one.is_withdrawn)

    @property
    def fills_since(self) -> int:
        """How many fills its figures have been worked out over since somebody read them."""
        return max((bottle.fills_since for bottle in self.giving), default=0)

    @property
    def mol(self) -> float:
        return sum(bottle.mol or 0.0 for bottle in self.giving)

    @property
    def within_mol(self) -> float:
        return sum(bottle.within_mol for bottle in self.giving)

    @property
    def unit(self) -> Unit:
        """As its bottles are stamped."""
        return self.bottles[0].service.unit

    def bottle(self, name: str) -> BottleState | None:
        """The bottle of that name, if it has one."""
        return next((one for one in self.bottles if one.name.casefold() == name.casefold()), None)

    def gauge(self, bottle: BottleState) -> Pressure | None:
        """What its gauge should show at the bank's temperature; None while nobody has read it."""
        return None if bottle.mol is None else self._gauge(bottle, bottle.mol)

    def gauge_within(self, bottle: BottleState) -> Pressure | None:
        """How far off that may be, either way."""
        if bottle.mol is None:
            return None
        low = self._gauge(bottle, max(0.0, bottle.mol - bottle.within_mol))
        return Pressure(max(0.0, self._gauge(bottle, bottle.mol).value - low.value), low.unit)

    def least_gauge(self, bottle: BottleState) -> Pressure | None:
        """The lowest that it may stand at."""
        return None if bottle.mol is None else self._gauge(bottle, max(0.0, bottle.mol - bottle.within_mol))

    def is_over_service(self, bottle: BottleState) -> bool:
        """Whether what was read settles above its service pressure at 21 °C, the temperature of 49 CFR 173.301a(c)."""
        if bottle.read is None or bottle.read_c is None:
            return False
        cold = settled(bottle.read, self.mix, gas=Temperature.of_c(bottle.read_c), reference=REFERENCE_21_C)
        return cold.gauge.bar > bottle.service.bar + GAUGE_WITHIN.bar

    def as_bank(self) -> Bank:
        """The bottles that give, as the physics takes them."""
        bottles = tuple(
            Bottle(one.name, one.volume_litre, self._gauge(one, one.mol))
            for one in self.bottles
            if one.gives and one.mol is not None
        )
        return Bank(self.name, self.mix, self.at, bottles)

    def _gauge(self, bottle: BottleState, mol: float) -> Pressure:
        amount = Amount(self.mix, mol)
        return gauge_of(amount, self.at, volume_litre=bottle.volume_litre, unit=bottle.service.unit)


def on_hand(banks: Iterable[BankState]) -> tuple[tuple[str, Mix, Pressure], ...]:
    """The gases that a blender may reckon with: name, mixture, and the gauge of the fullest bottle, at the least it may be.

    A bank of which nothing has been read, or whose bottles are all withdrawn, is not on hand; nor is a mixture that nobody
    has analysed. Asks the engine.
    """
    found = ((bank, fullest(bank)) for bank in banks if bank.is_plain or bank.is_analysed)
    return tuple((bank.name, bank.mix, best[1]) for bank, best in found if best is not None)


def fullest(bank: BankState) -> tuple[BottleState, Pressure] | None:
    """The bottle that stands highest, by the least that each may stand at; None while none gives."""
    least = [(one, gauge) for one in bank.giving if (gauge := bank.least_gauge(one)) is not None]
    return max(least, key=lambda pair: pair[1].pascal, default=None)


def held_by(mix: Mix, gauge: Pressure, celsius: float, volume_litre: float) -> tuple[float, float]:
    """Moles in a bottle that reads so, and how far off that may be."""
    at = Temperature.of_c(celsius)
    mol = contained(mix, gauge, at, volume_litre=volume_litre).mol
    nothing = contained(mix, Pressure(0, "bar"), at, volume_litre=volume_litre).mol
    mark = contained(mix, GAUGE_WITHIN, at, volume_litre=volume_litre).mol - nothing
    return mol, mark + mol * TEMPERATURE_WITHIN_KELVIN / at.kelvin
