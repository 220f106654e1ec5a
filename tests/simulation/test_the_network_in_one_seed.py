"""Nothing lost, nothing doubled, nothing unknown filled: whole networks under faults, a seed each."""

from __future__ import annotations

from collections import Counter

import pytest
from tests.simulation.seeds import MUST_HAPPEN, Ran, run_seed

SEEDS = 200
A_SHARE = 25

pytestmark = pytest.mark.slow

_seen: dict[int, Ran] = {}


def ran(seed: int) -> Ran:
    """A seed, run once for all the tests of this file."""
    if seed not in _seen:
        _seen[seed] = run_seed(seed)
    return _seen[seed]


@pytest.mark.parametrize("first", range(0, SEEDS, A_SHARE))
def test_no_promise_is_broken(first: int) -> None:
    bad = [ran(seed) for seed in range(first, first + A_SHARE) if ran(seed).violations]
    assert not bad, "\n".join(f"{one.replay}\n  {one.violations[0]}" for one in bad)


def test_everything_that_can_go_wrong_did() -> None:
    total: Counter[str] = sum((ran(seed).counts for seed in range(SEEDS)), Counter())
    assert [one for one in MUST_HAPPEN if not total[one]] == []


@pytest.mark.parametrize("seed", [3, 41])
def test_a_seed_runs_the_same_again(seed: int) -> None:
    assert run_seed(seed).trace == ran(seed).trace
