"""The hub's append: one transaction a batch, positions contiguous and in the order of commits.

Owns `stored_events`, `feed`, `feed_repeat`, `feed_head` and `log_head`. Must never verify (ingest has), decide
what a fact means, or open a transaction: it is handed one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from eventlog.chain import Head, Link, Verdict, judge
from eventlog.envelope import read
from eventlog.event import NO_HASH
from eventlog.feed import next_feed_hash
from network.store.database import Tx
from network.store.recorder import EnvelopeRecorder

CHANNEL = "filltrail_feed"

meet_incarnation = """
insert into log_head (inc, node, seq, hash, heard_at) values (%(inc)s, %(node)s, 0, %(none)s, %(at)s)
on conflict (inc) do nothing
"""
lock_log_head = "select node, seq, hash from log_head where inc = %s for update"
held_hashes = """
select originator_version as seq, sha256(state) as hash from stored_events
where originator_id = %s and originator_version between %s and %s
"""
lock_feed_head = "select position, feed_hash from feed_head where only_row for update"
positioned_already = """
select f.event_id, s.state from feed f
join stored_events s on s.originator_id = f.inc and s.originator_version = f.seq
where f.event_id = any(%s)
"""
insert_feed = """
insert into feed (position, inc, seq, event_id, node, envelope_hash, feed_hash, signature, received_at,
                  kind, effect, subject, diver_ref)
select * from unnest(
    %(position)s::bigint[], %(inc)s::uuid[], %(seq)s::bigint[], %(event_id)s::uuid[], %(node)s::text[],
    %(envelope_hash)s::bytea[], %(feed_hash)s::bytea[], %(signature)s::bytea[], %(received_at)s::timestamptz[],
    %(kind)s::text[], %(effect)s::text[], %(subject)s::text[], %(diver_ref)s::text[])
"""
insert_repeat = """
insert into feed_repeat (inc, seq, event_id, signature, received_at) values (%s, %s, %s, %s, %s)
"""
move_log_head = "update log_head set seq = %s, hash = %s, heard_at = %s where inc = %s"
move_feed_head = "update feed_head set position = %s, feed_hash = %s where only_row"
heard_again = "update log_head set heard_at = %s where inc = %s"
ring = "select pg_notify(%s, %s)"


@dataclass(frozen=True, slots=True)
class Placed:
    """A fact at its position."""

    position: int
    link: Link


@dataclass(frozen=True, slots=True)
class Appended:
    """What became of a run: the verdict, the node's head and the feed's position after it.

    `reused` are facts that carry the id of an earlier fact but say something else: they keep their place in
    their node's log and get no position; somebody must look at them.
    """

    verdict: Verdict
    head: Head
    position: int
    placed: tuple[Placed, ...] = ()
    reused: tuple[Link, ...] = ()


class AnotherNodesLog(Exception):
    """This incarnation belongs to another node."""


def lock_head(tx: Tx, node: str, inc: UUID, *, now: dt.datetime) -> Head:
    """The head of an incarnation, locked until the transaction ends. Raises AnotherNodesLog."""
    tx.execute(meet_incarnation, {"inc": inc, "node": node, "none": bytes.fromhex(NO_HASH), "at": now})
    row = tx.execute(lock_log_head, (inc,)).fetchone()
    if row is None or row["node"] != node:
        raise AnotherNodesLog(f"incarnation {inc} is not of {node}")
    return Head(inc=inc, seq=row["seq"], hash=bytes(row["hash"]).hex())


def append(tx: Tx, recorder: EnvelopeRecorder, run: Sequence[Link], *, now: dt.datetime) -> Appended:
    """Judge a verified run against what is held, and write what is fresh of it. Raises AnotherNodesLog."""
    place = run[0].envelope.place
    head = lock_head(tx, place.node, place.inc, now=now)
    verdict = judge(run, head, known=_known(tx, head, run))
    if verdict.answer != "accepted":
        if verdict.answer == "same":
            tx.execute(heard_again, (now, place.inc))
        return Appended(verdict, head, position=_position(tx))
    last = verdict.fresh[-1]
    recorder.write(tx, verdict.fresh)
    tx.execute(move_log_head, (last.envelope.place.seq, bytes.fromhex(last.hash), now, place.inc))
    # From here to the commit every other append waits: nothing slow may follow.
    position, placed, reused = _number(tx, verdict.fresh, now)
    tx.execute(ring, (CHANNEL, str(position)))
    new_head = Head(inc=place.inc, seq=last.envelope.place.seq, hash=last.hash)
    return Appended(verdict, new_head, position, placed, reused)


def _known(tx: Tx, head: Head, run: Sequence[Link]) -> dict[int, str]:
    first, last = run[0].envelope.place.seq, min(run[-1].envelope.place.seq, head.seq)
    if first > last:
        return {}
    rows = tx.execute(held_hashes, (head.inc, first, last))
    return {row["seq"]: bytes(row["hash"]).hex() for row in rows}


def _position(tx: Tx) -> int:
    row = tx.execute("select position from feed_head where only_row").fetchone()
    return 0 if row is None else int(row["position"])


def _number(
    tx: Tx, fresh: Sequence[Link], now: dt.datetime
) -> tuple[int, tuple[Placed, ...], tuple[Link, ...]]:
    """Give each new fact the next position; a fact that has one already keeps that."""
    row = tx.execute(lock_feed_head).fetchone()
    assert row is not None, "the migration opened the feed"
    position, feed_hash = int(row["position"]), bytes(row["feed_hash"]).hex()
    earlier = _earlier(tx, fresh)
    placed: list[Placed] = []
    hashes: list[str] = []
    reused: list[Link] = []
    for link in fresh:
        event, place = link.envelope.event, link.envelope.place
        if event.id in earlier:
            tx.execute(insert_repeat, (place.inc, place.seq, event.id, link.sealed.signature, now))
            if read(earlier[event.id]).event != event:
                reused.append(link)
            continue
        earlier[event.id] = link.sealed.raw
        position += 1
        feed_hash = next_feed_hash(feed_hash, link.hash)
        placed.append(Placed(position, link))
        hashes.append(feed_hash)
    if placed:
        tx.execute(insert_feed, _columns(placed, hashes, now))
        tx.execute(move_feed_head, (position, bytes.fromhex(feed_hash)))
    return position, tuple(placed), tuple(reused)


def _earlier(tx: Tx, fresh: Sequence[Link]) -> dict[UUID, bytes]:
    """Envelope bytes by id of those facts of `fresh` that have a position."""
    rows = tx.execute(positioned_already, ([link.envelope.event.id for link in fresh],))
    return {row["event_id"]: bytes(row["state"]) for row in rows}


def _columns(placed: Sequence[Placed], hashes: Sequence[str], now: dt.datetime) -> dict[str, list[object]]:
    links = [one.link for one in placed]
    places = [link.envelope.place for link in links]
    events = [link.envelope.event for link in links]
    return {
        "position": [one.position for one in placed],
        "inc": [place.inc for place in places],
        "seq": [place.seq for place in places],
        "event_id": [event.id for event in events],
        "node": [place.node for place in places],
        "envelope_hash": [bytes.fromhex(link.hash) for link in links],
        "feed_hash": [bytes.fromhex(one) for one in hashes],
        "signature": [link.sealed.signature for link in links],
        "received_at": [now for _ in links],
        "kind": [event.kind for event in events],
        "effect": [event.effect.value for event in events],
        "subject": [event.subject for event in events],
        "diver_ref": [event.diver_ref for event in events],
    }
