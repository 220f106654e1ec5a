"""What a shop knew when it filled: each authorised fill judged again, over exactly the facts that its node held then.

Pure. A node held what its own log says before the fill, and the feed as far as it had read. How far that is, the
cumulative hash proves that was signed with the fill: equal hashes mean equal feeds. Where a feed was begun again after
a restore, the hash proves nothing beyond the parting; what may have been held there is never guessed.
Must never judge by a clock, by the order of arrival, or by a fact that the shop could not have had.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal
from uuid import UUID

from cylinder.block import Block
from cylinder.facts import ActorWithdrawn, FillAuthorised, IdentitiesLinked, SuspicionLifted
from cylinder.gather import Filed, Gathered, gather
from cylinder.proof import DISTRUSTING
from cylinder.recorded import HUB, Origin, Recorded, cylinder_of
from cylinder.standing import standing

NO_EPOCH = "none"
"""What a node writes that has not read any feed yet."""


_ONLY_STRICTER = frozenset({ActorWithdrawn.KIND, IdentitiesLinked.KIND, *DISTRUSTING})
"""Kinds that never open a way to a fill. A certification, a split or an assignment may do either."""


class Finding(StrEnum):
    """What is found of one fill."""

    NOTHING = "knew nothing against it"
    UNKNOWABLE = "could not have known"
    KNEW = "knew, and filled"
    CANNOT_SAY = "cannot say"


@dataclass(frozen=True, slots=True)
class SeenAt:
    """How far a node said that it had read the feed, and the cumulative hash there."""

    epoch: str
    position: int
    feed_hash: str


@dataclass(frozen=True, slots=True)
class Written:
    """A fact where its log has it. `position` is None for a place at which a fact was published again.

    `beside`: it is held outside its chain, after a hole or on another tail than the chain's.
    """

    fact: Recorded
    seen: SeenAt
    position: int | None
    beside: Literal["", "hole", "fork"] = ""


@dataclass(frozen=True, slots=True)
class Opened:
    """The beginning of an incarnation of a log, and the last number of the one before that it goes on from.

    `is_whole`: everything of the one before up to that number is held.
    """

    inc: UUID
    parent: UUID | None = None
    parent_seq: int = 0
    is_whole: bool = True


@dataclass(frozen=True, slots=True)
class Feed:
    """The feed as it is now: each epoch with the position that it began after, oldest first; hashes by position."""

    epochs: tuple[tuple[str, int], ...]
    hash_at: Callable[[int], str | None]

    def number_of(self, epoch: str) -> int | None:
        """Which epoch it is, from 0; -1 before a node has read any; None when this feed was never called so."""
        if epoch == NO_EPOCH:
            return -1
        return next((n for n, one in enumerate(self.epochs) if one[0] == epoch), None)

    def number_at(self, position: int) -> int:
        """The epoch in which a position was given."""
        return max((n for n, one in enumerate(self.epochs) if one[1] < position), default=0)

    def proven(self, seen: SeenAt) -> int:
        """How much of this feed a node had certainly read: by the hash; without it, what came before its epoch."""
        if seen.position == 0 or self.hash_at(seen.position) == seen.feed_hash:
            return seen.position
        n = self.number_of(seen.epoch)
        return 0 if n is None or n < 0 else min(seen.position, self.epochs[n][1])


@dataclass(frozen=True, slots=True)
class Audited:
    """One authorised fill. `blocks`: what stood open by the facts that its node held, if it knew."""

    fill_id: UUID
    cylinder_id: UUID
    node: str
    position: int
    performed_on: dt.date
    seen: SeenAt
    finding: Finding
    blocks: tuple[Block, ...] = ()


def audit(
    written: Iterable[Written], opened: Iterable[Opened], feed: Feed, *, hub: str = HUB
) -> tuple[Audited, ...]:
    """Judge every authorised fill among these facts, in the order of the feed.

    `written` has to hold every fact that matters and every authorised fill of the cylinders in question and of all
    that they were ever linked with, all credentials, and the places of facts published again; `opened` all logs.
    """
    book = _Book(feed, hub, {one.inc: one for one in opened})
    for one in written:
        book.put(one)
    return tuple(book.judge(position, book.fills[position]) for position in sorted(book.fills))


@dataclass(frozen=True, slots=True)
class _Case:
    """What the network holds today on one family of records; the same for all fills of it."""

    gathered: Gathered
    all: tuple[Written, ...]
    has_block: bool


@dataclass(frozen=True, slots=True)
class _Reading:
    """How far a node had read by a number in its log, and in which epochs more than is proven (None: not of this feed)."""

    seq: int
    proven: int
    unproven_in: frozenset[int | None]

    @classmethod
    def of(cls, one: Written, feed: Feed) -> _Reading:
        proven, n = feed.proven(one.seen), feed.number_of(one.seen.epoch)
        more = frozenset([n]) if proven < one.seen.position else frozenset[int | None]()
        return cls(one.fact.origin.seq, proven, more)


@dataclass(slots=True)
class _Book:
    feed: Feed
    hub: str
    opened: Mapping[UUID, Opened]
    fills: dict[int, Written] = field(default_factory=dict)
    filed: Filed = field(default_factory=Filed)
    at: dict[UUID, Written] = field(default_factory=dict)
    places: dict[UUID, list[Written]] = field(default_factory=dict)
    parted: dict[UUID, int] = field(default_factory=dict)
    """By incarnation: the lowest number known to have two contents. From there on its log has two tails."""
    _noted: dict[UUID, list[_Reading]] = field(default_factory=dict)
    _readings: dict[UUID, tuple[_Reading, ...]] = field(default_factory=dict)
    _cases: dict[UUID, _Case] = field(default_factory=dict)

    def put(self, one: Written) -> None:
        """Take note of a fact; in any order, but all of them before the first is judged."""
        fact, origin = one.fact, one.fact.origin
        self.places.setdefault(fact.id, []).append(one)
        if one.beside == "fork":
            self.parted[origin.inc] = min(origin.seq, self.parted.get(origin.inc, origin.seq))
        self._noted.setdefault(origin.inc, []).append(_Reading.of(one, self.feed))
        if one.position is None:
            return
        self.at[fact.id] = one
        self.filed.put(fact)
        if fact.kind == FillAuthorised.KIND and cylinder_of(fact.subject) is not None:
            self.fills[one.position] = one

    def judge(self, position: int, fill: Written) -> Audited:
        """One fill."""
        fact = fill.fact
        cylinder_id = cylinder_of(fact.subject)
        assert cylinder_id is not None, "only fills of a cylinder are noted"
        finding, blocks = self._judge(cylinder_id, fill)
        return Audited(
            fact.id, cylinder_id, fact.node, position, fact.performed_on, fill.seen, finding, blocks
        )

    def reading(self, inc: UUID, upto: int) -> _Reading:
        """How far had been read when this number of an incarnation was written."""
        if inc not in self._readings:
            self._readings[inc] = tuple(_furthest(self._noted.get(inc, ())))
        rows = self._readings[inc]
        n = bisect_right(rows, upto, key=_seq)
        return rows[n - 1] if n else _Reading(0, 0, frozenset())

    def _judge(self, cylinder_id: UUID, fill: Written) -> tuple[Finding, tuple[Block, ...]]:
        case = self._case(cylinder_id)
        if not case.has_block:
            return Finding.NOTHING, ()
        before = _Before.of(fill, self)
        held = {one.fact.id for one in case.all if before.has(one)}
        perhaps = [one.fact for one in case.all if one.fact.id not in held and before.may_have(one)]
        open_then = self._open_by(cylinder_id, case, held)
        at_best = [self._open_by(cylinder_id, case, held | more) for more in _subsets(perhaps, _is_bad_news)]
        sure = tuple(one for one in open_then if all(one.id in {b.id for b in best} for best in at_best))
        if open_then:
            return (Finding.KNEW, sure) if sure and not before.has_hole else (Finding.CANNOT_SAY, open_then)
        if any(self._open_by(cylinder_id, case, held | more) for more in _subsets(perhaps, _is_good_news)):
            return Finding.CANNOT_SAY, ()
        came_later = any(
            one.effect == "block" and one.id not in held and one.performed_on <= fill.fact.performed_on
            for one in case.gathered.facts
        )
        return Finding.UNKNOWABLE if came_later else Finding.NOTHING, ()

    def _open_by(self, cylinder_id: UUID, case: _Case, ids: Set[UUID]) -> tuple[Block, ...]:
        facts, credentials = (
            [one for one in some if one.id in ids]
            for some in (case.gathered.facts, case.gathered.credentials)
        )
        return standing(cylinder_id, facts, credentials, hub=self.hub).blocks

    def _case(self, cylinder_id: UUID) -> _Case:
        if cylinder_id not in self._cases:
            found = gather(cylinder_id, self.filed.look, hub=self.hub)
            has_block = any(one.effect == "block" for one in found.facts)
            ids = dict.fromkeys(one.id for one in (*found.facts, *found.credentials))
            self._cases[cylinder_id] = _Case(found, tuple(self.at[one] for one in ids), has_block)
        return self._cases[cylinder_id]


def _is_good_news(one: Recorded) -> bool:
    return one.effect == "clear" or one.kind == SuspicionLifted.KIND


def _is_bad_news(one: Recorded) -> bool:
    return one.effect == "block" or one.kind in _ONLY_STRICTER


@dataclass(frozen=True, slots=True)
class _Before:
    """What one node must have held, and what it may have held, at one place in its log."""

    book: _Book
    fill: Written
    log: Mapping[UUID, int]
    """The incarnations that this log goes back to, each with the last number that lies before the fill."""
    read_to: int
    unproven_in: frozenset[int | None]
    """The epochs in which more was read before the fill than is shown to be part of this feed."""
    has_hole: bool
    """Facts of the own log from before the fill may be missing everywhere."""

    @classmethod
    def of(cls, fill: Written, book: _Book) -> _Before:
        log = dict(_back_from(fill.fact.origin, book.opened))
        readings = [_Reading.of(fill, book.feed)]
        readings += [book.reading(inc, upto) for inc, upto in log.items()]
        in_chain = any(one.beside != "hole" for one in book.places[fill.fact.id])
        beginnings = [book.opened.get(inc) for inc in log]
        return cls(
            book,
            fill,
            log,
            read_to=max(one.proven for one in readings),
            unproven_in=frozenset[int | None]().union(*(one.unproven_in for one in readings)),
            has_hole=not in_chain or any(one is None or not one.is_whole for one in beginnings),
        )

    def has(self, one: Written) -> bool:
        """Whether the node certainly held this fact."""
        if one.position is not None and one.position <= self.read_to:
            return True
        return any(self._is_before(place) and not self._has_two_tails(place) for place in self._places(one))

    def may_have(self, one: Written) -> bool:
        """Whether it may have held this fact, and nothing proves it.

        Either it is on a tail of the own log that is not the chain's, or it may have stood in a part of the feed that
        a restore lost, and came back later.
        """
        if any(self._is_before(place) for place in self._places(one)):
            return True
        feed = self.book.feed
        if one.position is None or any(self._is_after(place) for place in self._places(one)):
            return False
        given_in, read_in = feed.number_at(one.position), feed.number_of(self.fill.seen.epoch)
        if None in self.unproven_in or given_in in self.unproven_in:
            return True
        written_in = feed.number_of(one.seen.epoch)
        if given_in == 0 or (written_in is not None and written_in >= given_in):
            return False
        if self.unproven_in or read_in is None or written_in is None:
            return True
        return read_in >= given_in or max(written_in, 0) < read_in

    def _places(self, one: Written) -> Iterable[Origin]:
        return (place.fact.origin for place in self.book.places.get(one.fact.id, ()))

    def _is_before(self, place: Origin) -> bool:
        return place.node == self.fill.fact.node and place.seq <= self.log.get(place.inc, 0)

    def _is_after(self, place: Origin) -> bool:
        """Whether its own log puts it behind the fill. A tail that a restore cut off is not: it may have come back."""
        mine = self.fill.fact.origin
        return place.node == mine.node and any(
            inc == mine.inc and upto + (place.inc == inc) >= mine.seq
            for inc, upto in _back_from(place, self.book.opened)
        )

    def _has_two_tails(self, place: Origin) -> bool:
        return self.book.parted.get(place.inc, place.seq + 1) <= place.seq


def _subsets(perhaps: Sequence[Recorded], without: Callable[[Recorded], bool]) -> tuple[Set[UUID], ...]:
    """What may have been held besides, but for this news: with and without whatever may be either good or bad."""
    most = {one.id for one in perhaps if not without(one)}
    least = {one.id for one in perhaps if one.id in most and (_is_good_news(one) or _is_bad_news(one))}
    return tuple(dict.fromkeys((frozenset(most), frozenset(least)))) if perhaps else ()


def _back_from(place: Origin, opened: Mapping[UUID, Opened]) -> Iterator[tuple[UUID, int]]:
    """Each incarnation that a log goes back to, with the last number that counts. A circle would be a forgery."""
    inc: UUID | None = place.inc
    upto, met = place.seq - 1, set[UUID]()
    while inc is not None and inc not in met:
        met.add(inc)
        yield inc, upto
        beginning = opened.get(inc)
        inc, upto = (None, 0) if beginning is None else (beginning.parent, beginning.parent_seq)


def _furthest(noted: Iterable[_Reading]) -> Iterator[_Reading]:
    """In the order of the log; whoever has read something does not forget it within one log."""
    proven, unproven_in = 0, frozenset[int | None]()
    for one in sorted(noted, key=_seq):
        proven, unproven_in = max(proven, one.proven), unproven_in | one.unproven_in
        yield _Reading(one.seq, proven, unproven_in)


def _seq(one: _Reading) -> int:
    return one.seq
