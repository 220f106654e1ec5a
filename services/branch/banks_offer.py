"""A bank as a gas of the blender's list. Pure: a list and a bank in, the list out.

It must never offer a bottle that nobody has read, nor more pressure than the bottle may least hold.
"""

from __future__ import annotations

import math

from cylinder.gases import MOST_GASES, GasOnHand
from cylinder.marks import KeyedPressure
from plant.bank_state import BankState, fullest, on_hand


def offered(gases: tuple[GasOnHand, ...], bank: BankState, *, adds: bool) -> tuple[GasOnHand, ...] | None:
    """The list with this bank's mixture and gauge in the gas of its name; `adds` one where there is none.

    None where nothing can be offered: no bottle was read, or the list is full.
    """
    found, best = on_hand((bank,)), fullest(bank)
    if not found or best is None:
        return None
    (_, mix, least) = found[0]
    known = next((gas for gas in gases if _is_named(gas, bank.name)), None)
    if known is None and (not adds or len(gases) >= MOST_GASES):
        return None
    new = GasOnHand(
        name=bank.name if known is None else known.name,
        oxygen_percent=round(mix.oxygen_fraction * 100, 4),
        helium_percent=round(mix.helium_fraction * 100, 4),
        pressure=KeyedPressure(value=math.floor(least.value), unit=least.unit),
        bottle_litre=best[0].volume_litre,
        price_per_m3=0.0 if known is None else known.price_per_m3,
    )
    return (*gases, new) if known is None else tuple(new if gas is known else gas for gas in gases)


def without(gases: tuple[GasOnHand, ...], name: str) -> tuple[GasOnHand, ...]:
    """The list without the gas of a bank that gives nothing any more."""
    return tuple(gas for gas in gases if not _is_named(gas, name))


def _is_named(gas: GasOnHand, name: str) -> bool:
    return gas.name.casefold() == name.casefold()
