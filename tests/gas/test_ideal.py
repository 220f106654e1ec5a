"""The ideal-gas law is computed right, and is wrong to the side its docstring names."""

import pytest

from gas.ideal import ideal_amount, ideal_gauge
from gas.pressure import Pressure
from gas.quantity import DRY_AIR, REFERENCE_21_C, REFERENCE_70_F, Temperature
from gas.states import contained


def test_3000_psi_at_120_f_settles_to_2740_at_70_f() -> None:
    # Computed by hand: (3000 + 14.696)·529.67/579.67 − 14.696 = 2739.97 psi.
    settled = ideal_gauge(Pressure(3000, "psi"), at=Temperature.of_f(120), then=REFERENCE_70_F)
    assert settled.unit == "psi"
    assert settled.value == pytest.approx(2740, abs=1)


def test_3000_psi_at_70_f_shows_3347_at_131_f() -> None:
    # Computed by hand: (3000 + 14.696)·590.67/529.67 − 14.696 = 3347.2 psi; below the 5/4 of 49 CFR 173.301(a)(8).
    hot = ideal_gauge(Pressure(3000, "psi"), at=REFERENCE_70_F, then=Temperature.of_f(131))
    assert hot.value == pytest.approx(3347, abs=1)
    assert hot.is_below(Pressure(3750, "psi"))


def test_one_degree_fahrenheit_is_5_69_psi_at_3000() -> None:
    # Computed by hand: 3014.696/529.67.
    one_up = ideal_gauge(Pressure(3000, "psi"), at=REFERENCE_70_F, then=Temperature.of_f(71))
    assert one_up.value - 3000 == pytest.approx(5.69, abs=0.01)


def test_a_hot_fill_settles_lower_than_the_ideal_law_says() -> None:
    # (232 + 1.01325)·294.15/318.15 − 1.01325, by hand.
    settled = ideal_gauge(Pressure(232, "bar"), at=Temperature.of_c(45), then=REFERENCE_21_C)
    assert settled.value == pytest.approx(214.4, abs=0.1)


def test_an_ideal_aluminium_80_holds_80_4_cubic_feet() -> None:
    # Computed by hand: 11.1 L · 3000/14.696 /28.317 = 80.0 of gauge, 80.4 with the atmosphere that is always in it.
    ideal = ideal_amount(DRY_AIR, Pressure(3000, "psi"), REFERENCE_70_F, volume_litre=11.1)
    assert ideal.free_cubic_foot() == pytest.approx(80.4, abs=0.1)
    real = contained(DRY_AIR, Pressure(3000, "psi"), REFERENCE_70_F, volume_litre=11.1)
    assert real.mol < 0.975 * ideal.mol
