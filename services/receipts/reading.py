"""Reads the hub's feed into the ledger, page by page, and listens for the bell.

Must never take a page that does not continue where the ledger stands, nor wait for the bell alone: it is a hint.
"""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from eventlog.envelope import Malformed
from eventlog.feed import Cursor, NewEpoch, check_page
from eventlog.hub_client import HubClient
from eventlog.wire import FeedPage
from receipts.arrival import Arrival, arrival
from receipts.ledger import Ledger

MOST_PAGES_A_TURN = 50

log = structlog.get_logger("receipts")


@dataclass(slots=True)
class Reading:
    """How far the feed was read. `heard_at` is when the hub last gave a signed answer; `head` how far it had come."""

    ledger: Ledger
    hub: HubClient
    hub_node: str
    clock: Callable[[], dt.datetime]
    heard_at: dt.datetime | None = None
    position: int = 0
    head: int = 0
    epoch: str = "none"

    async def catch_up(self) -> bool:
        """Read on, at most `MOST_PAGES_A_TURN` pages; whether there is more. Raises HubUnreachable, HubRefused, PageRefused."""
        for _ in range(MOST_PAGES_A_TURN):
            cursor = await asyncio.to_thread(self.ledger.cursor)
            page = await self.hub.page(cursor)
            self.heard_at = self.clock()
            try:
                after = await asyncio.to_thread(self.take, page, cursor)
            except NewEpoch:
                log.warning("new epoch", before=cursor.epoch, epoch=page.epoch)
                await asyncio.to_thread(self.ledger.begin_again)
                continue
            self.position, self.epoch, self.head = after.position, after.epoch, page.head
            if after.position >= page.head:
                return False
        return True

    def take(self, page: FeedPage, cursor: Cursor) -> Cursor:
        """Check a page and keep it with the cursor behind it, in one transaction. Raises PageRefused."""
        check_page(page, cursor)
        after = Cursor(page.epoch, cursor.position + len(page.items), page.feed_hash)
        if after != cursor:
            self.ledger.absorb(self._arrivals(page), after, hub_time=page.hub_time, now=self.clock())
        return after

    def _arrivals(self, page: FeedPage) -> list[Arrival]:
        found = []
        for item in page.items:
            try:
                found.append(arrival(item, hub_node=self.hub_node))
            except Malformed:
                # From newer software, perhaps. The hub took it, so it stays in the log; no receipt comes of it.
                log.warning("unreadable fact", position=item.position)
        return found
