"""A database that older software made gets the columns and the copy of the feed's hashes that it lacks. No fact is touched."""

from __future__ import annotations

from uuid import UUID

from branch.store.claims import note_claim
from branch.store.rows import Cursor, number, text
from eventlog.event import NO_HASH
from eventlog.feed import next_feed_hash

_COLUMNS = (
    ("node", "relearning", "text not null default ''"),
    ("node", "ticket", "text not null default ''"),
    ("node", "parent", "text"),
    ("node", "is_suspected", "integer not null default 0"),
    ("fact", "actor", "text not null default ''"),
    ("fact", "is_proven", "integer not null default 1"),
)


def add_columns(c: Cursor) -> None:
    """Add the columns that older software did not have, before anything of `schema.sql` names them."""
    for table, column, kind in _COLUMNS:
        c.execute("select name from pragma_table_info(?)", (table,))
        there = {text(row[0]) for row in c.fetchall()}
        if there and column not in there:
            c.execute(f"alter table {table} add column {column} {kind}")


def move_claims(c: Cursor) -> None:
    """The serials that older software kept without the keys by which a near one is found now."""
    c.execute("select 1 from sqlite_master where type = 'table' and name = 'claim'")
    if c.fetchone() is None:
        return
    c.execute("select cylinder_id, bare from claim")
    for row in c.fetchall():
        note_claim(c, UUID(text(row[0])), text(row[1]))
    c.execute("drop table claim")


def fill_feed_copy(c: Cursor) -> None:
    """The cumulative hashes of what was read before this node kept them."""
    c.execute("select position from node where position > (select count(*) from feed_copy)")
    if c.fetchone() is None:
        return
    c.execute("select position, envelope_hash from feed_entry order by position")
    before = NO_HASH
    for n, row in enumerate(c.fetchall(), start=1):
        if number(row[0]) != n:
            return  # A position is missing: `verify` says so. What follows it proves nothing.
        before = next_feed_hash(before, text(row[1]))
        c.execute("insert or ignore into feed_copy (position, feed_hash) values (?, ?)", (n, before))
