"""A hub that was restored or replaced: find the last position at which both feeds are one, cut there, give back the rest.

Equal cumulative hashes mean equal prefixes; equal entry hashes would not (a fact may stand at one position in both
feeds and differ before it).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

from eventlog.feed import Cursor
from sync.branch_log import BranchLog
from sync.standpoint import Standpoint


@dataclass(frozen=True, slots=True)
class Search:
    """A search for the common prefix: equal at `low`, and not known to be so above it up to `high`."""

    epoch: str
    low: int
    high: int

    @property
    def is_over(self) -> bool:
        """`low` is the last common position."""
        return self.low >= self.high

    @property
    def asks(self) -> int:
        """The position whose hash has to be asked for next."""
        return (self.low + self.high + 1) // 2


@dataclass(frozen=True, slots=True)
class HashAt:
    """What the hub says about one position of its feed; no hash when it does not reach so far."""

    epoch: str
    position: int
    feed_hash: str | None


def begin_search(here: Standpoint, *, epoch: str, head: int) -> Search:
    """Both feeds begin alike; neither the copy nor the hub knows more than its own end."""
    return Search(epoch=epoch, low=0, high=min(here.feed.position, head))


def hear(log: BranchLog, search: Search, said: HashAt) -> Search | None:
    """One step of the search; None when the hub speaks of another epoch by now and the search begins anew."""
    if said.epoch != search.epoch:
        return None
    if said.position != search.asks:
        return search
    if said.feed_hash is not None and log.feed_hash_at(said.position) == said.feed_hash:
        return replace(search, low=said.position)
    return replace(search, high=said.position - 1)


def adopt(log: BranchLog, search: Search) -> int:
    """Follow the new epoch from the last common position; gives how many positions were cut.

    No fact is forgotten: a condemnation that the hub lost still blocks here. What the hub holds of the own log is no
    longer known, so the next push begins at the first envelope and the answer says where to go on.
    """
    here = log.standpoint()
    if here is None or not search.is_over:
        raise ValueError("the search is not over")
    feed_hash = log.feed_hash_at(search.low)
    if feed_hash is None:
        raise LookupError(f"this copy of the feed has no position {search.low}")
    cut = here.feed.position - search.low
    log.cut_feed(search.low)
    log.stand(
        replace(
            here,
            acked_seq=0,
            feed=Cursor(epoch=search.epoch, position=search.low, feed_hash=feed_hash),
            heard_at=None,
            ticket="",
        )
    )
    return cut


def heard_nothing_new(log: BranchLog, *, at: dt.datetime, hub_time: dt.datetime) -> None:
    """The hub answered, and this node stands at its head."""
    here = log.standpoint()
    if here is not None:
        log.stand(replace(here, heard_at=at, hub_time=hub_time, relearning=""))


def given_back(log: BranchLog, epoch: str, done: Sequence[str]) -> None:
    """The hub of this epoch has answered for these envelopes, by hash."""
    here = log.standpoint()
    if here is not None and here.feed.epoch == epoch:
        log.given(done, epoch)
