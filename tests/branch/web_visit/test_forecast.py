"""The rate of a fill, as the page estimates it from what was keyed."""

from __future__ import annotations

import pytest

from branch.web.pages.steps_fill import forecast
from cylinder.marks import KeyedPressure

TARGET = KeyedPressure(value=3000, unit="psi")


def keyed(*readings: tuple[float, float]) -> str:
    """What is foretold of readings of (seconds, psi)."""
    return forecast(tuple((seconds / 60, value) for seconds, value in readings), TARGET)


@pytest.mark.parametrize("seconds", [0, 1, 5, 19])
def test_readings_seconds_apart_foretell_nothing(seconds: float) -> None:
    assert keyed((0, 600), (seconds, 1000)) == ""


def test_readings_20_s_apart_tell_a_rate_that_says_it_is_an_estimate() -> None:
    # 100 psi in 20 s is 300 psi a minute; 2300 psi to go take 7 min and 40 s.
    assert keyed((0, 600), (20, 700)) == "About 8 min to go at 300 psi a minute (estimate)."


def test_a_reading_keyed_twice_is_measured_from_one_that_lies_far_enough_back() -> None:
    # 600 psi in 120 s.
    assert keyed((0, 600), (118, 1100), (120, 1200)) == "About 6 min to go at 300 psi a minute (estimate)."


def test_a_pressure_that_does_not_rise_foretells_nothing() -> None:
    assert keyed((0, 1200), (60, 1200)) == ""
    assert keyed((0, 1200), (60, 1100)) == ""


def test_the_first_reading_asks_for_another() -> None:
    assert keyed((0, 600)) == "Key a reading to see the rate."
