"""How many requests a caller may make: a token bucket each, in Redis where there is one, here otherwise.

Owns the limits. Must never be needed for safety: losing every count only lets a few more requests in.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock

from network.redis_line import RedisLine

MOST_CALLERS_REMEMBERED = 10_000


@dataclass(frozen=True, slots=True)
class Rate:
    """Tokens that grow by `per_second` up to `burst`."""

    per_second: float
    burst: float


@dataclass(slots=True)
class Admission:
    """Asks Redis first and counts in memory when it does not answer."""

    clock: Callable[[], dt.datetime]
    redis_line: RedisLine | None
    _kept: dict[str, tuple[float, dt.datetime]] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def wait_s(self, who: str, rate: Rate) -> float:
        """0 when the request may pass, else the seconds until it may be tried again."""
        if self.redis_line is not None:
            answer = self.redis_line.wait_s(who, rate=rate.per_second, burst=rate.burst)
            if answer is not None:
                return answer
        return self._here(who, rate)

    def _here(self, who: str, rate: Rate) -> float:
        now = self.clock()
        with self._lock:
            if len(self._kept) >= MOST_CALLERS_REMEMBERED and who not in self._kept:
                self._kept.clear()
            tokens, at = self._kept.get(who, (rate.burst, now))
            tokens = min(rate.burst, tokens + max(0.0, (now - at).total_seconds()) * rate.per_second)
            wait = 0.0 if tokens >= 1 else (1 - tokens) / rate.per_second
            self._kept[who] = (tokens - 1 if tokens >= 1 else tokens, now)
        return wait
