"""Which mixtures a set of gases can make at all: the flat shape that they span over oxygen and helium.

Says why a wish lies outside and what lies nearest to it. It must never look at a pressure.
"""

import math
from collections.abc import Sequence
from itertools import combinations

from gas.mixture import Mix

_SLACK = 1e-9


def corners(held: Mix, gases: Sequence[Mix], *, least_share: float, most_share: float) -> list[Mix]:
    """The corners of what can be made when between `least_share` and `most_share` of the end is what is held now."""
    shares = sorted({min(1.0, least_share), min(1.0, most_share)})
    return [_between(gas, held, share) for share in shares for gas in gases]


def nearest(wish: Mix, corners: Sequence[Mix]) -> Mix:
    """The mixture on the edge of the shape that lies nearest to a wish outside of it."""
    edges = [(one, one) for one in corners] + list(combinations(corners, 2))
    return min((_projected(wish, one, other) for one, other in edges), key=lambda mix: distance(wish, mix))


def why_not(wish: Mix, corners: Sequence[Mix]) -> str | None:
    """In words what the gases reach instead; None where they do reach the wish, as far as rounding can tell."""
    most, least = max(c.helium_fraction for c in corners), min(c.helium_fraction for c in corners)
    if most <= _SLACK and wish.helium_fraction > _SLACK:
        return "No gas on hand brings helium."
    if not least - _SLACK <= wish.helium_fraction <= most + _SLACK:
        return (
            f"These gases with what is in the cylinder reach {_span(least, most)} helium, "
            f"not {_percent(wish.helium_fraction)}."
        )
    reached = _oxygen_at(wish.helium_fraction, corners)
    if not reached or min(reached) - _SLACK <= wish.oxygen_fraction <= max(reached) + _SLACK:
        return None
    beside = f"With {_percent(wish.helium_fraction)} helium these" if most > _SLACK else "These"
    return (
        f"{beside} gases with what is in the cylinder reach {_span(min(reached), max(reached))} oxygen, "
        f"not {_percent(wish.oxygen_fraction)}."
    )


def distance(one: Mix, other: Mix) -> float:
    return math.hypot(
        one.oxygen_fraction - other.oxygen_fraction, one.helium_fraction - other.helium_fraction
    )


def _oxygen_at(helium: float, corners: Sequence[Mix]) -> list[float]:
    found = [c.oxygen_fraction for c in corners if abs(c.helium_fraction - helium) <= _SLACK]
    for one, other in combinations(corners, 2):
        low, high = sorted((one, other), key=lambda corner: corner.helium_fraction)
        if low.helium_fraction < helium < high.helium_fraction:
            share = (helium - low.helium_fraction) / (high.helium_fraction - low.helium_fraction)
            found.append(_between(low, high, share).oxygen_fraction)
    return found


def _projected(wish: Mix, one: Mix, other: Mix) -> Mix:
    oxygen = other.oxygen_fraction - one.oxygen_fraction
    helium = other.helium_fraction - one.helium_fraction
    length = oxygen**2 + helium**2
    if length == 0:
        return one
    along = (wish.oxygen_fraction - one.oxygen_fraction) * oxygen
    along += (wish.helium_fraction - one.helium_fraction) * helium
    return _between(one, other, min(1.0, max(0.0, along / length)))


def _between(one: Mix, other: Mix, share: float) -> Mix:
    """`share` of the other in one."""
    oxygen = one.oxygen_fraction * (1 - share) + other.oxygen_fraction * share
    helium = one.helium_fraction * (1 - share) + other.helium_fraction * share
    return Mix(oxygen, min(helium, 1.0 - oxygen))


def _span(low: float, high: float) -> str:
    if _percent(low) == _percent(high):
        return _percent(low)
    return f"{_percent(low)} to {_percent(high)}"


def _percent(fraction: float) -> str:
    return f"{round(fraction * 100, 1):g} %"
