"""Writing facts: the node's own, and the pages of the feed. Log, standing, claims and cursor move in one transaction.

Must never write a standing without its fact, use a number of the log twice, or change a stored envelope.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Callable, Iterator, Sequence, Set
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from uuid import UUID

from eventsourcing.persistence import PersistenceError
from eventsourcing.sqlite import SQLiteCursor

from branch.store import rows
from branch.store.branch_log import SqliteBranchLog, own_after, trust, unplaced
from branch.store.claims import forget_claims
from branch.store.datastore import BranchDatastore, EnvelopeRecorder
from branch.store.fold import fold_put_off, settle_standing
from branch.store.known_against import claim_again, drop_when_passed
from branch.store.older import add_columns, fill_feed_copy, move_claims
from branch.store.rows import StoreIsBroken, node_row
from branch.store.up_to_date import bring_up_to_date
from cylinder.recorded import NewFact, Recorded, cylinder_of, derived_id
from cylinder.standing import Standing
from eventlog import Effect, Event, Sealed, Seen
from eventlog.wire import FeedPage, WireEnvelope
from sync import at_branch
from sync.at_branch import Author, PageTaken, StartAgain
from sync.standpoint import Fresh, Standpoint

_MOST_FACTS_A_COMMAND = 64
"""A command makes at most two facts for each of twenty cylinders; a loop over them has this bound."""


@dataclass(frozen=True, slots=True)
class Appended:
    """Own facts that were written, and the cylinders whose standing they touched."""

    records: tuple[Recorded, ...]
    touched: frozenset[UUID]


class Tx:
    """One writing transaction: look up, decide, append. Everything in it commits together or not at all.

    `log` is the same transaction as the sync protocol sees it.
    """

    def __init__(
        self, cursor: SQLiteCursor, recorder: EnvelopeRecorder, author: Author, *, hub_node: str
    ) -> None:
        self.c = cursor
        self.log = SqliteBranchLog(cursor, recorder, node=author.node, hub_node=hub_node)
        self._author = author

    def node(self) -> Standpoint:
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
        feed = self.node().feed
        seen = Seen(epoch=feed.epoch, position=feed.position, feed_hash=feed.feed_hash)
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
        written = at_branch.write(self.log, self._author, events, now=now)
        records = tuple(rows.record_of(link.envelope) for link in written)
        return Appended(records=records, touched=self.fold())

    def open_log(self, fresh: Fresh, *, reason: str, now: dt.datetime) -> None:
        """Begin the first incarnation of this database. `reason` is first or lost."""
        at_branch.open_log(self.log, self._author, fresh, reason=reason, now=now)

    def begin_again(
        self,
        fresh: Fresh,
        *,
        reason: str,
        now: dt.datetime,
        marker_seq: int | None = None,
        hub_seq: int | None = None,
    ) -> int:
        """Leave the present incarnation and carry its unacknowledged facts into a new one; gives how many.

        How far the marker or the hub had seen it come is kept, for the manager who states what is missing.
        """
        if reason != "key-rotate":
            here = self.node()
            self.note_gap(here.inc.hex, reason, here.seq, now=now, marker_seq=marker_seq, hub_seq=hub_seq)
        return at_branch.begin_again(self.log, self._author, fresh, reason=reason, now=now)

    def note_gap(
        self,
        inc: str,
        reason: str,
        kept_seq: int,
        *,
        now: dt.datetime,
        marker_seq: int | None = None,
        hub_seq: int | None = None,
    ) -> None:
        """Something of an incarnation may be gone; `inc` is empty when the whole log is."""
        self.c.execute(
            "insert or ignore into gap (inc, reason, found_at, kept_seq, marker_seq, hub_seq) values (?, ?, ?, ?, ?, ?)",
            (inc, reason, now.isoformat(), kept_seq, marker_seq, hub_seq),
        )

    def absorb(
        self,
        page: FeedPage,
        *,
        heard_at: dt.datetime,
        proven: Set[Sealed] = frozenset(),
        puts_off: bool = False,
    ) -> PageTaken | StartAgain:
        """Apply one page of the feed. Raises PageRefused, and then nothing of it is kept.

        `proven` are envelopes whose signature was checked before the transaction, by the keys that are held here.
        `puts_off`: more of the feed is to come, and what this page touches is folded when it is looked up, or by
        `fold_put_off`, which has to come to its end before the page that reaches the head.
        """
        taken = at_branch.take_page(self.log, page, heard_at=heard_at, proven=proven)
        if self.log.stood is not None:
            drop_when_passed(self.c, self.log.stood.feed)
        if puts_off:
            self.log.folded.put_off(self.c)
        else:
            self.fold()
        return taken

    def fold_put_off(self, most: int) -> int:
        """Fold some of the standings that were put off; gives how many there were to fold."""
        return fold_put_off(self.c, most)

    def fold(self) -> frozenset[UUID]:
        """Fold every standing again that what was written in this transaction has touched."""
        return self.log.folded.settle(self.c)

    def forget_standings(self) -> None:
        """Drop every cached standing and claim; `settle` brings each back from its facts."""
        forget_claims(self.c)
        for table in ("standing", "unfolded"):
            self.c.execute(f"delete from {table}")
        claim_again(self.c)

    def settle(self, subject: str) -> Standing | None:
        """Fold one cylinder's standing again."""
        cylinder_id = cylinder_of(subject)
        if cylinder_id is None:
            return None
        settle_standing(self.c, cylinder_id)
        return rows.standing_row(self.c, cylinder_id)

    def trust(self, node: str, key_text: str, name: str) -> None:
        """Pin a key: envelopes of `node` signed with it are believed."""
        trust(self.c, node, key_text, name)


class BranchStore:
    """Opens the database and hands out transactions. One per request, opened in one place.

    `after_commit` is told where the node stands after each transaction that moved it, in the order of the commits.
    """

    def __init__(self, path: Path, author: Author, *, hub_node: str) -> None:
        self.path = path
        self.author = author
        self.hub_node = hub_node
        self.after_commit: Callable[[int, Standpoint], None] = lambda turn, here: None
        self.at_close: Callable[[], None] = lambda: None
        self._turn = 0
        path.touch(
            mode=0o600
        )  # Divers' cards and hashes of PINs lie in it; SQLite's own files follow its mode.
        self._datastore = BranchDatastore(path)
        self._recorder = EnvelopeRecorder(self._datastore)
        try:
            self._bring_up()
        except (PersistenceError, sqlite3.DatabaseError) as wrong:
            self._datastore.close()
            raise StoreIsBroken(f"{path} cannot be used: {wrong}") from wrong

    def _bring_up(self) -> None:
        with self._datastore.transaction(commit=True) as cursor:
            self._recorder.create(cursor)
            add_columns(cursor)
        for statement in files("branch.store").joinpath("schema.sql").read_text().split(";"):
            if statement.strip():
                with self._datastore.transaction(commit=True) as cursor:
                    cursor.execute(statement)
        with self._datastore.transaction(commit=True) as cursor:
            bring_up_to_date(cursor)
            fill_feed_copy(cursor)
            move_claims(cursor)

    @contextmanager
    def writing(self) -> Iterator[Tx]:
        """A writing transaction; commits at the end, rolls back on any exception."""
        with self._datastore.transaction(commit=True) as cursor:
            tx = Tx(cursor, self._recorder, self.author, hub_node=self.hub_node)
            yield tx
            tx.fold()
            self._turn += 1  # Under the database's own lock.
            turn, stood = self._turn, tx.log.stood
        if stood is not None:
            self.after_commit(turn, stood)

    @contextmanager
    def reading(self) -> Iterator[rows.Cursor]:
        """A consistent view for look-ups; never commits."""
        with self._datastore.transaction(commit=False) as cursor:
            yield cursor

    def unsent(self, *, most: int, most_bytes: int) -> tuple[Sealed, ...]:
        """The own log after `acked`, as much as one push may carry. There is no other outbox."""
        with self.reading() as c:
            node = node_row(c)
            if node is None or node.acked_seq >= node.seq:
                return ()
            return _that_fit(own_after(c, node.inc, node.acked_seq, most), most_bytes)

    def unplaced(self, *, most: int, most_bytes: int) -> tuple[Sealed, ...]:
        """What the hub of the present epoch may have lost, as much as one request may carry."""
        with self.reading() as c:
            node = node_row(c)
            if node is None or node.feed.epoch == "none":
                return ()
            found = unplaced(c, node.feed.epoch, but_of=node.inc, hub_node=self.hub_node, most=most)
        return _that_fit(found, most_bytes)

    def own_log(self) -> Iterator[Sealed]:
        """The whole log of the present incarnation in order."""
        with self.reading() as c:
            node = node_row(c)
        after = 0
        while node is not None and after < node.seq:
            with self.reading() as c:
                some = own_after(c, node.inc, after, 1000)
            if not some:
                return
            yield from some
            after += len(some)

    def close(self) -> None:
        """Close every connection."""
        self._datastore.close()
        self.at_close()


def _that_fit(run: Sequence[Sealed], most_bytes: int) -> tuple[Sealed, ...]:
    out: list[Sealed] = []
    size = 0
    for sealed in run:
        # As it travels: escaped once more, and with a comma. A push that is too large would be refused for ever.
        size += len(WireEnvelope.of(sealed).model_dump_json().encode()) + 1
        if out and size > most_bytes:
            break
        out.append(sealed)
    return tuple(out)
