"""Brings a database to the shape this version needs: numbered SQL files, forward only, one process at a time.

Owns the table `migration`. Must never run while serving, and never change a file that has been applied.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from importlib.resources import files

import psycopg

from eventlog.event import NO_HASH
from network.store.database import Database
from network.store.recorder import open_recorder

ADVISORY_LOCK = 7_115_230_001  # any number that nothing else on this database uses
LOCK_WAIT_MS = 60_000
RECORDER_TABLE_COMES_BEFORE = 2

take_turn = "select pg_advisory_lock(%s)"
end_turn = "select pg_advisory_unlock(%s)"
wait_longer = "select set_config('statement_timeout', %s, false), set_config('lock_timeout', %s, false)"
make_ledger = """
create table if not exists migration (
    number integer primary key, name text not null, sha256 text not null, applied_at timestamptz not null
)
"""
applied_files = "select number, sha256 from migration"
note_applied = "insert into migration (number, name, sha256, applied_at) values (%s, %s, %s, %s)"
name_first_epoch = """
insert into epoch (epoch, begins_after, feed_hash, at) select epoch, 0, %(none)s, %(at)s from feed_head
where position = 0 on conflict (epoch) do nothing
"""
open_feed = "insert into feed_head (epoch, feed_hash) values (%s, %s) on conflict (only_row) do nothing"


class ChangedMigration(Exception):
    """A migration that this database has applied reads otherwise now."""


def migrate(database: Database, *, now: dt.datetime, epoch: str) -> list[str]:
    """Apply what is missing and return its names. `epoch` names the feed of a new database; an old one keeps its own."""
    with psycopg.connect(database.url, autocommit=True, connect_timeout=5) as turn:
        turn.execute(wait_longer, (str(LOCK_WAIT_MS), str(LOCK_WAIT_MS)))
        turn.execute(take_turn, (ADVISORY_LOCK,))
        try:
            return _apply_missing(database, now, epoch)
        finally:
            turn.execute(end_turn, (ADVISORY_LOCK,))


def _apply_missing(database: Database, now: dt.datetime, epoch: str) -> list[str]:
    with database.transaction() as tx:
        tx.execute(make_ledger)
        done = {int(row["number"]): str(row["sha256"]) for row in tx.execute(applied_files)}
    names: list[str] = []
    for name, text in _files():
        number, sha256 = int(name.split("_")[0]), hashlib.sha256(text.encode()).hexdigest()
        if number in done:
            if done[number] != sha256:
                raise ChangedMigration(f"{name} was changed after it had been applied")
            continue
        if number == RECORDER_TABLE_COMES_BEFORE:
            open_recorder(database).create_table()
        with database.transaction() as tx:
            # The files are part of this program, as literal as any statement in it.
            tx.execute(text.encode())
            tx.execute(note_applied, (number, name, sha256, now))
        names.append(name)
    with database.transaction() as tx:
        tx.execute(open_feed, (epoch, bytes.fromhex(NO_HASH)))
        tx.execute(name_first_epoch, {"none": bytes.fromhex(NO_HASH), "at": now})
    return names


def _files() -> list[tuple[str, str]]:
    folder = files("network") / "migrations"
    found = [
        (one.name, one.read_text(encoding="utf-8")) for one in folder.iterdir() if one.name.endswith(".sql")
    ]
    return sorted(found)
