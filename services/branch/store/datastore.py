"""The eventsourcing library's SQLite recorder, with the durability and the locking that a counter needs.

Owns the connection: WAL, synchronous FULL, one writer at a time from its first statement on.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import structlog
from eventsourcing.persistence import StoredEvent
from eventsourcing.sqlite import (
    SQLiteApplicationRecorder,
    SQLiteConnection,
    SQLiteConnectionPool,
    SQLiteCursor,
    SQLiteDatastore,
)

log = structlog.get_logger("branch.store")
SIGNATURE_BYTES = 64
WAIT_FOR_WRITER_S = 10
WAIT_TO_CLOSE_S = 15.0


class _FullPool(SQLiteConnectionPool):
    def _create_connection(self) -> SQLiteConnection:
        connection = super()._create_connection()
        cursor = connection.cursor()
        cursor.execute("pragma synchronous = full")  # A fact said to be saved is on the disk.
        cursor.execute("pragma foreign_keys = on")
        return connection


class BranchDatastore(SQLiteDatastore):
    """One SQLite file. A writing transaction takes the lock before it looks anything up, so nothing changes between look and act."""

    def __init__(self, path: Path) -> None:
        self._open = 0
        self._when_idle = threading.Condition()
        super().__init__(str(path), lock_timeout=WAIT_FOR_WRITER_S)
        self.pool.close()
        self.pool = _FullPool(db_name=str(path), lock_timeout=WAIT_FOR_WRITER_S, pool_size=5, max_overflow=10)

    @contextmanager
    def transaction(self, *, commit: bool) -> Iterator[SQLiteCursor]:
        """A transaction; `begin immediate` when it may write. The library begins deferred, which would let a decision act on a stale look-up."""
        with self._counted():
            if commit:
                with self._writing() as cursor:
                    yield cursor
            else:
                with super().transaction(commit=False) as cursor:
                    yield cursor

    def close(self) -> None:
        """Close every connection once nobody is at one. SQLite dies with the process if one is closed under a thread."""
        with self._when_idle:
            if self._when_idle.wait_for(lambda: self._open == 0, timeout=WAIT_TO_CLOSE_S):
                super().close()
                return
        log.error("store left open", transactions=self._open)

    @contextmanager
    def _counted(self) -> Iterator[None]:
        with self._when_idle:
            self._open += 1
        try:
            yield
        finally:
            with self._when_idle:
                self._open -= 1
                self._when_idle.notify_all()

    @contextmanager
    def _writing(self) -> Iterator[SQLiteCursor]:
        with self.get_connection(commit=True) as connection:
            cursor = connection.cursor()
            cursor.execute("begin immediate")
            try:
                yield cursor
            except BaseException:
                connection.rollback()
                raise
            try:
                connection.commit()
            except sqlite3.Error:
                connection.rollback()
                raise
            finally:
                cursor.sqlite_cursor.close()


class EnvelopeRecorder(SQLiteApplicationRecorder):
    """The library's recorder, used inside transactions of ours. Its state column holds signature ‖ envelope bytes."""

    def insert(self, cursor: SQLiteCursor, stored: list[StoredEvent]) -> None:
        """Write envelopes. The primary key (incarnation, seq) refuses a second one at the same place."""
        self._insert_events(cursor, stored)

    def create(self, cursor: SQLiteCursor) -> None:
        """Create the library's table."""
        self._create_table(cursor)
