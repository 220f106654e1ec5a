"""The beat: a node says now and then where it stands, and the hub gives it the next ticket.

A ticket is good once. A database that came from a backup, or a second copy of a running node, comes with one that was
used: the first begins a new incarnation and goes on; the second betrays itself when the incarnation that was
followed still speaks with a ticket that only a living node can have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal
from uuid import UUID

from sync.at_branch import StartAgain
from sync.branch_log import BranchLog
from sync.hub_log import HubLog, Turn


@dataclass(frozen=True, slots=True)
class Beat:
    """Where a node stands. `beat` is the id of this one request: the same one heard twice is one beat."""

    beat: UUID
    inc: UUID
    parent: UUID | None
    seq: int
    epoch: str
    position: int
    feed_hash: str
    ticket: str


@dataclass(frozen=True, slots=True)
class BeatAnswer:
    """`ok`: here is the next ticket. `stale`: this ticket was used before; begin a new incarnation. `clone`: two nodes
    speak with one key; what is good news from either waits for a person, and both must be enrolled anew."""

    verdict: Literal["ok", "stale", "clone"]
    inc: UUID
    ticket: str = ""


def feed_agrees(log: HubLog, beat: Beat) -> bool:
    """Whether the node's copy of the feed is the beginning of the hub's. When it is not, though both name one epoch,
    the hub was rolled back or its log was rewritten: a person has to look, and give it a new epoch."""
    if beat.epoch != log.feed_end().epoch:
        return True
    return log.feed_hash_at(beat.position) == beat.feed_hash


def to_beat(log: BranchLog, beat: UUID) -> Beat | None:
    """The next beat of this node, under an id that was made for it."""
    here = log.standpoint()
    if here is None or here.is_suspected:
        return None
    return Beat(
        beat=beat,
        inc=here.inc,
        parent=here.parent,
        seq=here.seq,
        epoch=here.feed.epoch,
        position=here.feed.position,
        feed_hash=here.feed.feed_hash,
        ticket=here.ticket,
    )


def take_beat_answer(log: BranchLog, answer: BeatAnswer) -> StartAgain | None:
    """Keep the next ticket, begin again, or stand suspected. An answer to an incarnation that this node has left says nothing."""
    here = log.standpoint()
    if here is None or answer.inc != here.inc:
        return None
    match answer.verdict:
        case "ok":
            log.stand(replace(here, ticket=answer.ticket))
            return None
        case "stale":
            return StartAgain("restore")
        case "clone":
            log.stand(replace(here, is_suspected=True))
            return None


def take_beat(log: HubLog, node: str, beat: Beat, *, ticket: str) -> BeatAnswer:
    """Judge a beat and turn the ticket; `ticket` is a new random one. A clone is reported by its verdict alone:
    what follows from it is a fact of the hub, which its caller records."""
    turn = log.turn(node)
    if turn is None:
        log.put_turn(node, Turn(beat.inc, current=ticket, previous="", beat=beat.beat))
        return BeatAnswer("ok", beat.inc, ticket)
    if beat.inc == turn.inc:
        return _same_incarnation(log, node, turn, beat, ticket)
    ended = log.ended_turn(node, beat.inc)
    if ended is not None:
        is_alive = (
            beat.beat != ended.beat and beat.ticket != "" and beat.ticket in (ended.current, ended.previous)
        )
        return BeatAnswer("clone" if is_alive else "stale", beat.inc)
    # An incarnation that was never heard of, of a node whose key has signed this request: it follows the present one.
    log.end_turn(node, turn)
    log.put_turn(node, Turn(beat.inc, current=ticket, previous="", beat=beat.beat))
    return BeatAnswer("ok", beat.inc, ticket)


def _same_incarnation(log: HubLog, node: str, turn: Turn, beat: Beat, ticket: str) -> BeatAnswer:
    if beat.beat == turn.beat:  # The same request again: its answer was lost on the way, or it was doubled.
        return BeatAnswer("ok", beat.inc, turn.current)
    if beat.ticket == turn.current:
        log.put_turn(node, Turn(beat.inc, current=ticket, previous=turn.current, beat=beat.beat))
        return BeatAnswer("ok", beat.inc, ticket)
    if beat.ticket == turn.previous:  # The last answer never arrived. Its ticket is void from here on.
        log.put_turn(node, replace(turn, current=ticket, beat=beat.beat))
        return BeatAnswer("ok", beat.inc, ticket)
    return BeatAnswer("stale", beat.inc)
