"""The serials on record and the keys by which near ones are found. Derived: all of it can be rebuilt from the log.

Owns the tables `serial_claim` and `near_key`. Must never drop a near serial to save time.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from uuid import UUID

from branch.store.rows import Cursor, text
from cylinder.near import Near, asked_keys, bare, near_keys, rank

_PUT_CLAIM = "insert or ignore into serial_claim (cylinder_id, bare) values (?, ?) returning id"
_PUT_KEYS = "insert or ignore into near_key (key, claim_id) select value, ? from json_each(?)"
_DROP_KEYS = "delete from near_key where key in (select value from json_each(?)) and claim_id = ?"
_NEAR = (
    "select s.cylinder_id, s.bare from serial_claim s "
    "where s.id in (select claim_id from near_key where key in (select value from json_each(?)))"
)


def note_claim(c: Cursor, cylinder_id: UUID, serial: str) -> None:
    """Keep a serial that a cylinder was said to have; a second time changes nothing."""
    c.execute(_PUT_CLAIM, (str(cylinder_id), bare(serial)))
    row = c.fetchone()
    if row is not None:
        c.execute(_PUT_KEYS, (row[0], json.dumps(near_keys(serial))))


def keep_claims(c: Cursor, cylinder_id: UUID, serials: Sequence[str]) -> None:
    """Of a cylinder, these serials and no others."""
    c.execute("select id, bare from serial_claim where cylinder_id = ?", (str(cylinder_id),))
    kept = {bare(serial) for serial in serials}
    for row in [row for row in c.fetchall() if text(row[1]) not in kept]:
        c.execute(_DROP_KEYS, (json.dumps(near_keys(text(row[1]))), row[0]))
        c.execute("delete from serial_claim where id = ?", (row[0],))
    for serial in serials:
        note_claim(c, cylinder_id, serial)


def near_claims(c: Cursor, serial: str) -> tuple[Near, ...]:
    """Every cylinder whose serial may be this one, nearest first."""
    c.execute(_NEAR, (json.dumps(asked_keys(serial)),))
    return rank(serial, [(text(row[0]), text(row[1])) for row in c.fetchall()])


def forget_claims(c: Cursor) -> None:
    """Drop them all; folding the standings anew brings each back."""
    c.execute("delete from near_key")
    c.execute("delete from serial_claim")
