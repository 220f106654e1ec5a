"""A shop's side: writing its own log, reading the feed, and what it does when the hub says that something is wrong.

Each function works on one open transaction of a `BranchLog`. Must never move `acked` by a guess of its own, write a
number of an incarnation twice, or lose an envelope.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass, replace

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pydantic import JsonValue

from eventlog.chain import LOG_OPENED, Head, Link
from eventlog.envelope import Envelope, Forged, Malformed, Place, Sealed, seal, verify
from eventlog.event import NO_HASH, Effect, Event, Seen
from eventlog.feed import PageRefused, check_page
from eventlog.keys import key_id
from eventlog.wire import FeedPage
from sync.branch_log import BranchLog
from sync.opening import link_of
from sync.standpoint import Fresh, Standpoint

NODE_SUSPECTED = "node.suspected"
"""The hub's fact that two nodes live with one key: body {node, key_id, …}. It stops the node that it names."""


@dataclass(frozen=True, slots=True)
class Author:
    """Who writes: the node, its key, and the software's name in every fact."""

    node: str
    key: Ed25519PrivateKey
    software: str

    @property
    def key_id(self) -> str:
        """The short name of the key."""
        return key_id(self.key.public_key())


@dataclass(frozen=True, slots=True)
class PageTaken:
    """A page was applied. News counts as heard only at the head: in the middle of the feed nobody knows what others found."""

    items: int
    fresh: int
    is_at_head: bool


@dataclass(frozen=True, slots=True)
class StartAgain:
    """This log and the hub's are not one any more: begin a new incarnation before anything else is sent or read."""

    reason: str


@dataclass(frozen=True, slots=True)
class Acked:
    """The hub holds the own log up to here; `may_have_more` when there may be more to send."""

    seq: int
    may_have_more: bool


@dataclass(frozen=True, slots=True)
class Held:
    """The hub refuses this run. It is tried again at a slow pace, since a line may garble it; a person should look."""

    reason: str


@dataclass(frozen=True, slots=True)
class HubSays:
    """What the hub answered to a push, free of its wire form; `head` is of the incarnation that was pushed."""

    answer: str
    head: Head | None
    detail: str = ""


def open_log(log: BranchLog, author: Author, fresh: Fresh, *, reason: str, now: dt.datetime) -> None:
    """Begin the first incarnation of this database. `reason` is first or lost."""
    log.stand(Standpoint(inc=fresh.inc))
    _write_genesis(log, author, fresh, parent=None, reason=reason, now=now)


def write(log: BranchLog, author: Author, events: Sequence[Event], *, now: dt.datetime) -> tuple[Link, ...]:
    """Put events at the end of the own log."""
    here = _standpoint(log)
    run: list[Link] = []
    prev, seq = here.hash, here.seq
    for event in events:
        seq += 1
        place = Place(author.node, author.key_id, here.inc, seq, prev)
        sealed = seal(event, place, recorded_at=now, key=author.key)
        link = Link(sealed, Envelope(place=place, recorded_at=now, event=event), sealed.hash)
        log.keep(link, position=None, is_proven=True)
        run.append(link)
        prev = link.hash
    log.stand(replace(here, seq=seq, hash=prev))
    return tuple(run)


def begin_again(log: BranchLog, author: Author, fresh: Fresh, *, reason: str, now: dt.datetime) -> int:
    """Leave the present incarnation and put its unacknowledged facts into a new one; gives how many.

    They stay the same facts, with their ids and what was seen when they were decided: only their place is new. Their
    old envelopes are kept as evidence. Nothing counts as heard until the feed was read to its head again: a database
    that came from a backup has forgotten what it once knew.
    """
    here = _standpoint(log)
    was_suspected = here.is_suspected and author.key_id == _key_id_of(log, here)
    tail = log.set_aside(here.inc, here.acked_seq, reason)
    last = log.at_place(here.inc, here.acked_seq) if here.acked_seq else None
    parent: dict[str, JsonValue] = {
        "inc": str(here.inc),
        "seq": here.acked_seq,
        "hash": NO_HASH if last is None else last.hash,
    }
    log.stand(
        replace(
            here, inc=fresh.inc, seq=0, hash=NO_HASH, acked_seq=0, heard_at=None, trouble="", relearning=reason,
            parent=here.inc, is_suspected=was_suspected,
        )
    )  # fmt: skip
    _write_genesis(log, author, fresh, parent=parent, reason=reason, now=now)
    carried = [link.envelope.event for link in tail if _has_to_be_carried(log, link)]
    here = _standpoint(log)
    prev, seq = here.hash, here.seq
    for event in carried:
        seq += 1
        place = Place(author.node, author.key_id, here.inc, seq, prev)
        sealed = seal(event, place, recorded_at=now, key=author.key)
        link = Link(sealed, Envelope(place=place, recorded_at=now, event=event), sealed.hash)
        log.keep_under(link, position=None, is_proven=True)
        prev = link.hash
    log.stand(replace(here, seq=seq, hash=prev))
    return len(carried)


def take_push_answer(log: BranchLog, says: HubSays) -> Acked | Held | StartAgain | None:
    """What the hub's answer means for the own log. None: it speaks of an incarnation that this node has left."""
    here = _standpoint(log)
    if says.head is not None and says.head.inc != here.inc:
        return None
    match says.answer:
        case "accepted" | "same" | "gap" if says.head is not None:
            if says.head.seq > here.seq:
                return StartAgain("restore")
            log.stand(replace(here, acked_seq=says.head.seq, trouble=""))
            return Acked(says.head.seq, may_have_more=says.head.seq < here.seq)
        case "behind":
            return StartAgain("restore")
        case "fork":
            return StartAgain("fork")
        case _:
            reason = f"{says.answer}: {says.detail}"
            log.stand(replace(here, trouble=reason))
            return Held(reason)


def prove(page: FeedPage, key_of: Callable[[str, str], Ed25519PublicKey | None]) -> frozenset[Sealed]:
    """The envelopes of a page whose signature is borne out by the key that is held for them: slow, and needs no
    transaction. Whose key is not held yet, or does not bear it out, is looked at again by `take_page`."""
    good: set[Sealed] = set()
    for item in page.items:
        try:
            sealed = item.sealed()
        except ValueError:
            continue
        link = _opened(sealed)
        key = None if link is None else key_of(link.envelope.place.node, link.envelope.place.key_id)
        if key is not None and _bears_out(sealed, key):
            good.add(sealed)
    return frozenset(good)


def take_page(
    log: BranchLog, page: FeedPage, *, heard_at: dt.datetime, proven: Set[Sealed] = frozenset()
) -> PageTaken | StartAgain:
    """Apply one page of the feed. Raises PageRefused (NewEpoch among it), and then nothing of it may be kept.

    What cannot be read, or does not bear out its signature, keeps its position and is no fact here, unless its header
    says that it blocks something. `proven` is what `prove` found with the keys of this log: a key is never replaced.
    """
    here = _standpoint(log)
    hashes = check_page(page, here.feed)
    found = [_opened(item.sealed()) for item in page.items]
    lost = _forgotten(log, here, found)
    if lost is not None:
        return lost
    fresh = 0
    for item, link, feed_hash in zip(page.items, found, hashes, strict=True):
        log.note_feed(item.position, feed_hash)
        if link is None:
            log.keep_unread(item.position, item.sealed())
        else:
            fresh += _take(log, link, item.position, proven)
    position = page.after + len(page.items)
    is_at_head = position >= page.head
    if not page.items and not is_at_head:
        raise PageRefused(f"an empty page after {page.after}, and the head at {page.head}")
    log.stand(
        replace(
            _standpoint(log),
            feed=replace(here.feed, epoch=page.epoch, position=position, feed_hash=page.feed_hash),
            heard_at=heard_at if is_at_head else here.heard_at,
            hub_time=page.hub_time,
            relearning="" if is_at_head else here.relearning,
            is_suspected=here.is_suspected or any(_suspects(log, here, link) for link in found),
        )
    )
    return PageTaken(items=len(page.items), fresh=fresh, is_at_head=is_at_head)


def _has_to_be_carried(log: BranchLog, link: Link) -> bool:
    """A fact goes along unless it only opened the log, or the feed holds it already under another envelope."""
    kept = log.fact(link.envelope.event.id)
    return link.envelope.event.kind != LOG_OPENED and (kept is None or kept.position is None)


def _write_genesis(
    log: BranchLog,
    author: Author,
    fresh: Fresh,
    *,
    parent: dict[str, JsonValue] | None,
    reason: str,
    now: dt.datetime,
) -> None:
    genesis = Event(
        id=fresh.opening_id,
        kind=LOG_OPENED,
        v=1,
        effect=Effect.NEUTRAL,
        subject=f"node/{author.node}",
        body={"parent": parent, "reason": reason},
        performed_on=now.date(),
        at=now,
        seen=Seen(),
        actor="node",
        role="node",
        software=author.software,
    )
    write(log, author, [genesis], now=now)


def _standpoint(log: BranchLog) -> Standpoint:
    here = log.standpoint()
    if here is None:
        raise LookupError("this node has no log yet")
    return here


def _opened(sealed: Sealed) -> Link | None:
    try:
        return link_of(sealed)
    except Malformed:
        return None


def _forgotten(log: BranchLog, here: Standpoint, found: Sequence[Link | None]) -> StartAgain | None:
    """Whether the feed holds envelopes of this very incarnation that this node does not: it was restored, or there are two."""
    for link in found:
        if link is None or link.envelope.place.node != log.node or link.envelope.place.inc != here.inc:
            continue
        seq = link.envelope.place.seq
        if seq > here.seq:
            return StartAgain("restore")
        mine = log.at_place(here.inc, seq)
        # What the hub has acknowledged stands; the other tail of a fork is held beside it.
        if seq > here.acked_seq and (mine is None or mine.hash != link.hash):
            return StartAgain("fork")
    return None


def _suspects(log: BranchLog, here: Standpoint, link: Link | None) -> bool:
    """Whether this is the hub's word that a second node lives with this node's key."""
    if link is None or link.envelope.place.node != log.hub_node or link.envelope.event.kind != NODE_SUSPECTED:
        return False
    body = link.envelope.event.body
    return body.get("node") == log.node and body.get("key_id") == _key_id_of(log, here)


def _key_id_of(log: BranchLog, here: Standpoint) -> str:
    """The key with which the present incarnation is signed."""
    opening = log.at_place(here.inc, 1)
    return "" if opening is None else link_of(opening).envelope.place.key_id


def _take(log: BranchLog, link: Link, position: int, proven: Set[Sealed]) -> int:
    """Hold what stands at a position; 1 when the fact was new here."""
    event, place = link.envelope.event, link.envelope.place
    known = log.fact(event.id)
    if known is not None and known.hash == link.hash:
        log.place(event.id, position)
        return 0
    is_proven = link.sealed in proven or _is_proven(log, link)
    if known is None:
        log.keep(link, position=position, is_proven=is_proven)
    elif is_proven:
        log.keep_under(link, position=position, is_proven=True)
    else:  # A fact that is held and proven is not overlaid by an envelope that nobody vouches for.
        log.keep_unread(position, link.sealed)
        return 0
    if is_proven and place.node == log.hub_node:
        for waiting in log.learn(event):
            if _is_proven(log, waiting):
                log.believe(waiting.envelope.event.id)
    return int(known is None)


def _is_proven(log: BranchLog, link: Link) -> bool:
    place = link.envelope.place
    key = log.key(place.node, place.key_id)
    return key is not None and _bears_out(link.sealed, key)


def _bears_out(sealed: Sealed, key: Ed25519PublicKey) -> bool:
    try:
        verify(sealed, key)
    except Forged:
        return False
    return True
