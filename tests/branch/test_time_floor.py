"""The floor: only a time that the hub has signed moves it, and it never goes back."""

from __future__ import annotations

import datetime as dt

from tests.branch.a_shop import MORNING, Clock

from branch.time_floor import TimeFloor


def _floor(clock: Clock) -> TimeFloor:
    return TimeFloor(wall=clock.now, monotonic_s=clock.monotonic_s)


def test_a_clock_set_back_a_day_does_not_bring_the_day_back() -> None:
    clock = Clock()
    floor = _floor(clock)
    floor.hear(MORNING)
    clock.at -= dt.timedelta(days=1)
    assert floor.now() == MORNING


def test_the_floor_goes_on_by_the_monotonic_clock() -> None:
    clock = Clock()
    floor = _floor(clock)
    floor.hear(MORNING)
    clock.at -= dt.timedelta(days=1)
    clock.ticked_s += 3600
    assert floor.now() == MORNING + dt.timedelta(hours=1)


def test_an_older_hub_time_moves_nothing() -> None:
    clock = Clock()
    floor = _floor(clock)
    floor.hear(MORNING + dt.timedelta(hours=2))
    floor.hear(MORNING)
    assert floor.now() == MORNING + dt.timedelta(hours=2)
