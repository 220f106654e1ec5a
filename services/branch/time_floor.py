"""The time that law is judged by: never before the last time that the hub has signed.

A tablet or node with a wrong clock can then neither revive an overdue cylinder nor make news look fresh.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock

STALE_AFTER = dt.timedelta(minutes=10)
"""Beyond this an answer of the hub is one that somebody kept: calls time out after seconds."""


@dataclass
class TimeFloor:
    """floor = max(wall, last signed hub time + monotonic time since). `wall` and `monotonic_s` are handed in by the program."""

    wall: Callable[[], dt.datetime]
    monotonic_s: Callable[[], float]
    hub_time: dt.datetime | None = None
    _at_s: float = 0.0
    _lock: Lock = field(default_factory=Lock)

    def now(self) -> dt.datetime:
        """The time to judge by, UTC."""
        with self._lock:
            if self.hub_time is None:
                return self.wall()
            elapsed = dt.timedelta(seconds=max(0.0, self.monotonic_s() - self._at_s))
            return max(self.wall(), self.hub_time + elapsed)

    def is_stale(self, hub_time: dt.datetime) -> bool:
        """Whether an answer signed at this time is too old to say anything about now: the hub's clock must be past it.

        Reckoned from the last time heard and the time that has passed since by this machine's own count, not by its
        wall clock. A practice clock only ever moves the hub's time ahead of that reckoning.
        """
        with self._lock:
            if self.hub_time is None:
                return False
            elapsed = dt.timedelta(seconds=max(0.0, self.monotonic_s() - self._at_s))
            return hub_time < self.hub_time + elapsed - STALE_AFTER

    def hear(self, hub_time: dt.datetime) -> None:
        """Only a time that the hub has signed may raise the floor; it never goes down."""
        with self._lock:
            if self.hub_time is None or hub_time > self.hub_time:
                self.hub_time, self._at_s = hub_time, self.monotonic_s()
