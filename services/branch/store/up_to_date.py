"""Brings the database of older software up to date: facts are filed and folded anew. Nothing of the log is touched."""

from __future__ import annotations

from branch.store.filing import Filing, file_under_others
from branch.store.fold import settle_standing
from branch.store.rows import Cursor, number, record_of, sealed_of
from cylinder.standing import matters
from eventlog import read

FOLDED_AS = 2
"""Raise it when a standing says more, or something else, of the same facts; it is kept as SQLite's user_version."""

_ROWS_A_TIME = 500
_INDEXES = (
    "create index if not exists fact_actor on fact (actor) where matters = 1",
    "create index if not exists fact_node on fact (node) where matters = 1",
)
_FACTS_AFTER = "select arrived, state from fact_state where arrived > ? order by arrived limit ?"


def bring_up_to_date(c: Cursor) -> None:
    """File and fold anew, once for each version of the fold. Needs the tables of `schema.sql`."""
    for index in _INDEXES:
        c.execute(index)
    c.execute("pragma user_version")
    row = c.fetchone()
    if row is not None and number(row[0]) >= FOLDED_AS:
        return
    _file_anew(c)
    for cylinder_id in Filing(c).every():
        settle_standing(c, cylinder_id)
    c.execute(f"pragma user_version = {FOLDED_AS}")


def _file_anew(c: Cursor) -> None:
    after = 0
    while True:  # Ends: each turn starts after the last row of the one before.
        c.execute(_FACTS_AFTER, (after, _ROWS_A_TIME))
        rows = c.fetchall()
        if not rows:
            return
        for rowid, state in rows:
            record = record_of(read(sealed_of(state).raw))
            c.execute(
                "update fact set actor = ?, effect = ?, matters = ? where rowid = ?",
                (record.actor, record.effect, int(matters(record)), rowid),
            )
            if matters(record):
                file_under_others(c, record)
        after = number(rows[-1][0])
