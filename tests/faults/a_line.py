"""A line between a shop and its hub that fails on purpose: an HTTP proxy on loopback, told request by request what to do.

A trouble is a function of one request. Everything that is held up ends when the line is healed or closed.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import ssl
from collections import Counter
from collections.abc import AsyncGenerator, Awaitable, Callable
from dataclasses import dataclass, field
from threading import Thread

LOOPBACK = "127.0.0.1"
LARGEST_ANSWER = 64 * 1024 * 1024


@dataclass(frozen=True)
class Asked:
    """One request, as it came."""

    head: bytes
    body: bytes

    @property
    def what(self) -> str:
        """`push`, `feed`, `bell` or `other`."""
        method, path, _ = self.head.split(b" ", 2)
        match method, path.partition(b"?")[0]:
            case b"POST", bare if bare.endswith(b"/events"):
                return "push"
            case b"GET", b"/v1/feed":
                return "feed"
            case _, b"/v1/feed/bell":
                return "bell"
            case _:
                return "other"


Trouble = Callable[["Line", Asked, asyncio.StreamWriter], Awaitable[None]]
"""What happens to a request instead of being answered."""

EVERYTHING = frozenset({"push", "feed", "bell", "other"})
CALLS = EVERYTHING - {"bell"}
"""All but the bell: it still rings, so that the shop meets the trouble at once and not at its next poll."""


@dataclass
class Line:
    """`suffer` a trouble, `heal`; what met the trouble is counted. Safe to steer from another thread."""

    hub_port: int
    tls: ssl.SSLContext | None = None
    port: int = 0
    met: Counter[str] = field(default_factory=Counter)
    passed: Counter[str] = field(default_factory=Counter)
    page_limit: int | None = None
    """Pages of the feed are asked for in such small pieces, whatever the shop asks for."""
    when_passed: Callable[[str], None] = lambda what: None
    """Called after the answer to such a request was passed on whole; in the line's own thread."""
    _trouble: Trouble | None = None
    _where: frozenset[str] = EVERYTHING
    _open: dict[asyncio.Task[None], tuple[str, asyncio.StreamWriter]] = field(default_factory=dict)

    @property
    def url(self) -> str:
        return f"{'http' if self.tls is None else 'https'}://{LOOPBACK}:{self.port}"

    def suffer(self, trouble: Trouble, where: frozenset[str] = CALLS) -> None:
        """From now on these requests meet this trouble; the ones under way break off."""

        def begin() -> None:
            self._trouble, self._where, self.met = trouble, where, Counter()
            self._break_off(where)

        self._run(begin)

    def heal(self) -> None:
        """The line is as good as new; whatever was held up by the trouble breaks off."""

        def end() -> None:
            self._trouble = None
            self._break_off(self._where)

        self._run(end)

    def __enter__(self) -> Line:
        self._loop = asyncio.new_event_loop()
        self._thread = Thread(target=self._loop.run_forever)
        self._thread.start()
        opened = asyncio.run_coroutine_threadsafe(
            asyncio.start_server(self._serve, LOOPBACK, 0, ssl=self.tls), self._loop
        )
        self._server = opened.result(10)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.run_coroutine_threadsafe(self._close(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    async def pass_on(self, asked: Asked) -> bytes:
        """The hub's whole answer to a request, head and body."""
        answer = bytearray()
        async with contextlib.aclosing(self._answer(asked)) as pieces:
            async for piece in pieces:
                answer += piece
                assert len(answer) <= LARGEST_ANSWER
        return bytes(answer)

    def _run(self, work: Callable[[], None]) -> None:
        async def there() -> None:
            work()

        asyncio.run_coroutine_threadsafe(there(), self._loop).result(10)

    def _break_off(self, where: frozenset[str]) -> None:
        for task, (what, writer) in list(self._open.items()):
            if what in where:
                writer.transport.abort()
                task.cancel()

    async def _close(self) -> None:
        self._server.close()
        under_way = list(self._open)
        self._break_off(EVERYTHING | {""})
        await asyncio.gather(*under_way, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._open[task] = ("", writer)
        # One side hung up, or the line was told to break off: that is what it is for.
        with contextlib.suppress(OSError, EOFError, asyncio.CancelledError):
            asked = await _read(reader)
            self._open[task] = (asked.what, writer)
            await self._treat(asked, writer)
        del self._open[task]
        writer.close()

    async def _treat(self, asked: Asked, writer: asyncio.StreamWriter) -> None:
        if self._trouble is not None and asked.what in self._where:
            self.met[asked.what] += 1
            await self._trouble(self, asked, writer)
            return
        async with contextlib.aclosing(self._answer(asked)) as pieces:
            async for piece in pieces:
                writer.write(piece)
                await writer.drain()
        self.passed[asked.what] += 1
        self.when_passed(asked.what)

    async def _answer(self, asked: Asked) -> AsyncGenerator[bytes, None]:
        """What the hub sends, as it comes, on a connection of its own."""
        from_hub, to_hub = await asyncio.open_connection(LOOPBACK, self.hub_port)
        try:
            to_hub.write(_for_the_hub(asked.head, self.page_limit) + asked.body)
            await to_hub.drain()
            while piece := await from_hub.read(64 * 1024):
                yield piece
        finally:
            to_hub.close()


async def _read(reader: asyncio.StreamReader) -> Asked:
    head = await reader.readuntil(b"\r\n\r\n")
    length = re.search(rb"\r\ncontent-length: *(\d+)", head, re.IGNORECASE)
    return Asked(head, await reader.readexactly(int(length[1]) if length else 0))


def _for_the_hub(head: bytes, page_limit: int | None) -> bytes:
    """The same request, once and no more on this connection."""
    once = re.sub(rb"\r\nconnection: *[^\r]*", b"", head, flags=re.IGNORECASE)
    first, _, others = once.partition(b"\r\n")
    if page_limit is not None:
        first = re.sub(rb"([?&]limit=)\d+", rb"\g<1>%d" % page_limit, first)
    return first + b"\r\nconnection: close\r\n" + others
