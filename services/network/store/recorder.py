"""Where envelopes lie: the event-sourcing library's recorder, its originator being a node's incarnation.

Owns the shape of `stored_events`. Must never be read by notification id: that column belongs to the library, its
order is not the order of commits here, and the feed has its own positions.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NoReturn

from eventsourcing.persistence import StoredEvent
from eventsourcing.postgres import PostgresApplicationRecorder
from psycopg import Cursor
from psycopg.rows import DictRow

from eventlog.chain import Link
from network.store.database import Database, Tx


class EnvelopeRecorder(PostgresApplicationRecorder):
    """The library's recorder, writing inside a transaction that the hub has opened.

    The library locks the whole table in EXCLUSIVE mode at each insert, so that its notification ids come in
    the order of commits. Here that order comes from the row lock on `feed_head`, which is taken later and
    held for a shorter time, so the table lock would only make appends of different nodes wait for each other
    (infra/decisions/020-feed-counter-row.md).
    """

    def write(self, tx: Tx, run: Sequence[Link]) -> None:
        """Insert envelopes; the primary key (incarnation, seq) refuses a second one at a place."""
        self._insert_stored_events(tx, [_stored(link) for link in run])

    def _lock_table(self, curs: Cursor[DictRow]) -> None:
        del curs

    def _notify_channel(self, curs: Cursor[DictRow]) -> None:
        del curs

    def select_notifications(self, *_: object, **__: object) -> NoReturn:
        """Refused: read the feed."""
        raise NotImplementedError("notification ids are not in commit order here; read the feed")

    def subscribe(self, *_: object, **__: object) -> NoReturn:
        """Refused: listen to the doorbell and read the feed."""
        raise NotImplementedError("listen to the doorbell and read the feed")


class LibraryFunctionsAreOn(Exception):
    """The library's insert functions are switched on: facts would be lost to readers. The hub does not start."""


def open_recorder(database: Database) -> EnvelopeRecorder:
    """The recorder of this database. Raises LibraryFunctionsAreOn."""
    if database.datastore.enable_db_functions:
        raise LibraryFunctionsAreOn("enable_db_functions must be off: it skips the order of commits")
    return EnvelopeRecorder(database.datastore, events_table_name="stored_events")


def _stored(link: Link) -> StoredEvent:
    event, place = link.envelope.event, link.envelope.place
    return StoredEvent(
        originator_id=place.inc,
        originator_version=place.seq,
        topic=f"{event.kind}.v{event.v}",
        state=link.sealed.raw,
    )
