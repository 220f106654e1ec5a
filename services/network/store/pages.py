"""Reading the feed: pages by position. Must never write."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from eventlog.envelope import Sealed
from eventlog.feed import GENESIS_FEED_HASH
from network.store.database import Tx

MOST_BYTES_A_PAGE = 8 * 1024 * 1024

feed_stands = "select epoch, position, feed_hash from feed_head where only_row"
# Positions are contiguous, so the window covers at most `limit` rows; it ends a page before it grows too large.
page_after = """
select position, received_at, signature, feed_hash, state from (
    select position, received_at, signature, feed_hash, state,
           sum(length(state)) over (order by position) as bytes_so_far
    from numbered
    where position > %(after)s and position <= %(after)s + %(limit)s
) page
where bytes_so_far <= %(most_bytes)s or position = %(after)s + 1
order by position
"""
feed_hash_at = "select feed_hash from feed where position = %s"


@dataclass(frozen=True, slots=True)
class FeedHead:
    """How far the feed has come."""

    epoch: str
    position: int
    feed_hash: str


@dataclass(frozen=True, slots=True)
class Stored:
    """One envelope as the feed carries it."""

    position: int
    received_at: dt.datetime
    sealed: Sealed
    feed_hash: str


@dataclass(frozen=True, slots=True)
class Page:
    """Positions after+1 … and the cumulative hash at the last of them."""

    head: FeedHead
    after: int
    items: tuple[Stored, ...]
    feed_hash: str


def feed_head(tx: Tx) -> FeedHead:
    """How far the feed has come."""
    row = tx.execute(feed_stands).fetchone()
    assert row is not None, "the migration opened the feed"
    return FeedHead(row["epoch"], row["position"], bytes(row["feed_hash"]).hex())


def page(tx: Tx, *, after: int, limit: int) -> Page:
    """At most `limit` facts after a position; `after` must not be beyond the head."""
    head = feed_head(tx)
    asked = {"after": after, "limit": limit, "most_bytes": MOST_BYTES_A_PAGE}
    items = tuple(
        Stored(
            position=row["position"],
            received_at=row["received_at"],
            sealed=Sealed(raw=bytes(row["state"]), signature=bytes(row["signature"])),
            feed_hash=bytes(row["feed_hash"]).hex(),
        )
        for row in tx.execute(page_after, asked, prepare=True)
    )
    # A commit between the two statements may have moved the feed beyond the head that was read first.
    if items and items[-1].position > head.position:
        head = FeedHead(head.epoch, items[-1].position, items[-1].feed_hash)
    return Page(head, after, items, items[-1].feed_hash if items else _hash_at(tx, after))


def _hash_at(tx: Tx, position: int) -> str:
    row = tx.execute(feed_hash_at, (position,)).fetchone()
    return GENESIS_FEED_HASH if row is None else bytes(row["feed_hash"]).hex()
