"""What a planned blend will analyse as, how sure that is, and what the ideal-gas law would have made of it instead.

It must never choose a step: it looks at steps that are chosen.
"""

import math
from collections.abc import Sequence

from gas.adding import added_until, reading_share
from gas.blend import Add, BlendAsked, IdealComparison, PredictedMix
from gas.ideal import ideal_amount, ideal_read
from gas.quantity import Amount
from gas.recipe import mixed, recipes
from gas.states import gauge_of


def predicted(asked: BlendAsked, kept: Amount, adds: Sequence[Add]) -> PredictedMix:
    """Each gauge that is read off leaves too much of one gas and too little of the next; what was in may be off too."""
    whole = adds[-1].after
    starts = [(kept, kept.mix, asked.contents.read, asked.contents.at)]
    ends = [(add.after, add.supply.mix, add.until, add.at) for add in adds]
    oxygen = [kept.mol / whole.mol * asked.contents.oxygen_within_fraction]
    helium = [kept.mol / whole.mol * asked.contents.helium_within_fraction * (kept.mix.helium_fraction > 0)]
    nexts = [add.supply.mix for add in adds] + [whole.mix]
    for (inside, gas, read, at), after in zip(starts + ends, nexts, strict=True):
        share = inside.mol / whole.mol * reading_share(read, at, asked.reading_within, inside.mix)
        oxygen.append(share * (gas.oxygen_fraction - after.oxygen_fraction))
        helium.append(share * (gas.helium_fraction - after.helium_fraction))
    return PredictedMix(whole.mix, math.hypot(*oxygen), math.hypot(*helium))


def by_ideal_gas(asked: BlendAsked, kept: Amount, adds: Sequence[Add]) -> IdealComparison | None:
    """The same gases in the same order by the ideal-gas law, and then what those gauges let in in truth."""
    real = adds[-1].after
    start = gauge_of(kept, asked.contents.at, volume_litre=asked.volume_litre, unit=asked.end.unit)
    held = ideal_amount(kept.mix, start, asked.contents.at, volume_litre=asked.volume_litre)
    end = ideal_amount(real.mix, asked.end, asked.reference, volume_litre=asked.volume_litre)
    moles = next(recipes(end, held, [add.supply.mix for add in adds]), None)
    if moles is None:
        return None
    gauges, inside = [], kept
    for add, mol in zip(adds, moles, strict=True):
        held = mixed(held, Amount(add.supply.mix, mol))
        until = ideal_read(held, add.at, volume_litre=asked.volume_litre, unit=asked.end.unit)
        let_in = added_until(inside, add.supply.mix, until, add.at, volume_litre=asked.volume_litre)
        inside = mixed(inside, let_in)
        gauges.append(until)
    return IdealComparison(tuple(gauges), inside.mix)
