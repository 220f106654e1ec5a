"""Who hears that the feed has moved, and how: Redis, else LISTEN/NOTIFY, and always a look every few seconds.

A ring only makes the hub look at the database; what it tells the nodes is what it saw there. So a bell that is
cut, hung, flushed or lying makes news slower, never wrong. Must never carry a fact, and never raise into a request.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import Literal

import psycopg
import redis
import redis.asyncio
import structlog
from psycopg_pool import PoolTimeout

from network.redis_line import ANSWER_WITHIN_S
from network.redis_line import CHANNEL as REDIS_CHANNEL
from network.store.log import CHANNEL as POSTGRES_CHANNEL
from network.store.pages import FeedHead

LOOK_EVERY_S = 5.0
LATE_RING_S = 1.0
AFTER_TROUBLE_S = 1.0

Kind = Literal["redis", "listen", "polling"]
_REDIS_TROUBLE = (redis.RedisError, OSError, TimeoutError)
_DATABASE_TROUBLE = (psycopg.Error, PoolTimeout, OSError, TimeoutError)

log = structlog.get_logger("doorbell")
listen = f"listen {POSTGRES_CHANNEL}"


class _Deaf(Exception):
    """The feed moved and Redis did not say so."""


class Doorbell:
    """One task that listens, and any number of waiters. `run` it in the event loop that the waiters are in."""

    def __init__(self, *, database_url: str, redis_url: str | None, look: Callable[[], FeedHead]) -> None:
        self._database_url = database_url
        self._redis_url = redis_url
        self._look_up = look
        self._moved = asyncio.Event()
        self.head: FeedHead | None = None
        self.kind: Kind = "polling"
        self.is_stopped = False
        self._loop: asyncio.AbstractEventLoop | None = None

    async def run(self) -> None:
        """Listen until cancelled, by the best way that works."""
        self._loop = asyncio.get_running_loop()
        while not self.is_stopped:
            try:
                if self._redis_url is not None:
                    with suppress(_Deaf, *_REDIS_TROUBLE):
                        await self._by_redis(self._redis_url)
                await self._by_listen()
            except _DATABASE_TROUBLE as wrong:
                self._by("polling", error=type(wrong).__name__)
                await asyncio.sleep(AFTER_TROUBLE_S)
                with suppress(*_DATABASE_TROUBLE):
                    await self._look()

    async def wait(self, *, beyond: int, timeout_s: float) -> FeedHead | None:
        """The head once it is beyond a position, or as it stands when the time is over."""
        moved = self._moved
        if not self.is_stopped and (self.head is None or self.head.position <= beyond):
            with suppress(TimeoutError):
                await asyncio.wait_for(moved.wait(), timeout_s)
        return self.head

    def stop(self) -> None:
        """Wake all waiters for the last time. Call it in the event loop."""
        self.is_stopped = True
        self._wake()

    def stop_soon(self) -> None:
        """`stop`, from a signal handler; does nothing before `run`."""
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self.stop)

    async def _by_redis(self, url: str) -> None:
        client = redis.asyncio.Redis.from_url(
            url, socket_connect_timeout=ANSWER_WITHIN_S, socket_timeout=LOOK_EVERY_S + LATE_RING_S
        )
        try:
            async with client.pubsub(ignore_subscribe_messages=True) as bell:
                await bell.subscribe(REDIS_CHANNEL)
                self._by("redis")
                await self._look()
                while not self.is_stopped:
                    rung = await bell.get_message(ignore_subscribe_messages=True, timeout=LOOK_EVERY_S)
                    moved = await self._look()
                    if moved and rung is None:
                        # It moved just now, or Redis is deaf: the ring of a live one is here within the second.
                        rung = await bell.get_message(ignore_subscribe_messages=True, timeout=LATE_RING_S)
                        if rung is None:
                            raise _Deaf
        finally:
            with suppress(*_REDIS_TROUBLE):
                await client.aclose()

    async def _by_listen(self) -> None:
        """Listen to PostgreSQL; return when Redis answers (again)."""
        connection = await psycopg.AsyncConnection.connect(
            self._database_url, autocommit=True, connect_timeout=5
        )
        async with connection:
            await connection.execute(listen.encode())
            self._by("listen")
            await self._look()
            while not self.is_stopped:
                rung = False
                async for _ in connection.notifies(timeout=LOOK_EVERY_S, stop_after=1):
                    rung = True
                await self._look()
                if not rung and await self._redis_answers():
                    return

    async def _redis_answers(self) -> bool:
        if self._redis_url is None:
            return False
        client = redis.asyncio.Redis.from_url(
            self._redis_url, socket_connect_timeout=ANSWER_WITHIN_S, socket_timeout=ANSWER_WITHIN_S
        )
        try:
            return bool(await client.ping())
        except _REDIS_TROUBLE:
            return False
        finally:
            with suppress(*_REDIS_TROUBLE):
                await client.aclose()

    async def _look(self) -> bool:
        """Read where the feed stands; whether it moved since the last look."""
        found = await asyncio.to_thread(self._look_up)
        moved = self.head is None or (found.epoch, found.position) != (self.head.epoch, self.head.position)
        is_first, self.head = self.head is None, found
        if moved:
            self._wake()
        return moved and not is_first

    def _wake(self) -> None:
        self._moved.set()
        self._moved = asyncio.Event()

    def _by(self, kind: Kind, **more: str) -> None:
        if kind != self.kind:
            log.info("doorbell", kind=kind, **more)
        self.kind = kind
