"""Plans followed by their gauges in GERG-2008, which shares no code with them: what would the analyser find?

GERG-2008 starts from the same readings, lets each gas in until the gauge stands at the plan's figure, and counts the moles.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from tests.gas import gerg

from gas.adding import Contents
from gas.blend import Blend, BlendAsked, CannotBlend, Supply
from gas.blending import plan_blend
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, AbsolutePressure, Temperature

VOLUME_LITRE = 12.0
HALVINGS = 45


@dataclass(frozen=True)
class Made:
    """One plan, and how far what it makes is from what it says, as fractions of the gas."""

    plan: Blend
    oxygen_off: float
    helium_off: float


def compared(draw: random.Random, count: int, *, helium: bool) -> list[Made]:
    """So many plans; wishes that cannot be made from what was drawn are passed over."""
    made: list[Made] = []
    for _ in range(20 * count):
        if len(made) == count:
            break
        plan = plan_blend(draw_sensible(draw, helium=helium))
        if isinstance(plan, CannotBlend):
            continue
        found, said = followed(plan), plan.whole.mix
        made.append(
            Made(
                plan,
                found.oxygen_fraction - said.oxygen_fraction,
                found.helium_fraction - said.helium_fraction,
            )
        )
    return made


def draw_sensible(draw: random.Random, *, helium: bool) -> BlendAsked:
    """A wish as divers have them, to at most 300 bar, from empty or from what is left of another mixture.

    Trimix has 8 to 40 % oxygen and keeps 8 % of nitrogen. Nearer to heliox the two sets of equations part by 0.3 % oxygen,
    neither having a fit for oxygen with helium.
    """
    supplies = [Supply("Oxygen", Mix(1.0)), Supply("Air", DRY_AIR)]
    wish, inside = Mix(draw.uniform(0.22, 0.60)), Mix(draw.uniform(0.21, 0.40))
    if helium:
        supplies.append(Supply("Helium", Mix(0.0, 1.0)))
        of_helium = draw.uniform(0.10, 0.70)
        wish = Mix(draw.uniform(0.08, min(0.40, 0.92 - of_helium)), of_helium)
    return BlendAsked(
        volume_litre=VOLUME_LITRE,
        contents=Contents(Pressure(draw.choice([0.0, draw.uniform(0, 120)]), "bar"), _warm(draw), inside),
        wish=wish,
        end=Pressure(draw.uniform(150, 300), "bar"),
        limit=Pressure(300, "bar"),
        reference=Temperature.of_c(21),
        step_at=_warm(draw),
        supplies=tuple(supplies),
    )


def followed(plan: Blend) -> Mix:
    """The mixture that those gauges make by GERG-2008."""
    volume = VOLUME_LITRE / 1000
    contents = plan.asked.contents
    read, at = (plan.bleed.until, plan.bleed.at) if plan.bleed is not None else (contents.read, contents.at)
    mol = gerg.density(contents.mix, AbsolutePressure.of_gauge(read).pascal, at.kelvin) * volume
    oxygen, helium = mol * contents.mix.oxygen_fraction, mol * contents.mix.helium_fraction
    for add in plan.adds:
        target = AbsolutePressure.of_gauge(add.until).pascal
        gas = add.supply.mix
        low, high = 0.0, target * volume / (8.314 * add.at.kelvin) * 1.5
        for _ in range(HALVINGS):
            more = (low + high) / 2
            whole = mol + more
            part = Mix(
                (oxygen + more * gas.oxygen_fraction) / whole, (helium + more * gas.helium_fraction) / whole
            )
            if gerg.pascal(part, whole / volume, add.at.kelvin) < target:
                low = more
            else:
                high = more
        mol, oxygen, helium = (
            mol + low,
            oxygen + low * gas.oxygen_fraction,
            helium + low * gas.helium_fraction,
        )
    return Mix(oxygen / mol, helium / mol)


def _warm(draw: random.Random) -> Temperature:
    return Temperature.of_c(draw.uniform(10, 45))
