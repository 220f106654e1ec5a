"""The node's log and its copy of the feed in SQLite: the storage port of the sync protocol, on one open transaction.

An envelope lies at its place in `stored_events`, or beside it in `envelope_beside` when another one lies there or
when it was moved out of its place as evidence. Must never change the bytes of an envelope, or forget one.
"""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from eventsourcing.persistence import StoredEvent
from eventsourcing.sqlite import SQLiteCursor

from branch.store.datastore import EnvelopeRecorder
from branch.store.fold import Folded, note_again, note_believed, note_fact
from branch.store.rows import Cursor, node_row, number, sealed_of, text
from eventlog.chain import Link
from eventlog.envelope import Sealed
from eventlog.event import NO_HASH, Event
from eventlog.keys import key_id, public_key
from sync.opening import link_of
from sync.standpoint import Kept, Standpoint

NODE_ENROLLED = "node.enrolled"

_STAND = """
insert into node (one, inc, seq, hash, acked_seq, epoch, position, feed_hash, heard_at, hub_time, trouble, relearning,
ticket, parent, is_suspected) values (1, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
on conflict (one) do update set inc = excluded.inc, seq = excluded.seq, hash = excluded.hash,
acked_seq = excluded.acked_seq, epoch = excluded.epoch, position = excluded.position, feed_hash = excluded.feed_hash,
heard_at = excluded.heard_at, hub_time = excluded.hub_time, trouble = excluded.trouble,
relearning = excluded.relearning, ticket = excluded.ticket, parent = excluded.parent,
is_suspected = excluded.is_suspected
"""
_FACT = "select inc, seq, envelope_hash, position from fact where event_id = ?"
_AT_PLACE = "select state from stored_events where originator_id = ? and originator_version = ?"
_AFTER = "select state, originator_version from stored_events where originator_id = ? and originator_version > ? order by originator_version limit ?"
_WITHOUT_POSITION = """
select e.originator_version, e.state, f.envelope_hash from stored_events e
left join fact f on f.inc = e.originator_id and f.seq = e.originator_version and f.position is not null
where e.originator_id = ? and e.originator_version > ? order by e.originator_version
"""
_PUT_BESIDE = """
insert into envelope_beside (envelope_hash, inc, seq, state, why) values (?, ?, ?, ?, ?)
on conflict (envelope_hash) do update set why = excluded.why
"""
_UNPLACED = """
select s.state from fact_state s left join given g on g.envelope_hash = s.envelope_hash and g.epoch = ?
where s.position is null and s.inc <> ? and g.envelope_hash is null order by s.node <> ?, s.inc, s.seq limit ?
"""
_WAITING = "select state from fact_state where node = ? and is_proven = 0"
_PUT_UNREAD = """
insert into unread_item (envelope_hash, position, state) values (?, ?, ?)
on conflict (envelope_hash) do update set position = excluded.position
"""
_PUT_FEED_HASH = """
insert into feed_copy (position, feed_hash) values (?, ?)
on conflict (position) do update set feed_hash = excluded.feed_hash
"""


class SqliteBranchLog:
    """One transaction on a shop's database. `folded` gathers the cylinders whose standing has to be folded again."""

    def __init__(self, cursor: SQLiteCursor, recorder: EnvelopeRecorder, *, node: str, hub_node: str) -> None:
        self.c = cursor
        self.folded = Folded()
        self.stood: Standpoint | None = None
        """Where the node stands after this transaction, when it has moved."""
        self._recorder = recorder
        self._node = node
        self._hub_node = hub_node

    @property
    def node(self) -> str:
        """This node's name."""
        return self._node

    @property
    def hub_node(self) -> str:
        """The hub's name."""
        return self._hub_node

    def standpoint(self) -> Standpoint | None:
        """Where the node stands."""
        return node_row(self.c)

    def stand(self, at: Standpoint) -> None:
        """Keep where the node stands."""
        feed = at.feed
        self.c.execute(
            _STAND,
            (
                str(at.inc), at.seq, at.hash, at.acked_seq, feed.epoch, feed.position, feed.feed_hash,
                None if at.heard_at is None else at.heard_at.isoformat(),
                None if at.hub_time is None else at.hub_time.isoformat(),
                at.trouble, at.relearning, at.ticket, None if at.parent is None else str(at.parent),
                int(at.is_suspected),
            ),
        )  # fmt: skip
        self.stood = at

    def fact(self, event_id: UUID) -> Kept | None:
        """Where a fact is held."""
        self.c.execute(_FACT, (str(event_id),))
        row = self.c.fetchone()
        if row is None:
            return None
        position = None if row[3] is None else number(row[3])
        return Kept(UUID(text(row[0])), number(row[1]), text(row[2]), position)

    def keep(self, link: Link, *, position: int | None, is_proven: bool) -> None:
        """Hold a new fact."""
        self._lay(link)
        note_fact(self.c, link, position, self.folded, is_proven=is_proven)

    def keep_under(self, link: Link, *, position: int | None, is_proven: bool) -> None:
        """Hold a known fact under this envelope."""
        self._lay(link)
        note_again(self.c, link, position, self.folded, is_proven=is_proven)

    def place(self, event_id: UUID, position: int | None) -> None:
        """A held fact has this position."""
        self.c.execute("update fact set position = ? where event_id = ?", (position, str(event_id)))

    def at_place(self, inc: UUID, seq: int) -> Sealed | None:
        """The envelope at a place."""
        self.c.execute(_AT_PLACE, (inc.hex, seq))
        row = self.c.fetchone()
        return None if row is None else sealed_of(row[0])

    def own_after(self, inc: UUID, seq: int, most: int) -> tuple[Sealed, ...]:
        """The envelopes of an incarnation after a seq, as far as none is missing."""
        return own_after(self.c, inc, seq, most)

    def set_aside(self, inc: UUID, after_seq: int, why: str) -> tuple[Link, ...]:
        """Move the envelopes after a seq that have no position out of their places."""
        self.c.execute(_WITHOUT_POSITION, (inc.hex, after_seq))
        moved: list[Link] = []
        for row in self.c.fetchall():
            sealed = sealed_of(row[1])
            link = link_of(sealed)
            if row[2] is not None and text(row[2]) == link.hash:
                continue
            self._put_beside(link, why)
            self.c.execute(
                "delete from stored_events where originator_id = ? and originator_version = ?",
                (inc.hex, number(row[0])),
            )
            moved.append(link)
        return tuple(moved)

    def note_feed(self, position: int, feed_hash: str) -> None:
        """The cumulative hash at a position."""
        self.c.execute(_PUT_FEED_HASH, (position, feed_hash))

    def keep_unread(self, position: int, sealed: Sealed) -> None:
        """Hold what stands at a position without taking it for a fact."""
        self.c.execute(_PUT_UNREAD, (sealed.hash, position, sealed.signature + sealed.raw))

    def feed_hash_at(self, position: int) -> str | None:
        """The cumulative hash at a position of the copy."""
        if position == 0:
            return NO_HASH
        self.c.execute("select feed_hash from feed_copy where position = ?", (position,))
        row = self.c.fetchone()
        return None if row is None else text(row[0])

    def cut_feed(self, position: int) -> None:
        """Forget every position after this one."""
        self.c.execute("delete from feed_copy where position > ?", (position,))
        self.c.execute("update fact set position = null where position > ?", (position,))
        self.c.execute("update unread_item set position = null where position > ?", (position,))

    def unplaced(self, epoch: str, *, but_of: UUID, most: int) -> tuple[Sealed, ...]:
        """Envelopes without a position that the hub of this epoch was not given."""
        return unplaced(self.c, epoch, but_of=but_of, hub_node=self._hub_node, most=most)

    def given(self, hashes: Sequence[str], epoch: str) -> None:
        """These envelopes were handed to the hub of this epoch."""
        for one in hashes:
            self.c.execute(
                "insert into given (envelope_hash, epoch) values (?, ?) "
                "on conflict (envelope_hash) do update set epoch = excluded.epoch",
                (one, epoch),
            )

    def key(self, node: str, key_id: str) -> Ed25519PublicKey | None:
        """The key by which envelopes of this node are believed."""
        return trusted_key(self.c, node, key_id)

    def learn(self, event: Event) -> tuple[Link, ...]:
        """Take a key from the hub's fact about a node; gives the facts of that node that waited for one.

        Only ever called with a fact of the hub: a shop that could enrol would speak in every shop's name. A key that
        is none is not taken; the feed goes on.
        """
        if event.kind != NODE_ENROLLED:
            return ()
        node, key_text, name = (event.body.get(each) for each in ("node", "public_key", "name"))
        if not (isinstance(node, str) and isinstance(key_text, str)):
            return ()
        try:
            trust(self.c, node, key_text, name if isinstance(name, str) else node)
        except ValueError:
            return ()
        self.c.execute(_WAITING, (node,))
        return tuple(link_of(sealed_of(row[0])) for row in self.c.fetchall())

    def believe(self, event_id: UUID) -> None:
        """The signature of a held fact was checked after all."""
        note_believed(self.c, event_id, self.folded)

    def _lay(self, link: Link) -> None:
        """Put an envelope at its place, or beside it when another one lies there."""
        place, event = link.envelope.place, link.envelope.event
        there = self.at_place(place.inc, place.seq)
        if there is not None:
            if there.raw != link.sealed.raw:
                self._put_beside(link, "")
            return
        stored = StoredEvent(
            originator_id=place.inc,
            originator_version=place.seq,
            topic=f"{event.kind}.v{event.v}",
            state=link.sealed.signature + link.sealed.raw,
        )
        self._recorder.insert(self.c, [stored])

    def _put_beside(self, link: Link, why: str) -> None:
        place, state = link.envelope.place, link.sealed.signature + link.sealed.raw
        self.c.execute(_PUT_BESIDE, (link.hash, place.inc.hex, place.seq, state, why))


def own_after(c: Cursor, inc: UUID, seq: int, most: int) -> tuple[Sealed, ...]:
    """The envelopes of an incarnation after a seq, in order, as far as none is missing."""
    c.execute(_AFTER, (inc.hex, seq, most))
    out: list[Sealed] = []
    for row in c.fetchall():
        if number(row[1]) != seq + len(out) + 1:
            break
        out.append(sealed_of(row[0]))
    return tuple(out)


def unplaced(c: Cursor, epoch: str, *, but_of: UUID, hub_node: str, most: int) -> tuple[Sealed, ...]:
    """Envelopes without a position that the hub of this epoch was not given: the hub's own first, then each log in order."""
    c.execute(_UNPLACED, (epoch, but_of.hex, hub_node, most))
    return tuple(sealed_of(row[0]) for row in c.fetchall())


def trust(c: Cursor, node: str, key_text: str, name: str) -> None:
    """Pin a key: envelopes of `node` signed with it are believed. Raises ValueError when it is none."""
    c.execute(
        "insert into node_key (key_id, node, public_key, name) values (?, ?, ?, ?) "
        "on conflict (key_id) do update set name = excluded.name",
        (key_id(public_key(key_text)), node, key_text, name),
    )


def trusted_key(c: Cursor, node: str, key_id: str) -> Ed25519PublicKey | None:
    """The key by which envelopes of a node are believed."""
    c.execute("select public_key from node_key where key_id = ? and node = ?", (key_id, node))
    row = c.fetchone()
    return None if row is None else public_key(text(row[0]))
