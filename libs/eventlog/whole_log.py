"""A whole log checked from its bytes, offline: what does not fit, and where. Whoever holds the log prints what is found.

Pure: envelopes, keys and checkpoints in, lines out. Nothing derived is believed: keys come from pinned ones and from
the hub's own facts in the log. Must never know how a log is stored.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from eventlog.chain import LOG_OPENED, Head
from eventlog.chain_check import Chains, Place
from eventlog.checkpoint import Checkpoint, SignedCheckpoint, contradiction, parse_checkpoint, read_checkpoint
from eventlog.envelope import Envelope, Forged, Malformed, Sealed, read, verify
from eventlog.event import Event
from eventlog.feed import GENESIS_FEED_HASH, next_feed_hash
from eventlog.keys import key_id, public_key
from eventlog.tree import Edge, grow

MOST_LINES = 200
NODE_ENROLLED = "node.enrolled"


@dataclass(frozen=True, slots=True)
class Held:
    """One envelope as a log holds it, beside what an index of that log says of it.

    `is_loose`: it is held outside its chain (given back after a loss, or a fork kept as evidence). `is_unread`: the log
    itself does not take it for a fact, so what is wrong with it is only noted.
    """

    sealed: Sealed
    position: int | None = None
    kept_hash: str | None = None
    kept_feed_hash: str | None = None
    is_loose: bool = False
    is_unread: bool = False


@dataclass(frozen=True, slots=True)
class Said:
    """What the log says of itself: where its feed ends and, in a shop's own database, where its own chain ends."""

    epoch: str
    position: int
    feed_hash: str
    own: Head | None = None
    has_every_envelope: bool = False
    """It is the hub's: a chain with a hole is damage. A shop's copy lacks what carries a fact it had already."""


@dataclass(frozen=True, slots=True)
class Trust:
    """Whose facts bring keys, and the keys that are known from elsewhere, by their id."""

    hub_node: str
    keys: Mapping[str, tuple[str, Ed25519PublicKey]]


@dataclass(frozen=True, slots=True)
class Shown:
    """A checkpoint and where it comes from; of another's, more than this log holds is no fault of this log."""

    signed: SignedCheckpoint
    source: str = ""


@dataclass(slots=True)
class Found:
    """What came out: each problem one line that begins with its place, and what a reader should know besides."""

    facts: int = 0
    position: int = 0
    feed_hash: str = GENESIS_FEED_HASH
    edge: Edge = field(default_factory=Edge)
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def wrong(self, line: str) -> None:
        """Add a problem, up to a bound."""
        if len(self.problems) < MOST_LINES:
            self.problems.append(line)


@dataclass(frozen=True, slots=True)
class _Mark:
    """Somebody's word on the feed up to a position: a checkpoint, or what a node had seen when it recorded a fact."""

    position: int
    agrees: bool
    words: str


def check(
    feed: Iterable[Held], beside: Iterable[Held], said: Said, trust: Trust, shown: Sequence[Shown]
) -> Found:
    """Check a log: the feed in the order of its positions, then what it holds without one."""
    one = _Check(said, dict(trust.keys), trust.hub_node, shown)
    for held in feed:
        one.at_position(held)
    one.end_of_feed()
    for held in beside:
        one.envelope(held, seen_from=None)
    one.end()
    return one.found


class _Check:
    """One pass over one log."""

    def __init__(
        self,
        said: Said,
        keys: dict[str, tuple[str, Ed25519PublicKey]],
        hub_node: str,
        shown: Sequence[Shown],
    ) -> None:
        self.found = Found()
        self._said, self._keys, self._hub_node = said, keys, hub_node
        self._chains = Chains()
        self._ids: set[UUID] = set()
        self._hashes: list[str] = [GENESIS_FEED_HASH]
        self._broken_at = 0  # the first position after which the cumulative hash says nothing
        self._marks: list[_Mark] = []
        self._unproven: list[tuple[Held, Place]] = []
        self._shown = self._readable(shown)
        self._next = 0

    def at_position(self, held: Held) -> None:
        """The next envelope of the feed."""
        found, position = self.found, held.position
        assert position is not None, "only what has a position is in the feed"
        due = found.position + 1
        if position != due:
            missing = f"position {due}" if position == due + 1 else f"positions {due} to {position - 1}"
            found.wrong(f"{missing}: missing" if position > due else f"position {position}: stands twice")
            self._broken_at = self._broken_at or due
        found.facts += 1
        found.position = max(found.position, position)
        reasons: list[str] = []
        if held.kept_hash is not None and held.kept_hash != held.sealed.hash:
            reasons.append("the envelope is not the one that was stored here")
        # The tree and the hashes go on over what was stored, so that one turned bit is named once.
        leaf = held.kept_hash or held.sealed.hash
        found.feed_hash = next_feed_hash(found.feed_hash, leaf)
        if held.kept_feed_hash is not None and held.kept_feed_hash != found.feed_hash:
            if not self._broken_at and not reasons:
                reasons.append("the cumulative hash is not what the envelopes up to here give")
            self._broken_at = self._broken_at or position
            found.feed_hash = held.kept_feed_hash
        if not self._broken_at:
            self._hashes.append(found.feed_hash)
            found.edge, _ = grow(found.edge, [bytes.fromhex(leaf)])
        self.envelope(held, seen_from=position, reasons=reasons)
        self._compare_checkpoints()

    def envelope(self, held: Held, *, seen_from: int | None, reasons: list[str] | None = None) -> None:
        """One envelope on its own: can it be read, is it signed, what had its node seen."""
        reasons = reasons or []
        where = f"position {held.position}" if held.position is not None else "beside the feed"
        try:
            envelope = read(held.sealed.raw)
        except Malformed as wrong:
            self._say(held, f"{where}: {'; '.join([*reasons, str(wrong)])}")
            return
        event, at = envelope.event, envelope.place
        place = Place(at.inc, at.seq, at.node, held.position)
        if held.position is not None:
            if event.id in self._ids:
                reasons.append(f"the fact {event.id} has a position already")
            self._ids.add(event.id)
        is_proven = self._is_proven(held, envelope, place, reasons)
        if reasons:
            self._say(held, f"{place.words}: {'; '.join(reasons)}")
        elif is_proven and event.kind == NODE_ENROLLED and at.node == self._hub_node:
            self._learn(event, place)
        is_opening = event.kind == LOG_OPENED
        if not held.is_loose:
            self._chains.add(
                place,
                held.kept_hash or held.sealed.hash,
                at.prev,
                is_opening=is_opening,
                is_bad=bool(reasons),
            )
        if not reasons:
            self._compare_seen(event, place, seen_from)

    def end_of_feed(self) -> None:
        """The feed is over: does it end where the log says, and as it says."""
        found, said = self.found, self._said
        if found.position != said.position:
            if found.position < said.position:
                found.wrong(
                    f"position {found.position + 1}: the log ends before it, though it says that it reaches {said.position}"
                )
            else:
                found.wrong(
                    f"position {said.position + 1}: the log goes on to {found.position}, though it says it ends before"
                )
            at_end = self._hashes[said.position] if said.position < len(self._hashes) else None
        else:
            at_end = None if self._broken_at else found.feed_hash
        if at_end is not None:
            words = f"the log's own end at {said.position}"
            self._marks.append(_Mark(said.position, at_end == said.feed_hash, words))
        for at, shown in self._shown[self._next :]:
            if shown.source:
                found.notes.append(f"{shown.source}: reaches {at.position}, beyond the end of this log")
            elif found.position == said.position:
                found.wrong(
                    f"position {found.position + 1}: the log ends before it, though the hub signed {at.position}"
                )
                break
        if self._broken_at:
            found.notes.append(
                f"from position {self._broken_at} on, cumulative hash and checkpoints could not be checked"
            )

    def end(self) -> None:
        """Everything was read: chains, and signatures by keys that were learnt later."""
        for held, place in self._unproven:
            owner, key = self._keys.get(read(held.sealed.raw).place.key_id, ("", None))
            if key is None or owner != place.node:
                self._say(held, f"{place.words}: signed by a key that was never enrolled for it")
            elif not _is_signed(held.sealed, key):
                self._say(held, f"{place.words}: the signature does not match")
        is_another = self._judge_marks()
        chains = self._chains.check(self._said.own, self._said.has_every_envelope)
        for line in chains.problems:
            self.found.wrong(line)
        # A fact that was given back after a loss may rightly stand before an earlier one of its chain.
        for line in chains.turned_round:
            if is_another:
                self.found.wrong(line)
            else:
                self.found.notes.append(line)
        self.found.notes += chains.notes

    def _readable(self, shown: Sequence[Shown]) -> list[tuple[Checkpoint, Shown]]:
        """The checkpoints of this epoch that the hub signed, by position; what is wrong with the others."""
        kept: list[tuple[Checkpoint, Shown]] = []
        for one in shown:
            label = one.source or "checkpoint"
            try:
                _, key = self._keys.get(parse_checkpoint(one.signed).key_id, ("", None))
                if key is None:
                    raise Forged("signed by a key that is not the hub's")
                at = read_checkpoint(one.signed, key)
            except (Forged, Malformed) as wrong:
                self.found.wrong(f"{label}: {wrong}")
                continue
            if at.epoch != self._said.epoch:
                self.found.notes.append(f"{label} at {at.position}: of another epoch, {at.epoch}")
                continue
            kept.append((at, one))
        kept.sort(key=lambda pair: (pair[0].position, pair[1].source))
        for (at, one), (other, another) in pairwise(kept):
            excluded = contradiction(at, other)
            if excluded is not None:
                names = " and ".join(filter(None, (one.source, another.source)))
                self.found.wrong(
                    f"position {at.position}: the hub said two things{names and f' ({names})'}: {excluded}"
                )
        return kept

    def _compare_checkpoints(self) -> None:
        while self._next < len(self._shown) and self._shown[self._next][0].position <= self.found.position:
            at, shown = self._shown[self._next]
            self._next += 1
            if self._broken_at or at.position != self.found.position:
                continue
            agrees = (at.root, at.feed_hash) == (self.found.edge.root.hex(), self.found.feed_hash)
            source = f" in {shown.source}" if shown.source else ""
            self._marks.append(_Mark(at.position, agrees, f"the checkpoint at {at.position}{source}"))

    def _compare_seen(self, event: Event, place: Place, seen_from: int | None) -> None:
        seen = event.seen
        if seen.epoch != self._said.epoch:
            return
        if seen_from is not None and seen.position >= seen_from:
            self.found.wrong(f"{place.words}: had seen position {seen.position}, which came after it")
        elif seen.position < len(self._hashes):
            agrees = self._hashes[seen.position] == seen.feed_hash
            self._marks.append(_Mark(seen.position, agrees, f"what {place.words} had seen"))

    def _judge_marks(self) -> bool:
        """Where the log stops being the one that others saw; whether it does."""
        others = [mark for mark in self._marks if not mark.agrees]
        if not others:
            return False
        first = min(others, key=lambda mark: mark.position)
        good = max(
            (mark.position for mark in self._marks if mark.agrees and mark.position < first.position),
            default=0,
        )
        if any(mark.agrees and mark.position >= first.position for mark in self._marks):
            self.found.wrong(
                f"position {first.position}: {first.words} is not what stands here, though others agree"
            )
            return False
        place = (
            f"position {first.position}"
            if good + 1 == first.position
            else f"positions {good + 1} to {first.position}"
        )
        self.found.wrong(
            f"{place}: not what was there; {first.words} shows another log, and nothing later agrees"
        )
        return True

    def _say(self, held: Held, line: str) -> None:
        if held.is_unread:
            self.found.notes.append(f"{line} (not taken for a fact here)")
        else:
            self.found.wrong(line)

    def _is_proven(self, held: Held, envelope: Envelope, place: Place, reasons: list[str]) -> bool:
        """Whether a known key bears it out; adds the reason when it does not. An unknown one may be learnt later."""
        owner, key = self._keys.get(envelope.place.key_id, ("", None))
        if key is None:
            self._unproven.append((held, place))
            return False
        if owner != place.node:
            reasons.append(f"signed with the key of {owner}")
        elif not _is_signed(held.sealed, key):
            reasons.append("the signature does not match")
        return not reasons

    def _learn(self, event: Event, place: Place) -> None:
        node, text = event.body.get("node"), event.body.get("public_key")
        try:
            key = public_key(str(text))
        except ValueError:
            self.found.wrong(f"{place.words}: the enrolment of {node} names no key")
        else:
            self._keys.setdefault(key_id(key), (str(node), key))


def _is_signed(sealed: Sealed, key: Ed25519PublicKey) -> bool:
    try:
        verify(sealed, key)
    except Forged:
        return False
    return True
