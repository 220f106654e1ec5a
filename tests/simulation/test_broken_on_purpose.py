"""The simulation has teeth: each wrong variant of the protocol is caught, on a seed that the right one passes."""

from __future__ import annotations

import pytest
from tests.simulation.broken import VARIANTS, Variant
from tests.simulation.seeds import run_seed

MOST_SEEDS_TO_CATCH = 200
FEWEST_VARIANTS = 20

pytestmark = pytest.mark.slow


def test_there_are_enough_of_them() -> None:
    assert len({variant.name for variant in VARIANTS}) >= FEWEST_VARIANTS


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda one: one.name)
def test_a_protocol_that_is_broken_on_purpose_is_caught(variant: Variant) -> None:
    for seed in range(variant.first, MOST_SEEDS_TO_CATCH):
        if _is_caught(seed, variant):
            right = run_seed(seed, also=variant.needs)
            assert right.violations == (), (
                "the protocol as it is fails on this seed too, so nothing was caught"
            )
            return
    pytest.fail(f"{MOST_SEEDS_TO_CATCH} seeds ran, and nobody noticed: {variant.name}")


def _is_caught(seed: int, variant: Variant) -> bool:
    with variant.made():
        try:
            return bool(run_seed(seed, also=variant.needs).violations)
        except (AssertionError, LookupError, ValueError):
            return True  # The storage itself refused what the mistake made of it.
