"""The shared log in PostgreSQL, as the protocol's storage port: chains, the feed, and what lies beside the chains.

Owns `stored_events`, `loose`, `feed`, `feed_repeat`, `feed_head`, `log_head` and `epoch`. Positions are contiguous and
in the order of commits, because the row of `feed_head` is locked until the commit. Must never verify, judge or
decide what a fact means, and never open a transaction: it is handed one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from eventlog.chain import Head, Link
from eventlog.envelope import Sealed
from eventlog.event import NO_HASH
from eventlog.feed import GENESIS_FEED_HASH
from network.store import nodes, turns
from network.store.database import Tx
from network.store.recorder import EnvelopeRecorder
from sync.hub_log import AnotherNodesLog, FeedEnd, Placed, Turn
from sync.opening import link_of

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
move_log_head = "update log_head set seq = %s, hash = %s, heard_at = %s where inc = %s"
insert_loose = """
insert into loose (envelope_hash, node, inc, seq, state, signature, follows_seq, follows_hash, why, received_at)
values (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s) on conflict (envelope_hash) do nothing
"""
insert_repeat = """
insert into feed_repeat (inc, seq, event_id, signature, received_at) values (%s, %s, %s, %s, %s)
"""
lock_feed_head = "select epoch, position, feed_hash from feed_head where only_row for update"
read_feed_head = "select epoch, position, feed_hash from feed_head where only_row"
positioned_already = "select event_id, signature, state from numbered where event_id = any(%s)"
insert_feed = """
insert into feed (position, inc, seq, event_id, node, envelope_hash, feed_hash, signature, received_at,
                  kind, effect, subject, diver_ref, is_loose)
select * from unnest(
    %(position)s::bigint[], %(inc)s::uuid[], %(seq)s::bigint[], %(event_id)s::uuid[], %(node)s::text[],
    %(envelope_hash)s::bytea[], %(feed_hash)s::bytea[], %(signature)s::bytea[], %(received_at)s::timestamptz[],
    %(kind)s::text[], %(effect)s::text[], %(subject)s::text[], %(diver_ref)s::text[], %(is_loose)s::boolean[])
"""
move_feed_head = "update feed_head set position = %s, feed_hash = %s where only_row"
ring = "select pg_notify(%s, %s)"
rename_feed = "update feed_head set epoch = %s where only_row"
note_epoch = "insert into epoch (epoch, begins_after, feed_hash, at) values (%s, %s, %s, %s)"
feed_hash_at = "select feed_hash from feed where position = %s"
rows_after = """
select position, received_at, state, signature, feed_hash from numbered
where position > %(after)s and position <= %(after)s + %(most)s order by position
"""


class PostgresHubLog:
    """One open transaction of the shared log."""

    def __init__(self, tx: Tx, recorder: EnvelopeRecorder) -> None:
        self._tx = tx
        self._recorder = recorder
        # Locked, so nobody else can move them before this transaction ends.
        self._heads: dict[UUID, tuple[str, Head]] = {}

    def head(self, node: str, inc: UUID, *, now: dt.datetime) -> Head:
        """The head of an incarnation, locked until the transaction ends. Raises AnotherNodesLog."""
        owner, head = self._heads.get(inc) or self._lock_head(node, inc, now)
        if owner != node:
            raise AnotherNodesLog(f"incarnation {inc} is not of {node}")
        return head

    def hashes(self, inc: UUID, first: int, last: int) -> dict[int, str]:
        """The hash by seq of the envelopes that lie in a chain, computed from their bytes."""
        rows = self._tx.execute(held_hashes, (inc, first, last), prepare=True)
        return {row["seq"]: bytes(row["hash"]).hex() for row in rows}

    def keep_chain(self, fresh: Sequence[Link]) -> None:
        """Lay envelopes at their places in their chain."""
        self._recorder.write(self._tx, fresh)

    def move_head(self, node: str, head: Head, *, now: dt.datetime) -> None:
        """The chain of an incarnation now ends here."""
        self._tx.execute(move_log_head, (head.seq, bytes.fromhex(head.hash), now, head.inc))
        self._heads[head.inc] = (node, head)

    def keep_loose(self, link: Link, *, follows: Head, why: str, now: dt.datetime) -> None:
        """Hold an envelope outside its chain, and what the chain's head was."""
        place, sealed = link.envelope.place, link.sealed
        held = (bytes.fromhex(link.hash), place.node, place.inc, place.seq, sealed.raw, sealed.signature)
        self._tx.execute(insert_loose, (*held, follows.seq, bytes.fromhex(follows.hash), why, now))

    def repeat(self, link: Link, *, now: dt.datetime) -> None:
        """An envelope in a chain carries a fact that has its position already."""
        place = link.envelope.place
        row = (place.inc, place.seq, link.envelope.event.id, link.sealed.signature, now)
        self._tx.execute(insert_repeat, row)

    def feed_end(self) -> FeedEnd:
        """How far the feed has come, locked until the transaction ends. Call it last: every other append waits."""
        return _end(self._tx, lock_feed_head)

    def positioned(self, ids: Sequence[UUID]) -> dict[UUID, Link]:
        """Those of these facts that have a position, by id."""
        rows = self._tx.execute(positioned_already, (list(ids),))
        return {
            row["event_id"]: link_of(Sealed(bytes(row["state"]), bytes(row["signature"]))) for row in rows
        }

    def number(self, placed: Sequence[Placed], *, now: dt.datetime) -> None:
        """Write rows of the feed, move its end to the last of them, and ring."""
        if not placed:
            return
        last = placed[-1]
        self._tx.execute(insert_feed, _columns(placed, now))
        self._tx.execute(move_feed_head, (last.position, bytes.fromhex(last.feed_hash)))
        self._tx.execute(ring, (CHANNEL, str(last.position)))

    def set_epoch(self, epoch: str, *, now: dt.datetime) -> None:
        """The feed goes on under another name from here; whoever had a turn takes a new one."""
        end = self.feed_end()
        self._tx.execute(rename_feed, (epoch,))
        self._tx.execute(note_epoch, (epoch, end.position, bytes.fromhex(end.feed_hash), now))
        turns.forget_all(self._tx)

    def feed_hash_at(self, position: int) -> str | None:
        """The cumulative hash at a position; None beyond the end."""
        if position == 0:
            return GENESIS_FEED_HASH
        row = self._tx.execute(feed_hash_at, (position,), prepare=True).fetchone()
        return None if row is None else bytes(row["feed_hash"]).hex()

    def aside(self, node: str, reason: str, detail: str, raw: bytes, *, now: dt.datetime) -> None:
        """Keep what was refused, as it came; the same bytes are kept once."""
        nodes.quarantine(self._tx, node, reason, detail, raw, now=now)

    def key(self, node: str, key_id: str) -> Ed25519PublicKey | None:
        """A key that the hub has enrolled for this node, now or earlier."""
        return nodes.key_of(self._tx, node, key_id)

    def is_revoked(self, node: str, key_id: str) -> bool:
        """Whether that key was withdrawn."""
        return nodes.is_key_revoked(self._tx, node, key_id)

    def register(self, link: Link) -> None:
        """Take what an envelope of the hub itself says about nodes and keys, given back after a restore."""
        nodes.register(self._tx, link)

    def turn(self, node: str) -> Turn | None:
        """Whose turn it is at a node; until the transaction ends no other beat of it is judged."""
        return turns.present(self._tx, node)

    def put_turn(self, node: str, turn: Turn) -> None:
        """It is the turn of this incarnation."""
        turns.put(self._tx, node, turn)

    def ended_turn(self, node: str, inc: UUID) -> Turn | None:
        """The last turn of an incarnation that another one has followed."""
        return turns.ended(self._tx, node, inc)

    def end_turn(self, node: str, turn: Turn) -> None:
        """This incarnation was followed by another one."""
        turns.end(self._tx, node, turn)

    def sealed_after(self, position: int, most: int) -> tuple[tuple[int, dt.datetime, Sealed, str], ...]:
        """Rows of the feed after a position: position, when it was received, the envelope, the cumulative hash."""
        rows = self._tx.execute(rows_after, {"after": position, "most": most})
        return tuple(
            (
                row["position"],
                row["received_at"],
                Sealed(bytes(row["state"]), bytes(row["signature"])),
                bytes(row["feed_hash"]).hex(),
            )
            for row in rows
        )

    def _lock_head(self, node: str, inc: UUID, now: dt.datetime) -> tuple[str, Head]:
        none = bytes.fromhex(NO_HASH)
        self._tx.execute(meet_incarnation, {"inc": inc, "node": node, "none": none, "at": now}, prepare=True)
        row = self._tx.execute(lock_log_head, (inc,), prepare=True).fetchone()
        assert row is not None, "a head is never removed"
        found = (str(row["node"]), Head(inc=inc, seq=row["seq"], hash=bytes(row["hash"]).hex()))
        self._heads[inc] = found
        return found


class ReadingHubLog(PostgresHubLog):
    """The same, for questions that hold nobody up: the feed's end is read and not locked."""

    def feed_end(self) -> FeedEnd:
        """How far the feed had come when this was asked."""
        return _end(self._tx, read_feed_head)


def _end(tx: Tx, statement: str) -> FeedEnd:
    row = tx.execute(statement.encode()).fetchone()
    assert row is not None, "the migration opened the feed"
    return FeedEnd(str(row["epoch"]), int(row["position"]), bytes(row["feed_hash"]).hex())


def _columns(placed: Sequence[Placed], now: dt.datetime) -> dict[str, list[object]]:
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
        "feed_hash": [bytes.fromhex(one.feed_hash) for one in placed],
        "signature": [link.sealed.signature for link in links],
        "received_at": [now for _ in links],
        "kind": [event.kind for event in events],
        "effect": [event.effect.value for event in events],
        "subject": [event.subject for event in events],
        "diver_ref": [event.diver_ref for event in events],
        "is_loose": [one.is_loose for one in placed],
    }
