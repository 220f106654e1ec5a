"""Bottles that fill cylinders by letting gas flow from high to low: what they hold, what a fill takes, how many fills are left.

Isothermal and real gas: between two vessels gas flows until both gauges agree. One bank is one mixture; banks of different mixtures are
counted apart. It must never invent a bottle's gauge: a bank starts from readings, and later figures are estimates by moles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from gas import engine
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import AbsolutePressure, Amount, Temperature
from gas.states import contained

Order = Literal["lowest first", "highest first", "all at once"]
ORDERS: tuple[Order, ...] = ("lowest first", "highest first", "all at once")

_ROUNDS = 60
_CLOSE_PASCAL = 100.0
_NOTHING_MOL = 1e-6


@dataclass(frozen=True)
class Bottle:
    """One storage bottle as it was read, in a bank of one mixture and one temperature."""

    name: str
    volume_litre: float
    gauge: Pressure


@dataclass(frozen=True)
class Bank:
    """Bottles of one mixture that can be opened to the same whip."""

    name: str
    mix: Mix
    at: Temperature
    bottles: tuple[Bottle, ...]


@dataclass(frozen=True)
class Waiting:
    """A cylinder that waits: its gauge now and the settled gauge it is to have, both at the bank's temperature.

    What is left in it counts as gas of the bank's mixture: for a fill of the same mixture that is so, for another it is close.
    """

    name: str
    volume_litre: float
    gauge: Pressure
    target: Pressure


@dataclass(frozen=True)
class Drawn:
    """What one bottle gave to one cylinder, and what both gauges show after it."""

    bottle: str
    amount: Amount
    bottle_gauge: Pressure
    cylinder_gauge: Pressure


@dataclass(frozen=True)
class Filled:
    """One cylinder's turn. `is_full` says that it came to its target from the bank alone."""

    cylinder: str
    drawn: tuple[Drawn, ...]
    reached: Pressure
    is_full: bool


@dataclass(frozen=True)
class Day:
    """A row of cylinders filled from one bank, one after the other, until the bank can fill no more of them to the target."""

    order: Order
    filled: tuple[Filled, ...]
    left: Bank

    @property
    def full_count(self) -> int:
        """How many come full before the compressor must run: those before the first that does not."""
        return next((n for n, one in enumerate(self.filled) if not one.is_full), len(self.filled))


def held(bank: Bank) -> Amount:
    """All gas in the bank."""
    return Amount(bank.mix, sum(moles(bank, bottle) for bottle in bank.bottles))


def moles(bank: Bank, bottle: Bottle) -> float:
    return contained(bank.mix, bottle.gauge, bank.at, volume_litre=bottle.volume_litre).mol


def day(bank: Bank, waiting: Sequence[Waiting], order: Order = "lowest first") -> Day:
    """Fill them in their row. It stops after the first that stays short: from there the compressor has to run."""
    at = _Isotherm(bank)
    vessels = [at.vessel(bottle.name, bottle.volume_litre, bottle.gauge) for bottle in bank.bottles]
    filled: list[Filled] = []
    for cylinder in waiting:
        one = _turn(at, vessels, cylinder, order)
        filled.append(one)
        if not one.is_full:
            break
    left = tuple(
        replace(bottle, gauge=_gauge(vessel, bottle.gauge))
        for bottle, vessel in zip(bank.bottles, vessels, strict=True)
    )
    return Day(order, tuple(filled), replace(bank, bottles=left))


def best_day(bank: Bank, waiting: Sequence[Waiting]) -> Day:
    """The order that fills most of them; among those the one that leaves the fullest single bottle, for the next in the row."""
    days = [day(bank, waiting, order) for order in ORDERS]
    return max(
        days, key=lambda one: (one.full_count, max((b.gauge.pascal for b in one.left.bottles), default=0.0))
    )


def after(bank: Bank, cylinder: Waiting, order: Order = "lowest first") -> tuple[Filled, Bank]:
    """One fill, and the bank as it should read then: an estimate until the next reading replaces it."""
    one = day(bank, (cylinder,), order)
    return one.filled[0], one.left


@dataclass
class _Vessel:
    """What stands open; `pascal` belongs to `mol` and is renewed with it, for the engine's word is dear."""

    name: str
    volume_litre: float
    mol: float
    pascal: float


class _Isotherm:
    """Pressure over density of one gas at one temperature: all that filling from a bank asks of the engine."""

    def __init__(self, bank: Bank) -> None:
        self.mix, self.at = bank.mix, bank.at
        self._moles: dict[tuple[Pressure, float], float] = {}

    def vessel(self, name: str, volume_litre: float, gauge: Pressure) -> _Vessel:
        pascal = AbsolutePressure.of_gauge(gauge).pascal
        return _Vessel(name, volume_litre, self.moles(gauge, volume_litre), pascal)

    def moles(self, gauge: Pressure, volume_litre: float) -> float:
        """A day's cylinders are much alike, so most of them are known."""
        known = self._moles.get((gauge, volume_litre))
        if known is None:
            known = contained(self.mix, gauge, self.at, volume_litre=volume_litre).mol
            self._moles[gauge, volume_litre] = known
        return known

    def pascal(self, vessel: _Vessel, more_mol: float) -> float:
        mol = vessel.mol + more_mol
        return engine.pascal(self.mix, mol / vessel.volume_litre * 1000, self.at.kelvin) if mol > 0 else 0.0

    def move(self, mol: float, giver: _Vessel, taker: _Vessel) -> None:
        giver.pascal, taker.pascal = self.pascal(giver, -mol), self.pascal(taker, mol)
        giver.mol -= mol
        taker.mol += mol

    def equalised(self, giver: _Vessel, taker: _Vessel) -> float:
        """Moles that flow until both gauges agree; the giver stands higher at the start."""
        low, below = 0.0, taker.pascal - giver.pascal
        # Never as much as would leave the giver empty, or make the taker as dense as the giver was.
        high = min(giver.mol, giver.mol / giver.volume_litre * taker.volume_litre - taker.mol)
        above = self.pascal(taker, high) - self.pascal(giver, -high)
        side = 0
        for _ in range(_ROUNDS):
            found = (low * above - high * below) / (above - below)
            off = self.pascal(taker, found) - self.pascal(giver, -found)
            if abs(off) < _CLOSE_PASCAL:
                return found
            if off < 0:
                low, below, above, side = found, off, above * (0.5 if side < 0 else 1.0), -1
            else:
                high, above, below, side = found, off, below * (0.5 if side > 0 else 1.0), 1
        return low


def _turn(at: _Isotherm, bottles: Sequence[_Vessel], waiting: Waiting, order: Order) -> Filled:
    cylinder = at.vessel(waiting.name, waiting.volume_litre, waiting.gauge)
    full = at.moles(waiting.target, waiting.volume_litre)
    drawn = (
        _all_at_once(at, bottles, cylinder, full, waiting.target)
        if order == "all at once"
        else _one_by_one(at, bottles, cylinder, full, waiting.target, highest_first=order == "highest first")
    )
    is_full = cylinder.mol >= full - _NOTHING_MOL
    return Filled(waiting.name, tuple(drawn), _gauge(cylinder, waiting.target), is_full)


def _one_by_one(
    at: _Isotherm,
    bottles: Sequence[_Vessel],
    cylinder: _Vessel,
    full: float,
    target: Pressure,
    *,
    highest_first: bool,
) -> list[Drawn]:
    drawn: list[Drawn] = []
    wanted = AbsolutePressure.of_gauge(target).pascal
    for bottle in sorted(bottles, key=lambda one: one.pascal, reverse=highest_first):
        missing = full - cylinder.mol
        if missing <= _NOTHING_MOL:
            break
        if bottle.pascal - cylinder.pascal < _CLOSE_PASCAL:
            continue
        # A bottle that still stands above the target after giving all that is missing fills the cylinder.
        fills = missing < bottle.mol and at.pascal(bottle, -missing) >= wanted
        mol = missing if fills else min(missing, at.equalised(bottle, cylinder))
        at.move(mol, bottle, cylinder)
        drawn.append(
            Drawn(bottle.name, Amount(at.mix, mol), _gauge(bottle, target), _gauge(cylinder, target))
        )
    return drawn


def _all_at_once(
    at: _Isotherm, bottles: Sequence[_Vessel], cylinder: _Vessel, full: float, target: Pressure
) -> list[Drawn]:
    """All valves open: the bottles stand level with each other, and fall together."""
    if not bottles:
        return []
    together = _Vessel("all", sum(b.volume_litre for b in bottles), sum(b.mol for b in bottles), 0.0)
    together.pascal, missing = at.pascal(together, 0.0), full - cylinder.mol
    if missing <= _NOTHING_MOL or together.pascal - cylinder.pascal < _CLOSE_PASCAL:
        return []
    wanted = AbsolutePressure.of_gauge(target).pascal
    fills = missing < together.mol and at.pascal(together, -missing) >= wanted
    at.move(missing if fills else min(missing, at.equalised(together, cylinder)), together, cylinder)
    drawn = []
    for bottle in bottles:
        level = together.mol * bottle.volume_litre / together.volume_litre
        gave, bottle.mol, bottle.pascal = bottle.mol - level, level, together.pascal
        if gave > _NOTHING_MOL:
            drawn.append(
                Drawn(bottle.name, Amount(at.mix, gave), _gauge(bottle, target), _gauge(cylinder, target))
            )
    return drawn


def _gauge(vessel: _Vessel, like: Pressure) -> Pressure:
    return AbsolutePressure(vessel.pascal).gauge(like.unit)
