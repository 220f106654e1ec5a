"""Writing facts: the node's own, and the pages of the feed. Log, standing, claims and cursor move in one transaction.

Must never write a standing without its fact, use a number of the log twice, or change a stored envelope.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from uuid import UUID

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from eventsourcing.persistence import StoredEvent
from eventsourcing.sqlite import SQLiteCursor

from branch.store import rows
from branch.store.datastore import BranchDatastore, EnvelopeRecorder
from branch.store.fold import Folded, note_fact, settle_standing
from branch.store.rows import NodeRow, StoreIsBroken, node_row
from branch.store.up_to_date import bring_up_to_date
from cylinder.recorded import NewFact, Recorded, cylinder_of, derived_id
from cylinder.standing import Standing
from eventlog import Effect, Envelope, Event, Place, Sealed, Seen, read, seal, verify
from eventlog.chain import LOG_OPENED
from eventlog.envelope import Forged, Malformed
from eventlog.event import NO_HASH
from eventlog.feed import PageRefused, check_page
from eventlog.keys import key_id, public_key, public_text
from eventlog.wire import FeedPage, WireEnvelope

_MOST_FACTS_A_COMMAND = 64
"""A command makes at most two facts for each of twenty cylinders; a loop over them has this bound."""


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
class Appended:
    """Own facts that were written, and the cylinders whose standing they touched."""

    records: tuple[Recorded, ...]
    touched: frozenset[UUID]


@dataclass(frozen=True, slots=True)
class Absorbed:
    """What a page of the feed brought."""

    items: int
    fresh: int
    touched: frozenset[UUID]


class Tx:
    """One writing transaction: look up, decide, append. Everything in it commits together or not at all."""

    def __init__(
        self, cursor: SQLiteCursor, recorder: EnvelopeRecorder, author: Author, *, hub_node: str
    ) -> None:
        self.c = cursor
        self._recorder = recorder
        self._author = author
        self._hub_node = hub_node

    def node(self) -> NodeRow:
        """Where this node stands now."""
        row = node_row(self.c)
        if row is None:
            raise StoreIsBroken("this node has no log yet")
        return row

    def known(self, event_id: UUID) -> bool:
        """Whether a fact with this id is in any log here: the same tap was recorded before."""
        self.c.execute("select 1 from fact where event_id = ?", (str(event_id),))
        return self.c.fetchone() is not None

    def made_by(self, key: UUID) -> tuple[Recorded, ...]:
        """The facts that an earlier command with this key made, in order."""
        made: list[Recorded] = []
        for n in range(_MOST_FACTS_A_COMMAND):
            record = rows.record_by_id(self.c, key if n == 0 else derived_id(key, f"fact {n}"))
            if record is None:
                break
            made.append(record)
        return tuple(made)

    def append(
        self, new: Sequence[NewFact], *, key: UUID, actor: str, role: str, now: dt.datetime
    ) -> Appended:
        """Write facts at the end of the own log. The first takes `key` as its id, the others follow from it."""
        node = self.node()
        seen = Seen(epoch=node.feed.epoch, position=node.feed.position, feed_hash=node.feed.feed_hash)
        events = [
            Event(
                id=key if n == 0 else derived_id(key, f"fact {n}"),
                kind=one.fact.KIND,
                v=one.fact.V,
                effect=Effect(one.fact.EFFECT),
                subject=one.subject,
                body=one.fact.model_dump(mode="json"),
                performed_on=one.performed_on,
                at=now,
                seen=seen,
                actor=actor,
                role=role,
                software=self._author.software,
                diver_ref=one.diver_ref,
                clears=one.clears,
            )
            for n, one in enumerate(new)
        ]
        return self._write(events, node, now)

    def open_log(self, inc: UUID, *, event_id: UUID, reason: str, now: dt.datetime) -> None:
        """Begin an incarnation with its genesis. `reason` is first, restore, clone, lost or key-rotate."""
        self.c.execute(
            "insert into node (one, inc, seq, hash, acked_seq, epoch, position, feed_hash) "
            "values (1, ?, 0, ?, 0, 'none', 0, ?)",
            (str(inc), NO_HASH, NO_HASH),
        )
        genesis = Event(
            id=event_id,
            kind=LOG_OPENED,
            v=1,
            effect=Effect.NEUTRAL,
            subject=f"node/{self._author.node}",
            body={"parent": None, "reason": reason},
            performed_on=now.date(),
            at=now,
            seen=Seen(),
            actor="node",
            role="node",
            software=self._author.software,
        )
        self._write([genesis], self.node(), now)

    def acked(self, inc: UUID, seq: int) -> None:
        """What the hub said it holds: the only thing that moves `acked`, up or down."""
        self.c.execute("update node set acked_seq = ? where inc = ?", (seq, str(inc)))

    def heard(self, at: dt.datetime, hub_time: dt.datetime, *, epoch: str) -> None:
        """The hub answered and there was nothing new; its epoch is learnt with the first answer."""
        self.c.execute(
            "update node set heard_at = ?, hub_time = ?, epoch = iif(epoch = 'none', ?, epoch)",
            (at.isoformat(), hub_time.isoformat(), epoch),
        )

    def in_trouble(self, trouble: str) -> None:
        """Remember why this node may not push; empty when it may."""
        self.c.execute("update node set trouble = ?", (trouble,))

    def absorb(self, page: FeedPage, *, heard_at: dt.datetime) -> Absorbed:
        """Apply one page of the feed. Raises PageRefused, and then nothing of it is kept.

        News counts as heard when the head was reached: whoever is in the middle of the feed does not know what
        others have found.
        """
        node = self.node()
        check_page(page, node.feed)
        folded, fresh = Folded(), 0
        for item in page.items:
            sealed = item.sealed()
            try:
                envelope = read(sealed.raw)
            except Malformed as wrong:
                raise PageRefused(f"position {item.position}: {wrong}") from None
            self._check_signature(sealed, envelope)
            fresh += self._take(sealed, envelope, item.position, folded)
        position = page.after + len(page.items)
        self.c.execute(
            "update node set epoch = ?, position = ?, feed_hash = ?, heard_at = coalesce(?, heard_at), hub_time = ?",
            (
                page.epoch,
                position,
                page.feed_hash,
                heard_at.isoformat() if position >= page.head else None,
                page.hub_time.isoformat(),
            ),
        )
        return Absorbed(items=len(page.items), fresh=fresh, touched=folded.settle(self.c))

    def forget_standings(self) -> None:
        """Drop every cached standing and claim; `settle` brings each back from its facts."""
        self.c.execute("delete from standing")
        self.c.execute("delete from claim")

    def settle(self, subject: str) -> Standing | None:
        """Fold one cylinder's standing again."""
        cylinder_id = cylinder_of(subject)
        if cylinder_id is None:
            return None
        settle_standing(self.c, cylinder_id)
        return rows.standing_row(self.c, cylinder_id)

    def trust(self, node: str, key_text: str, name: str) -> None:
        """Pin a key: envelopes of `node` signed with it are believed."""
        _trust(self.c, node, key_text, name)

    def _take(self, sealed: Sealed, envelope: Envelope, position: int, folded: Folded) -> int:
        """Keep one envelope of the feed; 1 when it was new here."""
        place, event = envelope.place, envelope.event
        self.c.execute("select envelope_hash from fact where event_id = ?", (str(event.id),))
        known = self.c.fetchone()
        if known is not None:
            if rows.text(known[0]) != sealed.hash:
                raise PageRefused(f"the feed and this node hold different envelopes of the fact {event.id}")
            self.c.execute("update fact set position = ? where event_id = ?", (position, str(event.id)))
            return 0
        if place.node == self._author.node and place.inc == self.node().inc:
            raise PageRefused(f"the feed holds {place.node} {place.seq}, which this log does not")
        self._keep(sealed, envelope)
        note_fact(self.c, envelope, sealed.hash, position, folded)
        if place.node == self._hub_node:
            _learn_key(self.c, event)
        return 1

    def _write(self, events: Sequence[Event], node: NodeRow, now: dt.datetime) -> Appended:
        folded, records, prev, seq = Folded(), list[Recorded](), node.hash, node.seq
        for event in events:
            seq += 1
            place = Place(self._author.node, self._author.key_id, node.inc, seq, prev)
            sealed = seal(event, place, recorded_at=now, key=self._author.key)
            envelope = Envelope(place=place, recorded_at=now, event=event)
            self._keep(sealed, envelope)
            records.append(note_fact(self.c, envelope, sealed.hash, None, folded))
            prev = sealed.hash
        self.c.execute("update node set seq = ?, hash = ?", (seq, prev))
        return Appended(records=tuple(records), touched=folded.settle(self.c))

    def _keep(self, sealed: Sealed, envelope: Envelope) -> None:
        place, event = envelope.place, envelope.event
        stored = StoredEvent(
            originator_id=place.inc,
            originator_version=place.seq,
            topic=f"{event.kind}.v{event.v}",
            state=sealed.signature + sealed.raw,
        )
        self._recorder.insert(self.c, [stored])

    def _check_signature(self, sealed: Sealed, envelope: Envelope) -> None:
        place = envelope.place
        self.c.execute(
            "select public_key from node_key where key_id = ? and node = ?", (place.key_id, place.node)
        )
        row = self.c.fetchone()
        if row is None:
            raise PageRefused(f"no trusted key {place.key_id} of {place.node}")
        try:
            verify(sealed, public_key(rows.text(row[0])))
        except Forged as wrong:
            raise PageRefused(f"{place.node} {place.seq}: {wrong}") from None


class BranchStore:
    """Opens the database and hands out transactions. One per request, opened in one place."""

    def __init__(self, path: Path, author: Author, *, hub_node: str) -> None:
        self.path = path
        self.author = author
        self._hub_node = hub_node
        path.touch(
            mode=0o600
        )  # Divers' cards and hashes of PINs lie in it; SQLite's own files follow its mode.
        self._datastore = BranchDatastore(path)
        self._recorder = EnvelopeRecorder(self._datastore)
        with self._datastore.transaction(commit=True) as cursor:
            self._recorder.create(cursor)
        for statement in files("branch.store").joinpath("schema.sql").read_text().split(";"):
            if statement.strip():
                with self._datastore.transaction(commit=True) as cursor:
                    cursor.execute(statement)
        with self._datastore.transaction(commit=True) as cursor:
            bring_up_to_date(cursor)

    @contextmanager
    def writing(self) -> Iterator[Tx]:
        """A writing transaction; commits at the end, rolls back on any exception."""
        with self._datastore.transaction(commit=True) as cursor:
            yield Tx(cursor, self._recorder, self.author, hub_node=self._hub_node)

    @contextmanager
    def reading(self) -> Iterator[rows.Cursor]:
        """A consistent view for look-ups; never commits."""
        with self._datastore.transaction(commit=False) as cursor:
            yield cursor

    def open_log(self, *, inc: UUID, event_id: UUID, now: dt.datetime) -> None:
        """Begin the first incarnation, unless there is one. The node trusts its own key."""
        with self.writing() as tx:
            tx.trust(self.author.node, public_text(self.author.key.public_key()), self.author.node)
            if node_row(tx.c) is None:
                tx.open_log(inc, event_id=event_id, reason="first", now=now)

    def unsent(self, *, most: int, most_bytes: int) -> tuple[Sealed, ...]:
        """The own log after `acked`, as much as one push may carry. There is no other outbox."""
        with self.reading() as c:
            node = node_row(c)
        if node is None or node.acked_seq >= node.seq:
            return ()
        stored = self._recorder.select_events(node.inc, gt=node.acked_seq, limit=most)
        out: list[Sealed] = []
        size = 0
        for one in stored:
            sealed = rows.sealed_of(one.state)
            # As it travels: escaped once more, and with a comma. A push that is too large would be refused for ever.
            size += len(WireEnvelope.of(sealed).model_dump_json().encode()) + 1
            if out and size > most_bytes:
                break
            out.append(sealed)
        return tuple(out)

    def own_log(self) -> Iterator[Sealed]:
        """The whole own log in order."""
        with self.reading() as c:
            node = node_row(c)
        after = 0
        while node is not None and after < node.seq:
            for one in self._recorder.select_events(node.inc, gt=after, limit=1000):
                yield rows.sealed_of(one.state)
                after = one.originator_version

    def close(self) -> None:
        """Close every connection."""
        self._datastore.close()


def _trust(c: rows.Cursor, node: str, key_text: str, name: str) -> None:
    c.execute(
        "insert into node_key (key_id, node, public_key, name) values (?, ?, ?, ?) "
        "on conflict (key_id) do update set name = excluded.name",
        (key_id(public_key(key_text)), node, key_text, name),
    )


def _learn_key(c: rows.Cursor, event: Event) -> None:
    """The hub's own fact about an enrolled node brings the key by which its envelopes are believed.

    Only ever called with a fact of the hub: a shop that could enrol would speak in every shop's name.
    """
    if event.kind != "node.enrolled":
        return
    node, key_text, name = (event.body.get(each) for each in ("node", "public_key", "name"))
    if isinstance(node, str) and isinstance(key_text, str) and isinstance(name, str):
        try:
            _trust(c, node, key_text, name)
        except ValueError:
            raise PageRefused(f"the key of {node} is none") from None
