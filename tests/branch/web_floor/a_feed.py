"""The shared feed between two shops, as the hub would give it out: positions, hashes, signatures."""

from __future__ import annotations

import base64
import datetime as dt
from dataclasses import replace

from tests.branch.a_shop import Shop

from eventlog.envelope import Sealed
from eventlog.feed import GENESIS_FEED_HASH, next_feed_hash
from eventlog.keys import public_text
from eventlog.wire import FeedItem, FeedPage


class Feed:
    """Every fact of these shops in one order. `pass_on` gives each shop what it lacks, as its sync loop does."""

    def __init__(self, *shops: Shop) -> None:
        self._shops = shops
        self._items: list[FeedItem] = []
        self._hashes = [GENESIS_FEED_HASH]
        for reader in shops:
            with reader.node.store.writing() as tx:
                for writer in shops:
                    author = writer.node.store.author
                    tx.trust(author.node, public_text(author.key.public_key()), writer.node.settings.name)

    def pass_on(self) -> None:
        """Take in what is new of every shop, then bring every shop up to the head."""
        for shop in self._shops:
            self._take(shop)
        for shop in self._shops:
            self._give(shop)

    def put(self, sealed: Sealed, received_at: dt.datetime) -> None:
        """Give one fact the next position."""
        signature = base64.b64encode(sealed.signature).decode()
        self._items.append(
            FeedItem(
                position=len(self._items) + 1,
                received_at=received_at,
                raw=sealed.raw.decode(),
                signature=signature,
            )
        )
        self._hashes.append(next_feed_hash(self._hashes[-1], sealed.hash))

    def _take(self, shop: Shop) -> None:
        for sealed in shop.node.store.unsent(most=1000, most_bytes=1_000_000):
            self.put(sealed, shop.clock.at)
        with shop.node.store.writing() as tx:
            node = tx.node()
            tx.log.stand(replace(node, acked_seq=node.seq))

    def _give(self, shop: Shop) -> None:
        with shop.node.store.writing() as tx:
            after = tx.node().feed.position
            page = FeedPage(
                epoch="e1",
                after=after,
                head=len(self._items),
                items=tuple(self._items[after:]),
                feed_hash=self._hashes[-1],
                hub_time=shop.clock.at,
            )
            tx.absorb(page, heard_at=shop.clock.at)
        shop.node.live.ring()
