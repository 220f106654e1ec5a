"""The heat estimate is plain ideal gas, says so, and is wrong to the side its docstring names."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gas.heat import REFERENCE_C_70_F, Estimate, gauge_at_temperature, settled
from gas.pressure import Pressure


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


def test_3000_psi_at_120_f_settles_to_2740_at_70_f() -> None:
    # Computed by hand: (3000 + 14.696)·529.67/579.67 − 14.696 = 2739.97 psi.
    estimate = settled(Pressure(3000, "psi"), celsius(120), REFERENCE_C_70_F)
    assert estimate.gauge.unit == "psi"
    assert estimate.gauge.value == pytest.approx(2740, abs=1)


def test_3000_psi_at_70_f_shows_3347_at_131_f() -> None:
    # Computed by hand: (3000 + 14.696)·590.67/529.67 − 14.696 = 3347.2 psi; below the 5/4 of 49 CFR 173.301(a)(8).
    hot = gauge_at_temperature(Pressure(3000, "psi"), REFERENCE_C_70_F, celsius(131)).gauge
    assert hot.value == pytest.approx(3347, abs=1)
    assert hot.is_below(Pressure(3750, "psi"))


def test_one_degree_fahrenheit_is_5_69_psi_at_3000() -> None:
    # Computed by hand: 3014.696/529.67.
    one_up = gauge_at_temperature(Pressure(3000, "psi"), REFERENCE_C_70_F, celsius(71)).gauge
    assert one_up.value - 3000 == pytest.approx(5.69, abs=0.01)


def test_ideal_gas_overstates_what_is_left_of_a_hot_fill() -> None:
    # Real-gas states of air (Lemmon et al. 2000 by a multi-fluid Helmholtz engine): 232 bar at 45 °C settles to 207.5.
    estimate = settled(Pressure(232, "bar"), 45, 21)
    assert estimate.gauge.value == pytest.approx(214.4, abs=0.1)
    assert estimate.gauge.is_above(Pressure(207.5, "bar"))


def test_an_estimate_names_its_method_in_words() -> None:
    assert Estimate(Pressure(2740, "psi"), "ideal gas").words() == "about 2740 psi (ideal gas estimate)"


@pytest.mark.parametrize("gas_c", [-60.1, 200.1, float("nan"), float("inf")])
def test_a_temperature_no_filled_cylinder_has_is_refused(gas_c: float) -> None:
    with pytest.raises(ValueError, match="gas temperature"):
        settled(Pressure(200, "bar"), gas_c, 21)


@given(st.floats(0, 350), st.sampled_from(["psi", "bar"]), st.floats(21, 80))
def test_settling_undoes_the_heat(value: float, unit: str, gas_c: float) -> None:
    rated = Pressure(value, "psi" if unit == "psi" else "bar")
    hot = gauge_at_temperature(rated, 21, gas_c).gauge
    assert not hot.is_below(rated)
    assert settled(hot, gas_c, 21).gauge.is_same(rated)
