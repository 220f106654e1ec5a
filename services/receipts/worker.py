"""The three loops of the worker: read the feed, hear the bell, send what is due.

Must never spin: each turn ends in a wait, and a wait ends by the bell, by what is due, by time or by the stop.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

import structlog

from eventlog.feed import PageRefused
from eventlog.hub_client import HubRefused, HubUnreachable
from receipts.dispatch import Dispatch
from receipts.reading import Reading

POLL_S = 15.0  # When the bell cannot be heard, this is how late a receipt may be.
LONGEST_SILENCE_S = 60.0
IDLE_S = 30.0
STOP_WITHIN_S = 6.0

log = structlog.get_logger("receipts")


@dataclass(slots=True)
class Worker:
    """Runs reading and dispatch until it leaves the `running` block."""

    reading: Reading
    dispatch: Dispatch
    _rung: asyncio.Event = field(default_factory=asyncio.Event)
    _due: asyncio.Event = field(default_factory=asyncio.Event)
    _stop: asyncio.Event = field(default_factory=asyncio.Event)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[asyncio.Task[None]]:
        """The loops as one task, which ends early only by a bug. On the way out an attempt gets a moment to end."""
        self.dispatch.recover()
        task = asyncio.create_task(self._run())
        try:
            yield task
        finally:
            self._stop.set()
            self._due.set()
            done, _ = await asyncio.wait({task}, timeout=STOP_WITHIN_S)
            if not done:
                self.dispatch.post.hang_up()
                done, _ = await asyncio.wait({task}, timeout=STOP_WITHIN_S)
            if not done:
                task.cancel()
                await asyncio.wait({task}, timeout=STOP_WITHIN_S)

    async def _run(self) -> None:
        listening = {asyncio.create_task(self._read()), asyncio.create_task(self._listen())}
        sending = asyncio.create_task(self._send())
        try:
            ended, _ = await asyncio.wait({*listening, sending}, return_when=asyncio.FIRST_COMPLETED)
            # What an attempt has done must be recorded before anything ends.
            self._stop.set()
            self._due.set()
            await sending
            for task in ended - {sending}:
                await task  # a loop that ended by itself ended by a bug: it is raised here
        finally:
            for task in {*listening, sending}:
                task.cancel()
            await asyncio.wait({*listening, sending})

    async def _read(self) -> None:
        failures = 0
        while not self._stop.is_set():
            self._rung.clear()
            wait_s, failures = await self._read_once(failures)
            await _first_of(self._rung, wait_s)

    async def _read_once(self, failures: int) -> tuple[float, int]:
        try:
            before = self.reading.position
            has_more = await self.reading.catch_up()
        except (HubUnreachable, HubRefused, PageRefused) as wrong:
            log.warning("feed not read", reason=str(wrong))
            return _silence_s(failures, self.dispatch.chance()), failures + 1
        if self.reading.position != before:
            self._due.set()
        return (0.0 if has_more else POLL_S), 0

    async def _listen(self) -> None:
        failures = 0
        while not self._stop.is_set():
            try:
                async for bell in self.reading.hub.heads():
                    failures = 0
                    if (bell.news.epoch, bell.news.head) != (self.reading.epoch, self.reading.position):
                        self._rung.set()
                    elif bell.is_beat:
                        self.reading.heard_at = self.reading.clock()
            except (HubUnreachable, HubRefused) as wrong:
                log.warning("bell not heard", reason=str(wrong))
            failures += 1
            await asyncio.sleep(_silence_s(failures, self.dispatch.chance()))

    async def _send(self) -> None:
        while not self._stop.is_set():
            self._due.clear()
            wait_s = await self.dispatch.send_next()
            await _first_of(self._due, IDLE_S if wait_s is None else min(wait_s, IDLE_S))


def _silence_s(failures: int, chance: float) -> float:
    """Half fixed and half random, so that a hub that comes back is not met by everybody at once."""
    return min(LONGEST_SILENCE_S, 0.5 * 2.0 ** min(failures, 10)) * (0.5 + chance / 2)


async def _first_of(event: asyncio.Event, timeout_s: float) -> None:
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(event.wait(), timeout_s)
