"""How long a compressor or a booster runs. Plain displacement with what is lost named, so every figure is an estimate.

It must never start or stop a machine, and never say that one may run.
"""

from dataclasses import dataclass
from typing import Final

from gas.bank import Bank, Bottle, Waiting, held, moles
from gas.pressure import Pressure
from gas.quantity import REFERENCE_15_C, AbsolutePressure, Amount, Temperature
from gas.states import contained, mol_per_m3

# How far a rated delivery may be off: intake temperature, wear, drains. Common practice, no source.
DELIVERY_WITHIN_FRACTION: Final = 0.15

# Of its swept volume a piston fills so much: what is left in the clearance expands again. Typical, no source.
BOOSTER_FILLING_FRACTION: Final = 0.75

_SLICES = 40


@dataclass(frozen=True)
class EstimatedMinutes:
    """How long a machine runs, and how far off that may be."""

    minutes: float
    within_minutes: float

    def words(self) -> str:
        return (
            f"about {self.minutes:.0f} minutes, give or take {max(1.0, self.within_minutes):.0f} (estimate)"
        )


@dataclass(frozen=True)
class Compressor:
    """`litre_per_min` is free air at 15 °C and one atmosphere, as makers rate it."""

    litre_per_min: float


@dataclass(frozen=True)
class Booster:
    """Sweeps that volume of supply gas a minute, and reaches at most `ratio` times the supply's absolute pressure."""

    swept_litre_per_min: float
    ratio: float
    supply_least: Pressure


def compressor_time(compressor: Compressor, missing: Amount) -> EstimatedMinutes:
    """To pump so much. ValueError for a machine that delivers nothing."""
    if not 0 < compressor.litre_per_min < float("inf"):
        raise ValueError("a compressor delivers something")
    minutes = missing.free_litre(REFERENCE_15_C) / compressor.litre_per_min
    return EstimatedMinutes(minutes, minutes * DELIVERY_WITHIN_FRACTION)


def missing_in(bank: Bank, full: Pressure) -> Amount:
    """What brings every bottle to that gauge."""
    wanted = [
        contained(bank.mix, full, bank.at, volume_litre=bottle.volume_litre).mol for bottle in bank.bottles
    ]
    lacking = [
        max(0.0, most - moles(bank, bottle)) for most, bottle in zip(wanted, bank.bottles, strict=True)
    ]
    return Amount(bank.mix, sum(lacking))


def missing_for(bank: Bank, waiting: Waiting) -> Amount:
    """What brings a cylinder to its target with the bank's gas."""
    full = contained(bank.mix, waiting.target, bank.at, volume_litre=waiting.volume_litre).mol
    inside = contained(bank.mix, waiting.gauge, bank.at, volume_litre=waiting.volume_litre).mol
    return Amount(bank.mix, max(0.0, full - inside))


def booster_time(
    booster: Booster, supply: Bank, missing: Amount, target: Pressure
) -> EstimatedMinutes | tuple[str, ...]:
    """To move so much out of all bottles of the supply, or every reason why the booster cannot."""
    store = _together(supply)
    reasons = _against(booster, supply, store, missing, target)
    if reasons:
        return tuple(reasons)
    volume = store.volume_litre / 1000
    inside, minutes = held(supply).mol, 0.0
    for _ in range(_SLICES):
        density = (inside - missing.mol / _SLICES / 2) / volume
        per_minute = density * booster.swept_litre_per_min / 1000 * BOOSTER_FILLING_FRACTION
        minutes += missing.mol / _SLICES / per_minute
        inside -= missing.mol / _SLICES
    return EstimatedMinutes(minutes, minutes * 2 * DELIVERY_WITHIN_FRACTION)


def _against(booster: Booster, supply: Bank, store: Bottle, missing: Amount, target: Pressure) -> list[str]:
    if not (booster.swept_litre_per_min > 0 and booster.ratio > 1):
        return ["A booster sweeps something and raises the pressure."]
    least = max(
        AbsolutePressure.of_gauge(booster.supply_least).pascal,
        AbsolutePressure.of_gauge(target).pascal / booster.ratio,
    )
    left = held(supply).mol - missing.mol
    may_stay = _density(supply, least, supply.at) * store.volume_litre / 1000
    if left >= may_stay:
        return []
    gauge = AbsolutePressure(least).gauge(target.unit)
    return [
        f"The supply would sink below {gauge.words()}, from where the booster does not reach {target.words()}."
    ]


def _density(supply: Bank, pascal: float, at: Temperature) -> float:
    return mol_per_m3(supply.mix, AbsolutePressure(pascal), at)


def _together(supply: Bank) -> Bottle:
    litre = sum(bottle.volume_litre for bottle in supply.bottles)
    return Bottle(supply.name, litre, Pressure(0, "bar"))
