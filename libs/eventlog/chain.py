"""By which rule one envelope follows another, and what a receiver answers when it does not.

Pure: heads and hashes in, a verdict out. The same rule serves the hub's ingest and the check of a whole log.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from eventlog.envelope import Envelope, Malformed, Sealed, read
from eventlog.event import NO_HASH

LOG_OPENED = "node.log_opened"
"""The kind of seq 1 of every incarnation: body {parent: {inc, seq, hash} | null, reason}."""


@dataclass(frozen=True, slots=True)
class Head:
    """The last envelope of one incarnation that somebody holds; seq 0 and zero hash when there is none."""

    inc: UUID
    seq: int = 0
    hash: str = NO_HASH


@dataclass(frozen=True, slots=True)
class Link:
    """A sealed envelope read, with its hash, ready to be compared."""

    sealed: Sealed
    envelope: Envelope
    hash: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the receiver of a run says.

    `accepted`: `fresh` are new and follow on. `same`: all are known, with the same hashes. `fork`: a known
    number carries another hash. `gap`: a number is missing before the run. `broken`: `prev` does not match.
    """

    answer: Literal["accepted", "same", "fork", "gap", "broken"]
    fresh: tuple[Link, ...] = ()
    at_seq: int = 0


def links(run: Sequence[Sealed]) -> tuple[Link, ...]:
    """Read a run of envelopes. Raises Malformed unless they are consecutive and of one incarnation."""
    if not run:
        raise Malformed("an empty run")
    out = tuple(Link(sealed=one, envelope=read(one.raw), hash=one.hash) for one in run)
    first = out[0].envelope.place
    for n, link in enumerate(out):
        place = link.envelope.place
        if (place.inc, place.node, place.seq) != (first.inc, first.node, first.seq + n):
            raise Malformed(f"the run breaks at {place.node} {place.seq}: not consecutive, or of another log")
    return out


def judge(run: Sequence[Link], head: Head, *, known: dict[int, str]) -> Verdict:
    """Compare a consecutive run with what is held of that incarnation.

    `known` gives the hash by seq of every held envelope whose number is in the run.
    """
    for link in run:
        seq = link.envelope.place.seq
        if seq <= head.seq and known.get(seq) != link.hash:
            return Verdict("fork", at_seq=seq)
    if run[0].envelope.place.seq > head.seq + 1:
        return Verdict("gap", at_seq=head.seq + 1)
    fresh = tuple(link for link in run if link.envelope.place.seq > head.seq)
    if not fresh:
        return Verdict("same")
    before = head.hash
    for link in fresh:
        place = link.envelope.place
        if place.prev != before or (place.seq == 1) != (link.envelope.event.kind == LOG_OPENED):
            return Verdict("broken", at_seq=place.seq)
        before = link.hash
    return Verdict("accepted", fresh=fresh)
