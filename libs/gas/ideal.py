"""What the ideal-gas law would say: kept for one purpose, to show beside a real figure how wrong it is.

It must never be a target, a permission or the only figure on a page. At scuba pressures the real gas answers more strongly to
heat: air read as 232 bar at 45 °C settles at 21 °C to 207.5 bar, while this file says 214.4; and a 300 bar cylinder holds a
tenth less air than it says.
"""

from gas.mixture import Mix
from gas.pressure import Pressure, Unit
from gas.quantity import MOLAR_GAS_CONSTANT, AbsolutePressure, Amount, Temperature


def ideal_gauge(read: Pressure, *, at: Temperature, then: Temperature) -> Pressure:
    """The gauge, in the unit of `read`, that an ideal gas read at one temperature shows at the other."""
    absolute = AbsolutePressure.of_gauge(read).pascal * then.kelvin / at.kelvin
    return AbsolutePressure(absolute).gauge(read.unit)


def ideal_amount(mix: Mix, read: Pressure, at: Temperature, *, volume_litre: float) -> Amount:
    """What a cylinder would hold of an ideal gas."""
    pascal = AbsolutePressure.of_gauge(read).pascal
    return Amount(mix, pascal * volume_litre / 1000 / (MOLAR_GAS_CONSTANT * at.kelvin))


def ideal_read(amount: Amount, at: Temperature, *, volume_litre: float, unit: Unit) -> Pressure:
    """What the gauge would show of an ideal gas: the inverse of `ideal_amount`."""
    pascal = amount.mol * MOLAR_GAS_CONSTANT * at.kelvin / (volume_litre / 1000)
    return AbsolutePressure(pascal).gauge(unit)
