"""How many moles of which gas make a mixture: linear algebra over oxygen, helium and the rest.

In moles a blend is exactly linear whatever the pressures do. It must never know a pressure, a temperature or a price.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Final

from gas.mixture import Mix
from gas.quantity import Amount

Parts = tuple[float, float, float]
"""Oxygen, helium and the rest, in moles or as fractions."""

MOST_AT_ONCE: Final = 3  # Three parts to hit, so never more than three gases are needed.

# A share of the whole below this is float noise.
_NOISE: Final = 1e-10
_DEPENDENT: Final = 1e-7


def parts(mix: Mix) -> Parts:
    return mix.oxygen_fraction, mix.helium_fraction, mix.nitrogen_fraction


def mixed(*amounts: Amount) -> Amount:
    """All of it in one vessel. ValueError where there is nothing."""
    mol = sum(amount.mol for amount in amounts)
    if mol <= 0:
        raise ValueError("nothing mixed with nothing has no mixture")
    oxygen = sum(amount.mol * amount.mix.oxygen_fraction for amount in amounts) / mol
    helium = sum(amount.mol * amount.mix.helium_fraction for amount in amounts) / mol
    oxygen = min(1.0, oxygen)
    return Amount(Mix(oxygen, min(helium, 1.0 - oxygen)), mol)


def recipes(wish: Amount, held: Amount, gases: Sequence[Mix]) -> Iterator[tuple[float, ...]]:
    """Every way to come from `held` to `wish` by adding at most three of the gases: moles of each, none negative.

    Only the corners of what is possible: any other way is a blend of these, and no cheaper than the cheapest.
    """
    missing = _less(_scaled(parts(wish.mix), wish.mol), _scaled(parts(held.mix), held.mol))
    for chosen in _subsets(len(gases), MOST_AT_ONCE):
        solved = solve([parts(gases[at]) for at in chosen], missing)
        if solved is not None and min(solved, default=0.0) >= -_NOISE * wish.mol:
            yield _spread(chosen, solved, len(gases))


def most_kept(wish: Amount, held: Amount, gases: Sequence[Mix]) -> float | None:
    """The most moles of what is held that may stay in for the wish still to be made; None where none may, however few.

    `held` itself is the upper end, not looked at here: when all of it may stay, `recipes` says so.
    """
    need = _scaled(parts(wish.mix), wish.mol)
    best: float | None = None
    for chosen in _subsets(len(gases), MOST_AT_ONCE - 1):
        solved = solve([parts(held.mix), *(parts(gases[at]) for at in chosen)], need)
        if solved is None or min(solved) < -_NOISE * wish.mol or solved[0] > held.mol:
            continue
        best = solved[0] if best is None else max(best, solved[0])
    return best


def solve(columns: Sequence[Parts], right: Parts) -> tuple[float, ...] | None:
    """The one set of weights with which the columns add up to `right`; None where there is none, or more than one."""
    width = len(columns)
    rows = [[*(column[row] for column in columns), right[row]] for row in range(3)]
    for at in range(width):
        pivot = max(range(at, 3), key=lambda row: abs(rows[row][at]))
        if abs(rows[pivot][at]) < _DEPENDENT:
            return None
        rows[at], rows[pivot] = rows[pivot], rows[at]
        for row in range(3):
            if row != at:
                factor = rows[row][at] / rows[at][at]
                rows[row] = [mine - factor * its for mine, its in zip(rows[row], rows[at], strict=True)]
    scale = max(1e-30, *(abs(value) for value in right))
    if any(abs(rows[row][width]) > _NOISE * scale for row in range(width, 3)):
        return None
    return tuple(rows[at][width] / rows[at][at] for at in range(width))


def _subsets(count: int, most: int) -> Iterator[tuple[int, ...]]:
    for size in range(min(count, most) + 1):
        yield from combinations(range(count), size)


def _spread(chosen: Sequence[int], solved: Sequence[float], count: int) -> tuple[float, ...]:
    mol = dict(zip(chosen, solved, strict=True))
    return tuple(max(0.0, mol.get(at, 0.0)) for at in range(count))


def _scaled(one: Parts, by: float) -> Parts:
    return one[0] * by, one[1] * by, one[2] * by


def _less(one: Parts, other: Parts) -> Parts:
    return one[0] - other[0], one[1] - other[1], one[2] - other[2]
