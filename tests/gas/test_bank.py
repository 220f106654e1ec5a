"""A bank fills what it can: moles are kept, gas flows downhill only, and the order matters."""

from __future__ import annotations

import random

import pytest

from gas.bank import ORDERS, Bank, Bottle, Order, Waiting, after, best_day, day, held
from gas.machine import (
    Booster,
    Compressor,
    EstimatedMinutes,
    booster_time,
    compressor_time,
    missing_for,
    missing_in,
)
from gas.mixture import Mix
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, REFERENCE_21_C, Amount


def bar(value: float) -> Pressure:
    return Pressure(value, "bar")


def bank(count: int, gauge: float = 300, mix: Mix = DRY_AIR) -> Bank:
    bottles = tuple(Bottle(f"Bottle {number + 1}", 50, bar(gauge)) for number in range(count))
    return Bank("Air", mix, REFERENCE_21_C, bottles)


QUEUE = [Waiting(f"Cylinder {number}", 11.1, bar(50), bar(207)) for number in range(60)]


@pytest.mark.parametrize(
    ("bottles", "order", "fills"),
    # Worked out beforehand with another program from the same equations of air (Lemmon et al. 2000): 50-litre bottles at 300 bar,
    # 11.1-litre cylinders from 50 to 207 bar. The ideal law says 21 and 35 for the lowest first.
    [
        (4, "lowest first", 19),
        (4, "highest first", 9),
        (4, "all at once", 8),
        (6, "lowest first", 31),
        (6, "highest first", 14),
        (6, "all at once", 12),
    ],
)
def test_so_many_cylinders_come_full(bottles: int, order: Order, fills: int) -> None:
    assert day(bank(bottles), QUEUE, order).full_count == fills


def test_the_lowest_bottle_first_fills_most() -> None:
    best = best_day(bank(4), QUEUE)
    assert best.order == "lowest first"
    assert best.full_count == 19
    assert not best.filled[-1].is_full


@pytest.mark.parametrize("order", ORDERS)
def test_what_the_cylinders_got_the_bank_lost(order: Order) -> None:
    before = bank(5)
    through = day(before, QUEUE, order)
    given = sum(drawn.amount.mol for filled in through.filled for drawn in filled.drawn)
    assert held(through.left).mol + given == pytest.approx(held(before).mol, rel=1e-9)


def test_gas_flows_downhill_and_no_cylinder_gets_more_than_its_target() -> None:
    draw = random.Random(5)
    for _ in range(200):
        mix = draw.choice([DRY_AIR, Mix(0.32), Mix(0.18, 0.45), Mix(1.0)])
        bottles = tuple(
            Bottle(str(n), draw.uniform(5, 400), bar(draw.uniform(0, 330))) for n in range(draw.randint(1, 6))
        )
        store = Bank("any", mix, REFERENCE_21_C, bottles)
        cylinder = Waiting("one", draw.uniform(1, 60), bar(draw.uniform(0, 250)), bar(draw.uniform(1, 330)))
        filled, left = after(store, cylinder, draw.choice(ORDERS))
        most = max(cylinder.target.pascal, cylinder.gauge.pascal)
        assert filled.reached.pascal <= most + 100
        assert filled.reached.pascal >= cylinder.gauge.pascal - 100
        for drawn in filled.drawn:
            assert drawn.amount.mol > 0
            assert drawn.bottle_gauge.pascal >= drawn.cylinder_gauge.pascal - 200
        for now, was in zip(left.bottles, bottles, strict=True):
            assert now.gauge.pascal <= max(was.gauge.pascal, max(b.gauge.pascal for b in bottles)) + 100


def test_a_cylinder_that_is_full_takes_nothing() -> None:
    filled, left = after(bank(2), Waiting("full", 12, bar(207), bar(207)))
    assert filled.is_full
    assert filled.drawn == ()
    assert left == bank(2)


def test_a_bank_lower_than_the_cylinder_gives_nothing() -> None:
    filled, _ = after(bank(2, gauge=40), Waiting("half", 12, bar(100), bar(207)))
    assert not filled.is_full
    assert filled.drawn == ()
    assert filled.reached.bar == pytest.approx(100, abs=0.01)


def test_an_empty_bank_is_a_bank() -> None:
    nothing = Bank("none", DRY_AIR, REFERENCE_21_C, ())
    for order in ORDERS:
        assert day(nothing, QUEUE, order).full_count == 0


def test_gauges_come_back_in_the_unit_they_were_read_in() -> None:
    psi = Bank("psi", DRY_AIR, REFERENCE_21_C, (Bottle("one", 50, Pressure(4350, "psi")),))
    filled, left = after(psi, Waiting("bar", 11.1, bar(50), bar(207)))
    assert left.bottles[0].gauge.unit == "psi"
    assert filled.reached.unit == "bar"


def test_a_compressor_fills_a_bank_in_its_time() -> None:
    # By hand with Z of 1.0280 and 1.1057: 50·(301/1.1057 − 201/1.0280)/1.01325 = 3785 litres at 21 °C, 3708 at 15 °C;
    # at 250 a minute 14.8 minutes.
    missing = missing_in(bank(1, gauge=200), bar(300))
    took = compressor_time(Compressor(250), missing)
    assert missing.free_litre() == pytest.approx(3785, rel=0.003)
    assert took.minutes == pytest.approx(14.8, rel=0.005)
    assert took.words() == "about 15 minutes, give or take 2 (estimate)"


def test_a_compressor_that_delivers_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="delivers something"):
        compressor_time(Compressor(0), Amount(DRY_AIR, 10))


def test_a_booster_takes_longer_the_lower_its_supply() -> None:
    booster, cylinder = Booster(30, 10, bar(30)), Waiting("one", 12, bar(100), bar(207))
    times = [
        booster_time(booster, store, missing_for(store, cylinder), bar(207))
        for store in (bank(2, gauge=150), bank(2, gauge=100))
    ]
    high, low = times
    assert isinstance(high, EstimatedMinutes)
    assert isinstance(low, EstimatedMinutes)
    assert 0 < high.minutes < low.minutes


def test_a_supply_too_low_for_the_booster_is_said() -> None:
    store = bank(1, gauge=30)
    cannot = booster_time(Booster(30, 5, bar(10)), store, Amount(DRY_AIR, 20), bar(207))
    assert isinstance(cannot, tuple)
    assert "from where the booster does not reach 207 bar" in cannot[0]
