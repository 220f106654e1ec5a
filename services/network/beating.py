"""A node's beat, as the hub hears it: the next ticket, whether both feeds are one, whether both standings are.

Judged by `sync.beats`; here it is stored, told and counted. Two living nodes with one key become a fact of the hub.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock
from uuid import UUID

import structlog

from eventlog.wire import BeatDocument
from network.distrust import suspect
from network.own_log import OwnLog
from network.projections.cylinders import cylinders, standing_digest
from network.projections.projection import position_of
from network.store.database import Database
from network.store.log import PostgresHubLog, ReadingHubLog
from network.store.nodes import Node
from network.store.recorder import EnvelopeRecorder
from network.store.turns import DigestVerdict, Stood, note_beat
from sync.at_hub import Appended
from sync.beats import Beat, BeatAnswer, feed_agrees, take_beat
from sync.hub_log import FeedEnd

DIGEST_EVERY = dt.timedelta(seconds=10)
"""Working out the digest reads every standing; a node whose position comes sooner than this is told `unknown`."""
MOST_DIGESTS_KEPT = 64

log = structlog.get_logger("beating")


@dataclass(frozen=True, slots=True)
class Heard:
    """What a beat led to. `suspected` is the hub's new fact that two nodes live with one key."""

    answer: BeatAnswer
    end: FeedEnd
    digest: DigestVerdict
    feed_agrees: bool
    suspected: Appended | None


@dataclass(slots=True)
class Digests:
    """The digest over all standings at the positions at which it was worked out."""

    database: Database
    clock: Callable[[], dt.datetime]
    _kept: dict[int, str] = field(default_factory=dict)
    _worked_at: dt.datetime | None = None
    _lock: Lock = field(default_factory=Lock)

    def compare(self, position: int, digest: str | None) -> DigestVerdict:
        """Whether the hub's standings at exactly this position have this digest."""
        if digest is None:
            return "unknown"
        with self._lock:
            mine = self._kept.get(position) or self._work_out(position)
        if mine is None:
            return "unknown"
        return "agree" if mine == digest else "differ"

    def _work_out(self, position: int) -> str | None:
        now = self.clock()
        if self._worked_at is not None and dt.timedelta(0) <= now - self._worked_at < DIGEST_EVERY:
            return None
        with self.database.transaction() as tx:
            tx.execute("set transaction isolation level repeatable read, read only")
            if position_of(tx, cylinders) != position:
                return None
            self._worked_at = now
            found = standing_digest(tx)
        while len(self._kept) >= MOST_DIGESTS_KEPT:
            del self._kept[min(self._kept)]
        self._kept[position] = found
        return found


def hear(
    database: Database,
    recorder: EnvelopeRecorder,
    own_log: OwnLog,
    digests: Digests,
    node: Node,
    said: BeatDocument,
    *,
    ticket: str,
    fact_id: UUID,
    now: dt.datetime,
) -> Heard:
    """Judge a beat, turn the ticket and remember where the node stands, in one transaction."""
    verdict = digests.compare(said.position, said.digest)
    beat = Beat(
        beat=said.beat, inc=said.inc, parent=said.parent, seq=said.seq, epoch=said.epoch,
        position=said.position, feed_hash=said.feed_hash, ticket=said.ticket,
    )  # fmt: skip
    suspected: Appended | None = None
    with database.transaction() as tx:
        shared, reading = PostgresHubLog(tx, recorder), ReadingHubLog(tx, recorder)
        answer = take_beat(shared, node.slug, beat, ticket=ticket)
        agrees, end = feed_agrees(reading, beat), reading.feed_end()
        if said.epoch != end.epoch:
            verdict = "unknown"
        stood = Stood(now, said.inc, said.seq, said.epoch, said.position, said.digest, verdict, agrees)
        note_beat(tx, node.slug, stood)
        turn = shared.turn(node.slug)
        if answer.verdict == "clone" and turn is not None:
            suspected = suspect(
                tx, own_log, node.slug, node.key_id,
                alive=said.inc, present=turn.inc, fact_id=fact_id, now=now,
            )  # fmt: skip
    _tell(node, said, answer, verdict, agrees)
    return Heard(answer, end, verdict, agrees, suspected)


def _tell(node: Node, said: BeatDocument, answer: BeatAnswer, verdict: DigestVerdict, agrees: bool) -> None:
    where = {"node": node.slug, "inc": str(said.inc), "position": said.position}
    if answer.verdict == "clone":
        log.error("two nodes speak with one key", **where)
    if verdict == "differ":
        log.error("a node's standings are not the hub's", **where)
    if not agrees:
        log.error("a node's copy of the feed is not the hub's", epoch=said.epoch, **where)
