"""The hub's side: a batch of one log's next envelopes, and envelopes that come back from whoever holds them.

Each function works on one open transaction of a `HubLog`. Refuses only what is malformed, forged, out of chain or
forked; must never judge what a fact says, and never give a fact a second position.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from eventlog.chain import LOG_OPENED, Head, Link, Verdict, judge
from eventlog.envelope import Forged, Malformed, Sealed, verify
from eventlog.event import Effect
from eventlog.feed import next_feed_hash
from sync.hub_log import AnotherNodesLog, FeedEnd, HubLog, Placed
from sync.opening import link_of


@dataclass(frozen=True, slots=True)
class Appended:
    """What became of a run: the verdict, the node's head and the feed's position after it.

    `reused` are facts that carry the id of an earlier fact but say something else: they keep their place in their
    node's log and get no position; somebody must look at them.
    """

    verdict: Verdict
    head: Head
    position: int
    placed: tuple[Placed, ...] = ()
    reused: tuple[Link, ...] = ()


@dataclass(frozen=True, slots=True)
class TakenBack:
    """What became of envelopes that were given back, each by its hash. Only `unknown_key` is worth another try."""

    placed: tuple[Placed, ...] = ()
    settled: tuple[str, ...] = ()
    unknown_key: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()
    position: int = 0


@dataclass
class _Numbering:
    """Positions given in this transaction. Opened late: from its first look at the feed's end, all others wait."""

    end: FeedEnd
    placed: list[Placed] = field(default_factory=list)

    def give(self, link: Link, *, is_loose: bool) -> None:
        feed_hash = next_feed_hash(self.end.feed_hash, link.hash)
        self.end = replace(self.end, position=self.end.position + 1, feed_hash=feed_hash)
        self.placed.append(Placed(self.end.position, link, feed_hash, is_loose))


@dataclass(frozen=True, slots=True)
class _Laid:
    """An envelope that was given back, and whether it lies in its chain now, or did before."""

    link: Link
    has_joined: bool
    is_loose: bool
    follows: Head


def append(log: HubLog, run: Sequence[Link], *, now: dt.datetime) -> Appended:
    """Judge a verified run against what is held, and write what is fresh of it. Raises AnotherNodesLog."""
    place = run[0].envelope.place
    head = log.head(place.node, place.inc, now=now)
    verdict = judge(run, head, known=_known(log, head, run))
    if verdict.answer != "accepted":
        if verdict.answer == "same":
            log.move_head(place.node, head, now=now)
        return Appended(verdict, head, position=0)
    log.keep_chain(verdict.fresh)
    last = verdict.fresh[-1]
    new_head = Head(inc=place.inc, seq=last.envelope.place.seq, hash=last.hash)
    log.move_head(place.node, new_head, now=now)
    # From here to the commit every other append waits: nothing slow may follow.
    numbering = _Numbering(log.feed_end())
    earlier = log.positioned([link.envelope.event.id for link in verdict.fresh])
    reused: list[Link] = []
    for link in verdict.fresh:
        event = link.envelope.event
        if event.id in earlier:
            log.repeat(link, now=now)
            if earlier[event.id].envelope.event != event:
                reused.append(link)
            continue
        earlier[event.id] = link
        numbering.give(link, is_loose=False)
    log.number(numbering.placed, now=now)
    return Appended(verdict, new_head, numbering.end.position, tuple(numbering.placed), tuple(reused))


def take_back(
    log: HubLog, giver: str, sealed: Sequence[Sealed], *, now: dt.datetime, only_blocks: bool = False
) -> TakenBack:
    """Take envelopes of any log by their signatures: what a restored hub has lost, or a block that overtakes its log.

    One that follows on joins its chain. One that does not is held beside it, with a record of the hole or the fork:
    it counts all the same. `only_blocks` is for the way that overtakes: anything else is refused there.
    """
    good: list[Link] = []
    unknown_key: list[str] = []
    refused: list[str] = []
    for one in sealed:
        link = authentic(log, giver, one, now=now)
        if link == "unknown key":
            unknown_key.append(one.hash)
        elif isinstance(link, str) or (only_blocks and not _blocks(link)):
            refused.append(one.hash)
        else:
            good.append(link)
    # Heads are locked in one order by everybody, and all of them before the feed: two givers never wait for each other.
    in_order = sorted(good, key=lambda link: (link.envelope.place.inc, link.envelope.place.seq))
    laid = [found for link in in_order if (found := _lay(log, link, now=now)) is not None]
    placed: list[Placed] = []
    position = 0
    if laid:
        numbering = _Numbering(log.feed_end())
        _number_laid(log, numbering, laid, now=now)
        placed, position = numbering.placed, numbering.end.position
    for row in placed:
        log.register(row.link)
    settled = tuple(link.hash for link in good)
    return TakenBack(tuple(placed), settled, tuple(unknown_key), tuple(refused), position)


def _blocks(link: Link) -> bool:
    return link.envelope.event.effect is Effect.BLOCK


def authentic(log: HubLog, giver: str, sealed: Sealed, *, now: dt.datetime) -> Link | str:
    """The envelope, or why it is not believed: "malformed", "unknown key", "forged". What is forged is kept as it came."""
    try:
        link = link_of(sealed)
    except Malformed as wrong:
        log.aside(giver, "malformed", str(wrong), sealed.raw, now=now)
        return "malformed"
    place = link.envelope.place
    key = log.key(place.node, place.key_id)
    if key is None:
        return "unknown key"
    try:
        verify(sealed, key)
    except Forged as wrong:
        log.aside(giver, "forged", f"{place.node} {place.seq}: {wrong}", sealed.raw, now=now)
        return "forged"
    return link


def _lay(log: HubLog, link: Link, *, now: dt.datetime) -> _Laid | None:
    """Put an envelope into its chain when it follows on; None when its incarnation is another node's."""
    place = link.envelope.place
    try:
        head = log.head(place.node, place.inc, now=now)
    except AnotherNodesLog as wrong:
        log.aside(place.node, "another node's log", str(wrong), link.sealed.raw, now=now)
        return None
    held = log.hashes(place.inc, place.seq, place.seq).get(place.seq)
    has_joined = held is None and _joins(link, head)
    if has_joined:
        log.keep_chain([link])
        log.move_head(place.node, Head(place.inc, place.seq, link.hash), now=now)
    return _Laid(link, has_joined, is_loose=not has_joined and held != link.hash, follows=head)


def _number_laid(log: HubLog, numbering: _Numbering, laid: Sequence[_Laid], *, now: dt.datetime) -> None:
    earlier = log.positioned([one.link.envelope.event.id for one in laid])
    for one in laid:
        event, place = one.link.envelope.event, one.link.envelope.place
        if event.id not in earlier:
            earlier[event.id] = one.link
            if one.is_loose:
                why = "fork" if place.seq <= one.follows.seq else "hole"
                log.keep_loose(one.link, follows=one.follows, why=why, now=now)
            numbering.give(one.link, is_loose=one.is_loose)
            continue
        if one.has_joined:
            log.repeat(one.link, now=now)
        if earlier[event.id].envelope.event != event:
            detail = f"the id {event.id} was given to another fact before"
            log.aside(place.node, "reused id", detail, one.link.sealed.raw, now=now)
    if numbering.placed:
        log.number(numbering.placed, now=now)


def _joins(link: Link, head: Head) -> bool:
    place = link.envelope.place
    return (
        place.seq == head.seq + 1
        and place.prev == head.hash
        and (place.seq == 1) == (link.envelope.event.kind == LOG_OPENED)
    )


def _known(log: HubLog, head: Head, run: Sequence[Link]) -> dict[int, str]:
    first, last = run[0].envelope.place.seq, min(run[-1].envelope.place.seq, head.seq)
    return {} if first > last else log.hashes(head.inc, first, last)
