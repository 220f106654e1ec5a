"""Depth limits agree with the manuals and are rounded to the safe side."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gas.depth import (
    best_oxygen_fraction_at_ft,
    best_oxygen_fraction_at_m,
    ead_ft,
    ead_m,
    end_ft,
    end_m,
    mod_ft,
    mod_ft_shown,
    mod_m,
    mod_m_shown,
    oxygen_atm_at_ft,
    oxygen_atm_at_m,
    oxygen_percent_shown,
)
from gas.mixture import AIR, Mix


@pytest.mark.parametrize(
    ("oxygen", "limit", "exact", "shown"),
    [
        (0.32, 1.4, 111.4, 111),  # 33(P/F − 1); 111 ft in the open encyclopedia, "Maximum operating depth"
        (0.36, 1.4, 95.3, 95),  # open encyclopedia, "Maximum operating depth"
        (0.32, 1.6, 132.0, 132),  # computed by hand: 33·(1.6/0.32 − 1) = 33·4
    ],
)
def test_operating_depth_in_feet(oxygen: float, limit: float, exact: float, shown: int) -> None:
    assert mod_ft(Mix(oxygen), limit) == pytest.approx(exact, abs=0.1)
    assert mod_ft_shown(Mix(oxygen), limit) == shown


@pytest.mark.parametrize(
    ("oxygen", "limit", "exact", "shown"),
    [
        (0.36, 1.4, 28.9, 28),  # open encyclopedia, "Maximum operating depth"
        (0.32, 1.4, 33.75, 33),  # computed by hand: 10·(1.4/0.32 − 1)
        (0.28, 1.4, 40.0, 40),  # computed by hand: 10·(5 − 1); floating point says 39.99999999999999
        (1.0, 1.6, 6.0, 6),  # computed by hand: 10·(1.6 − 1)
    ],
)
def test_operating_depth_in_metres(oxygen: float, limit: float, exact: float, shown: int) -> None:
    assert mod_m(Mix(oxygen), limit) == pytest.approx(exact, abs=0.05)
    assert mod_m_shown(Mix(oxygen), limit) == shown


def test_oxygen_pressure_of_32_percent_at_100_feet() -> None:
    # Computed by hand: 0.32·(100/33 + 1) = 1.2897 ATA.
    assert oxygen_atm_at_ft(Mix(0.32), 100) == pytest.approx(1.29, abs=0.01)


def test_best_mixture_for_130_feet_is_28_percent() -> None:
    # 29 CFR 1910 Subpart T Appendix C, 11(b)(i), 2015 edition: 28 % at 130 fsw for 1.4 ATA.
    best = best_oxygen_fraction_at_ft(130, 1.4)
    assert best == pytest.approx(0.283, abs=0.001)
    assert oxygen_percent_shown(best) == 28


def test_no_best_mixture_is_more_than_all_oxygen() -> None:
    assert best_oxygen_fraction_at_m(0) == 1.0


@pytest.mark.parametrize(
    ("oxygen", "depth_ft", "expected", "tolerance"),
    [
        (0.32, 63, 49.6, 0.5),  # US Navy Diving Manual chapter 10, equation 10-2 (the manual rounds to 50)
        (0.32, 100, 81.5, 0.1),  # computed by hand: 0.68·133/0.79 − 33; the open encyclopedia says 81
    ],
)
def test_equivalent_air_depth_in_feet(
    oxygen: float, depth_ft: float, expected: float, tolerance: float
) -> None:
    assert ead_ft(Mix(oxygen), depth_ft) == pytest.approx(expected, abs=tolerance)


def test_equivalent_air_depth_in_metres() -> None:
    # Open encyclopedia, "Equivalent air depth": 36 % at 27 m is 20 m.
    assert ead_m(Mix(0.36), 27) == pytest.approx(19.97, abs=0.05)


def test_equivalent_narcotic_depth_counts_oxygen_unless_told_otherwise() -> None:
    # Open encyclopedia, "Equivalent narcotic depth": 20/40 at 60 m is 32 m, at 200 ft 107 ft.
    assert end_m(Mix(0.2, 0.4), 60) == pytest.approx(32.0, abs=1e-9)
    assert end_ft(Mix(0.2, 0.4), 200) == pytest.approx(106.8, abs=0.3)
    # 15/55 at 75 m by hand: 0.45·85 − 10 = 28.25 m; with nitrogen alone 0.30·85/0.79 − 10 = 22.28 m.
    assert end_m(Mix(0.15, 0.55), 75) == pytest.approx(28.25, abs=0.01)
    assert end_m(Mix(0.15, 0.55), 75, oxygen_is_narcotic=False) == pytest.approx(22.28, abs=0.01)


def test_an_air_depth_of_trimix_is_refused() -> None:
    with pytest.raises(ValueError, match="narcotic depth"):
        ead_m(Mix(0.18, 0.45), 40)


def test_a_gas_without_oxygen_has_no_operating_depth() -> None:
    with pytest.raises(ValueError, match="without oxygen"):
        mod_m(Mix(0.0, 1.0))


def test_a_mixture_past_the_limit_at_the_surface_is_refused() -> None:
    with pytest.raises(ValueError, match="at the surface"):
        mod_m(Mix(1.0), 0.8)


@pytest.mark.parametrize("limit", [0, -1, 1.61, 2.0, math.nan, math.inf])
def test_a_limit_beyond_every_source_is_refused(limit: float) -> None:
    # NOAA, 2015: 1.6 ATA is the highest, for decompression.
    with pytest.raises(ValueError, match="oxygen limit"):
        mod_ft(Mix(0.32), limit)


@pytest.mark.parametrize("depth", [-1, math.nan, math.inf])
def test_a_depth_that_is_none_is_refused(depth: float) -> None:
    with pytest.raises(ValueError, match="depth is a number"):
        end_m(AIR, depth)


@given(st.floats(0.05, 1.0), st.floats(1.0, 1.6))
def test_the_depth_shown_never_passes_the_oxygen_limit(oxygen: float, limit: float) -> None:
    mix = Mix(oxygen)
    assert oxygen_atm_at_m(mix, mod_m_shown(mix, limit)) <= limit + 1e-8
    assert oxygen_atm_at_ft(mix, mod_ft_shown(mix, limit)) <= limit + 1e-8


@given(st.floats(5, 150), st.floats(0.5, 1.6))
def test_the_best_mixture_shown_never_passes_the_oxygen_limit(depth_m: float, limit: float) -> None:
    percent = oxygen_percent_shown(best_oxygen_fraction_at_m(depth_m, limit))
    assert oxygen_atm_at_m(Mix(percent / 100), depth_m) <= limit + 1e-8
