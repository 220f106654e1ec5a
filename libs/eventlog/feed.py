"""The shared log as it is read: positions, cumulative hash, and the pages that carry them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from eventlog.envelope import Sealed
from eventlog.event import NO_HASH
from eventlog.wire import FeedItem, FeedPage

GENESIS_FEED_HASH = NO_HASH


def next_feed_hash(before: str, envelope_hash: str) -> str:
    """feed_hash(p) = SHA-256(feed_hash(p-1) ‖ envelope_hash), both as their 32 raw bytes; hex."""
    return hashlib.sha256(bytes.fromhex(before) + bytes.fromhex(envelope_hash)).hexdigest()


@dataclass(frozen=True, slots=True)
class Cursor:
    """Where a reader of the feed stands."""

    epoch: str = "none"
    position: int = 0
    feed_hash: str = GENESIS_FEED_HASH


class PageRefused(Exception):
    """The page does not continue where the reader stands; `reason` says how."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class NewEpoch(PageRefused):
    """The hub speaks of another epoch: it was restored or replaced."""


def check_page(page: FeedPage, cursor: Cursor) -> Sequence[str]:
    """The cumulative hash after each item of `page`. Raises PageRefused unless it continues `cursor` exactly."""
    if cursor.epoch not in ("none", page.epoch):
        raise NewEpoch(f"epoch {page.epoch} is not {cursor.epoch}")
    if page.after != cursor.position:
        raise PageRefused(f"the page starts after {page.after}, the reader stands at {cursor.position}")
    hashes: list[str] = []
    before = cursor.feed_hash
    for n, item in enumerate(page.items, start=1):
        if item.position != cursor.position + n:
            raise PageRefused(f"position {item.position} where {cursor.position + n} was due")
        before = next_feed_hash(before, _sealed(item).hash)
        hashes.append(before)
    if before != page.feed_hash:
        raise PageRefused(f"the feed hash at {page.after + len(page.items)} is not the page's")
    return hashes


def _sealed(item: FeedItem) -> Sealed:
    try:
        return item.sealed()
    except ValueError:
        raise PageRefused(f"position {item.position}: its signature is not base64") from None
