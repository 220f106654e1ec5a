"""Whatever happens to a bank: no bottle goes below nothing, no fill adds gas, and the cylinder gets what the bottles lose."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.plant.bottles import fill, read, said, set_up

from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import Temperature
from gas.states import contained
from plant.bank_fold import USUAL_LITRE, Turn, banks_of

BARS = st.floats(0, 300)
STEPS = st.lists(st.tuples(st.sampled_from("ABCf"), BARS, BARS, st.floats(-10, 50)), max_size=8)


def turns_of(steps: list[tuple[str, float, float, float]], oxygen: float, helium: float) -> list[Turn]:
    turns = [said(1, set_up("A", "B", "C", oxygen=oxygen, helium=helium))]
    for number, (what, one, other, celsius) in enumerate(steps, 2):
        if what == "f":
            turns.append(fill(number, start=min(one, other), end=max(one, other)))
        else:
            turns.append(said(number, read(what, one, celsius)))
    return turns


@settings(max_examples=60, deadline=None)
@given(STEPS, st.sampled_from([(20.9, 0.0), (32.0, 0.0), (100.0, 0.0), (0.0, 100.0), (18.0, 45.0)]))
def test_no_gas_comes_from_nothing(
    steps: list[tuple[str, float, float, float]], gas: tuple[float, float]
) -> None:
    turns = turns_of(steps, *gas)
    (before,) = banks_of(turns)
    (after,) = banks_of([*turns, fill(99)])
    for was, now in zip(before.bottles, after.bottles, strict=True):
        assert (was.mol is None) == (now.mol is None)
        assert 0 <= (now.mol or 0.0) <= (was.mol or 0.0) + 1e-9
        assert now.within_mol >= was.within_mol
    wanted = [
        contained(before.mix, Pressure(bar, "bar"), before.at, volume_litre=USUAL_LITRE).mol
        for bar in (50, 207)
    ]
    lost = before.mol - after.mol
    assert -1e-9 <= lost <= wanted[1] - wanted[0] + 1e-6
    if before.giving and not after.unsure:
        assert lost == pytest.approx(wanted[1] - wanted[0], rel=1e-9)


def test_each_gas_is_counted_by_its_own_law() -> None:
    held = {}
    for oxygen, helium in ((20.9, 0), (32, 0), (100, 0), (0, 100)):
        (bank,) = banks_of([said(1, set_up("A", oxygen=oxygen, helium=helium)), said(2, read("A", 200, 15))])
        assert bank.at == Temperature.of_c(15)
        held[bank.mix] = bank.mol
    # Their order only: Z of helium at 15 °C and 200 bar is 1.0965 (a public helium table), that of oxygen is below one.
    assert held[Mix(1.0)] > held[Mix(0.32)] > held[Mix(0.209)] > held[Mix(0.0, 1.0)]
