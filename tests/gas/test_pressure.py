"""A pressure keeps the unit it was read in and converts like the trade's tables."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gas.pressure import Pressure, Unit, odd_unit_question

UNITS = st.sampled_from(["psi", "bar"])
READINGS = st.builds(Pressure, st.floats(0, 10_000, allow_nan=False), UNITS)


# Computed by hand from 1 psi = 6894.757293 Pa (international avoirdupois pound and inch), so 1 bar = 14.5037738 psi.
@pytest.mark.parametrize(
    ("psi", "bar"), [(3000, 206.84), (2250, 155.13), (2400, 165.47), (3442, 237.32), (4350, 299.92)]
)
def test_psi_becomes_the_bar_of_the_trades_tables(psi: float, bar: float) -> None:
    assert Pressure(psi, "psi").bar == pytest.approx(bar, abs=0.01)


@pytest.mark.parametrize(("bar", "psi"), [(232, 3364.9), (300, 4351.1), (207, 3002.3)])  # computed as above
def test_bar_becomes_the_psi_of_the_trades_tables(bar: float, psi: float) -> None:
    assert Pressure(bar, "bar").psi == pytest.approx(psi, abs=0.1)


def test_one_psi_is_the_pascal_of_its_definition() -> None:
    # 0.45359237 kg · 9.80665 m/s² / (0.0254 m)², the definition, not the rounded factor used in the code.
    assert Pressure(1, "psi").pascal == pytest.approx(0.45359237 * 9.80665 / 0.0254**2, rel=1e-8)


@pytest.mark.parametrize("value", [-1, -0.001, math.nan, math.inf, -math.inf, 1e300])
@pytest.mark.parametrize("unit", ["psi", "bar"])
def test_a_reading_no_gauge_can_show_is_refused(value: float, unit: Unit) -> None:
    with pytest.raises(ValueError, match=r"pressure|gauge"):
        Pressure(value, unit)


def test_a_unit_nobody_stamps_is_refused() -> None:
    with pytest.raises(ValueError, match="psi or bar"):
        Pressure(200, "kPa")  # type: ignore[arg-type]  # the point: what arrives from outside may be any word


@pytest.mark.parametrize(
    ("pressure", "words"),
    [
        (Pressure(3000, "psi"), "3000 psi"),
        (Pressure(2999.6, "psi"), "3000 psi"),
        (Pressure(207, "bar"), "207 bar"),
        (Pressure(206.5, "bar"), "206.5 bar"),
        (Pressure(207.04, "bar"), "207 bar"),
        (Pressure(-0.0, "bar"), "0 bar"),
    ],
)
def test_words_are_whole_figures_without_a_comma(pressure: Pressure, words: str) -> None:
    assert pressure.words() == words


def test_words_in_both_units_begin_with_the_one_on_the_metal() -> None:
    assert Pressure(3000, "psi").words_in_both() == "3000 psi (207 bar)"
    assert Pressure(232, "bar").words_in_both() == "232 bar (3365 psi)"


def test_207_bar_is_above_3000_psi() -> None:
    assert Pressure(207, "bar").is_above(Pressure(3000, "psi"))
    assert Pressure(3000, "psi").is_below(Pressure(207, "bar"))


def test_equality_is_as_keyed_and_sameness_is_of_the_pressure() -> None:
    pressure = Pressure(3000, "psi")
    assert pressure != pressure.twin()
    assert pressure.is_same(pressure.twin())


@pytest.mark.parametrize("value", [100, 207, 232, 330])
def test_a_bar_figure_keyed_as_psi_is_asked_about(value: float) -> None:
    question = odd_unit_question(Pressure(value, "psi"))
    assert question is not None
    assert "in bar?" in question


@pytest.mark.parametrize("value", [331, 1800, 3000])
def test_a_psi_figure_keyed_as_bar_is_asked_about(value: float) -> None:
    question = odd_unit_question(Pressure(value, "bar"))
    assert question is not None
    assert "in psi?" in question


# Ratings in use: stored size charts, second-hand; 1800 psi (old steel) to 4500 psi, 184 to 300 bar.
@pytest.mark.parametrize("psi", [1800, 2250, 2400, 3000, 3442, 4350, 4500])
def test_a_rating_in_use_is_not_asked_about_in_either_unit(psi: float) -> None:
    assert odd_unit_question(Pressure(psi, "psi")) is None
    assert odd_unit_question(Pressure(psi, "psi").twin()) is None


@given(READINGS)
def test_there_and_back_is_the_same_pressure(pressure: Pressure) -> None:
    back = pressure.twin().twin()
    assert back.unit == pressure.unit
    assert back.is_same(pressure)
    assert back.value == pytest.approx(pressure.value, rel=1e-12)


@given(READINGS, READINGS)
def test_of_two_pressures_exactly_one_comparison_holds(one: Pressure, other: Pressure) -> None:
    assert [one.is_above(other), one.is_below(other), one.is_same(other)].count(True) == 1


@given(READINGS)
def test_no_pressure_is_above_itself_in_the_other_unit(pressure: Pressure) -> None:
    assert not pressure.is_above(pressure.twin())
    assert not pressure.twin().is_above(pressure)
