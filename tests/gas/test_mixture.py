"""A mixture is fractions of one whole, and is named as the trade names it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gas.mixture import AIR, Mix


@pytest.mark.parametrize(
    ("mix", "words"),
    [
        (AIR, "Air"),
        (Mix(0.21), "Air"),
        (Mix(0.22), "Air"),
        (Mix(0.321), "Nitrox 32.1 %"),
        (Mix(0.32), "Nitrox 32 %"),
        (Mix(0.18, 0.45), "Trimix 18/45"),
        (Mix(0.2, 0.8), "Heliox 20/80"),
        (Mix(1.0), "Oxygen"),
        (Mix(0.0, 1.0), "Helium"),
        (Mix(0.18), "Low-oxygen mix 18 %"),
    ],
)
def test_a_mixture_is_called_by_its_name(mix: Mix, words: str) -> None:
    assert mix.words() == words


def test_more_than_22_percent_is_never_called_air() -> None:
    # EN 144-3 (second-hand): nitrox is above 22 % oxygen.
    assert Mix(0.221).words() == "Nitrox 22.1 %"


@pytest.mark.parametrize("oxygen", [-0.01, 1.01, 32.0, math.nan, math.inf])
def test_an_impossible_fraction_is_refused(oxygen: float) -> None:
    with pytest.raises(ValueError, match="oxygen fraction"):
        Mix(oxygen)


def test_a_percentage_keyed_as_a_fraction_is_told_how_to_write_it() -> None:
    with pytest.raises(ValueError, match=r"32 % is 0\.32"):
        Mix(32)


def test_more_than_the_whole_gas_is_refused() -> None:
    with pytest.raises(ValueError, match="more than the whole"):
        Mix(0.6, 0.5)


@given(st.floats(0, 1), st.floats(0, 1))
def test_the_parts_of_a_mixture_make_one_whole(oxygen: float, share: float) -> None:
    mix = Mix(oxygen, share * (1 - oxygen))
    assert mix.oxygen_fraction + mix.helium_fraction + mix.nitrogen_fraction == pytest.approx(1.0)
    assert mix.words()
