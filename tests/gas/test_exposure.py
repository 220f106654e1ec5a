"""Oxygen times and densities are read to the safe side."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gas.exposure import (
    EXPOSURE_LIMITS,
    density_g_per_litre_at_ft,
    density_g_per_litre_at_m,
    ease,
    exposure_limit,
    share_of_single_limit,
)
from gas.mixture import Mix
from gas.quantity import DRY_AIR


@pytest.mark.parametrize(
    ("oxygen_atm", "single", "in_a_day"),
    [
        # NOAA Diving Manual, oxygen exposure limits, as reproduced in a dive computer's manual.
        (0.6, 720, 720),
        (1.1, 240, 270),
        (1.4, 150, 180),
        (1.5, 120, 180),
        (1.6, 45, 150),
        (1.41, 120, 180),  # between two lines the shorter time
        (1.4 + 1e-12, 150, 180),  # float noise is no oxygen
    ],
)
def test_times_are_those_of_the_table(oxygen_atm: float, single: int, in_a_day: int) -> None:
    limit = exposure_limit(oxygen_atm)
    assert limit is not None
    assert (limit.single_min, limit.day_min) == (single, in_a_day)


def test_below_the_table_there_is_no_limit_and_past_it_no_time() -> None:
    assert exposure_limit(0.59) is None
    assert share_of_single_limit(0.5, 600) == 0
    with pytest.raises(ValueError, match="end of the table"):
        exposure_limit(1.61)


def test_half_the_time_is_half_the_limit() -> None:
    assert share_of_single_limit(1.4, 75) == pytest.approx(0.5)


@given(st.floats(0.6, 1.6), st.floats(0.6, 1.6))
def test_more_oxygen_is_never_longer(one: float, other: float) -> None:
    low, high = exposure_limit(min(one, other)), exposure_limit(max(one, other))
    assert low is not None
    assert high is not None
    assert low.single_min >= high.single_min
    assert low.day_min >= high.day_min


def test_no_line_of_the_table_allows_less_in_a_day_than_in_a_dive() -> None:
    assert all(limit.day_min >= limit.single_min for limit in EXPOSURE_LIMITS)


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf])
def test_what_is_no_number_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="oxygen pressure"):
        exposure_limit(bad)
    with pytest.raises(ValueError, match="a time"):
        share_of_single_limit(1.0, bad)
    with pytest.raises(ValueError, match="a depth"):
        density_g_per_litre_at_m(DRY_AIR, bad)


def test_air_weighs_1_29_grams_a_litre_at_the_surface() -> None:
    # Dry air at 0 °C and one atmosphere: 1.2929 g/L, handbook value from memory; by hand 28.9586·101325/(8.31446·273.15) = 1.292.
    assert density_g_per_litre_at_m(DRY_AIR, 0) == pytest.approx(1.292, abs=0.001)


def test_helium_makes_deep_gas_light() -> None:
    # By hand: 18/45 weighs 17.98 g/mol, so at 60 m 17.98·7·0.044615 = 5.615 g/L; air there 9.044.
    assert density_g_per_litre_at_m(Mix(0.18, 0.45), 60) == pytest.approx(5.615, abs=0.005)
    assert density_g_per_litre_at_m(DRY_AIR, 60) == pytest.approx(9.044, abs=0.005)


def test_33_feet_are_10_metres_by_convention() -> None:
    assert density_g_per_litre_at_ft(Mix(0.32), 99) == pytest.approx(density_g_per_litre_at_m(Mix(0.32), 30))


@pytest.mark.parametrize(
    ("density", "said"), [(5.2, "easy"), (5.3, "laboured"), (6.3, "too dense"), (math.nan, "too dense")]
)
def test_advice_errs_to_the_dense_side(density: float, said: str) -> None:
    assert ease(density) == said
