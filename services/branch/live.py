"""Who is told that something changed: the open pages, and the loop that sends to the hub.

Only hints travel here. Whoever is told looks in the store; a lost hint costs time, never truth.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from threading import Lock


class Live:
    """A bell with many listeners. `ring` may be called from any thread."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._bells: set[asyncio.Event] = set()
        self._lock = Lock()
        self.is_closed = False

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """The loop in which listeners wait."""
        self._loop = loop

    def ring(self) -> None:
        """Something was recorded or learnt."""
        loop = self._loop
        if loop is None or loop.is_closed():
            return
        with self._lock:
            bells = tuple(self._bells)
        for bell in bells:
            loop.call_soon_threadsafe(bell.set)

    def close(self) -> None:
        """The node is going down: whoever listens looks up once more, sees `is_closed`, and ends."""
        self.is_closed = True
        self.ring()

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[asyncio.Event]:
        """A bell of one's own; clear it before looking."""
        bell = asyncio.Event()
        with self._lock:
            self._bells.add(bell)
        try:
            yield bell
        finally:
            with self._lock:
                self._bells.discard(bell)
