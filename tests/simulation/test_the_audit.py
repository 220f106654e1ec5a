"""The audit finds by itself, in the hub's log alone, what a wrong shop did; and in networks that are right it finds nothing."""

from __future__ import annotations

import pytest
from tests.simulation.auditing import audited
from tests.simulation.broken import VARIANTS
from tests.simulation.world import World

from cylinder.audit import Audited, Finding

MOST_SEEDS = 12
WRONG = ("the last word by the clocks wins", "a clear lifts every block", "looked up outside the transaction")


def found(seed: int, also: frozenset[str] = frozenset()) -> tuple[Audited, ...]:
    world = World(seed, also=also)
    world.run()
    return audited(world.hub.state)


@pytest.mark.parametrize("name", WRONG)
def test_a_shop_that_fills_against_what_it_holds_is_found_in_the_log(name: str) -> None:
    variant = next(one for one in VARIANTS if one.name == name)
    for seed in range(MOST_SEEDS):
        with variant.made():
            world = World(seed, also=variant.needs)
            world.run()
        # Judged by the rules as they are, over a log that the wrong ones made.
        if any(one.finding is Finding.KNEW for one in audited(world.hub.state)):
            assert all(one.finding is not Finding.KNEW for one in found(seed, variant.needs))
            return
    pytest.fail(f"{MOST_SEEDS} logs of wrong shops were audited, and nothing was found: {name}")


def test_the_audit_of_the_same_network_twice_says_the_same() -> None:
    assert found(7) == found(7)
