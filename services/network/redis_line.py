"""The hub's line to a Redis-compatible server: rings the bell, counts requests. Nothing that matters lives there.

Must never delay or fail a request: a server that does not answer at once is left alone for a while.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import redis
import structlog

CHANNEL = "filltrail:feed"
ANSWER_WITHIN_S = 0.25
LEAVE_ALONE_S = 5.0

log = structlog.get_logger("redis")

# A token bucket: tokens grow with time up to the burst; a request takes one, or learns how long to wait.
TAKE_TOKEN = """
local kept = redis.call('hmget', KEYS[1], 'tokens', 'at')
local rate, burst, now = tonumber(ARGV[1]), tonumber(ARGV[2]), tonumber(ARGV[3])
local tokens = math.min(burst, (tonumber(kept[1]) or burst) + math.max(0, now - (tonumber(kept[2]) or now)) * rate)
local wait = 0
if tokens >= 1 then tokens = tokens - 1 else wait = (1 - tokens) / rate end
redis.call('hset', KEYS[1], 'tokens', tostring(tokens), 'at', tostring(now))
redis.call('expire', KEYS[1], math.ceil(burst / rate) + 60)
return tostring(wait)
"""


class RedisLine:
    """Synchronous calls with a short time-out; after a failure, silence for a few seconds."""

    def __init__(self, url: str, clock: Callable[[], dt.datetime]) -> None:
        self._clock = clock
        self._silent_until: dt.datetime | None = None
        self._client = redis.Redis.from_url(
            url, socket_timeout=ANSWER_WITHIN_S, socket_connect_timeout=ANSWER_WITHIN_S
        )

    def ring(self, position: int) -> bool:
        """Say that the feed has moved. False: nobody was told this way."""
        if self._is_silent():
            return False
        try:
            self._client.publish(CHANNEL, str(position))
        except (redis.RedisError, OSError) as wrong:
            self._fall_silent(wrong)
            return False
        return True

    def wait_s(self, who: str, *, rate: float, burst: float) -> float | None:
        """How long this caller must wait, 0 for not at all. None: the server does not answer, count elsewhere."""
        if self._is_silent():
            return None
        try:
            now = self._clock().timestamp()
            answer = self._client.eval(TAKE_TOKEN, 1, f"filltrail:bucket:{who}", rate, burst, now)
        except (redis.RedisError, OSError) as wrong:
            self._fall_silent(wrong)
            return None
        return float(answer.decode() if isinstance(answer, bytes) else str(answer))

    def close(self) -> None:
        """Hang up."""
        self._client.close()

    def _is_silent(self) -> bool:
        return self._silent_until is not None and self._clock() < self._silent_until

    def _fall_silent(self, wrong: Exception) -> None:
        self._silent_until = self._clock() + dt.timedelta(seconds=LEAVE_ALONE_S)
        log.warning("redis does not answer", error=type(wrong).__name__, left_alone_s=LEAVE_ALONE_S)
