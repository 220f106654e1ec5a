"""What the branch's rows mean: small frozen shapes and the SQL that reads them. Nothing is decided here."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from functools import lru_cache
from typing import Protocol
from uuid import UUID

from pydantic import ValidationError

from branch.store.datastore import SIGNATURE_BYTES
from cylinder.gather import standing_of
from cylinder.recorded import Recorded, origin_of, recorded
from cylinder.standing import Standing
from eventlog import Envelope, Sealed
from eventlog.feed import Cursor as FeedCursor
from sync.opening import MOST_KEPT, link_of
from sync.standpoint import Standpoint


class StoreIsBroken(Exception):
    """What is stored cannot be what was written. Nothing may be filled on its word."""


class Cursor(Protocol):
    """The part of a database cursor that the look-ups use."""

    def execute(self, sql: str, params: tuple[object, ...] = ..., /) -> object: ...
    def fetchone(self) -> tuple[object, ...] | None: ...
    def fetchall(self) -> list[tuple[object, ...]]: ...


def text(value: object) -> str:
    """A column that must be text."""
    if not isinstance(value, str):
        raise StoreIsBroken(f"text was expected, {type(value).__name__} was stored")
    return value


def number(value: object) -> int:
    """A column that must be a whole number."""
    if not isinstance(value, int):
        raise StoreIsBroken(f"a number was expected, {type(value).__name__} was stored")
    return value


def when(value: object) -> dt.datetime | None:
    """A column that holds a time or nothing."""
    return None if value is None else dt.datetime.fromisoformat(text(value))


def sealed_of(state: object) -> Sealed:
    """The signed bytes from the recorder's state column."""
    if not isinstance(state, bytes):
        raise StoreIsBroken("an envelope was expected")
    return Sealed(raw=state[SIGNATURE_BYTES:], signature=state[:SIGNATURE_BYTES])


def record_of(envelope: Envelope, *, is_proven: bool = True) -> Recorded:
    """The fact that an envelope carries, as the cylinder's life reads it."""
    return recorded(envelope.event, origin_of(envelope.place, is_proven=is_proven))


@lru_cache(maxsize=MOST_KEPT)
def record_in(sealed: Sealed, *, is_proven: bool = True) -> Recorded:
    """The fact in these bytes. Frozen, so the reading is kept for a while: a fact is filed, and then folded. Raises Malformed."""
    return record_of(link_of(sealed).envelope, is_proven=is_proven)


NODE = """
select inc, seq, hash, acked_seq, epoch, position, feed_hash, heard_at, hub_time, trouble, relearning, ticket, parent,
is_suspected from node
"""

_STATES_OF_SUBJECT = """
select state, is_proven from fact_state where subject = ? and matters = 1
union all
select s.state, s.is_proven from fact_about a join fact_state s on s.event_id = a.event_id
where a.subject = ? and s.matters = 1
"""

_STATES_OF_HISTORY = """
select state, is_proven from fact_state where subject = ? order by at desc, event_id desc limit ?
"""

# In the order in which they came here: a node that began again has put its facts into another incarnation, and random
# incarnations have no order. What cannot be proven to be this shop's own is no part of its visits.
_STATES_OF_VISIT = """
select state, is_proven from fact_state where visit_id = ? and node = ? and is_proven = 1 order by arrived
"""

_STATE_OF_EVENT = "select state, is_proven from fact_state where event_id = ?"


def node_row(c: Cursor) -> Standpoint | None:
    """Where this node stands, or None before the first start."""
    c.execute(NODE)
    row = c.fetchone()
    if row is None:
        return None
    inc, seq, head, acked, epoch, position, feed_hash, heard_at, hub_time, trouble = tuple(row)[:10]
    relearning, ticket, parent, is_suspected = tuple(row)[10:]
    return Standpoint(
        inc=UUID(text(inc)),
        seq=number(seq),
        hash=text(head),
        acked_seq=number(acked),
        feed=FeedCursor(epoch=text(epoch), position=number(position), feed_hash=text(feed_hash)),
        heard_at=when(heard_at),
        hub_time=when(hub_time),
        trouble=text(trouble),
        relearning=text(relearning),
        ticket=text(ticket),
        parent=None if parent is None else UUID(text(parent)),
        is_suspected=bool(is_suspected),
    )


def standing_row(c: Cursor, cylinder_id: UUID) -> Standing | None:
    """What is held against a cylinder, for whoever decides or looks; None when nothing is known of it. Raises StoreIsBroken.

    Its standing by the records that are here, and the blocks that the hub's list knows beyond them.
    """
    return with_known_against(c, cylinder_id, own_standing(c, cylinder_id))


def with_known_against(c: Cursor, cylinder_id: UUID, found: Standing | None) -> Standing | None:
    """A standing with the blocks that the hub's list adds to it while the records are being read; none is taken away."""
    c.execute("select document from known_against where cylinder_id = ?", (str(cylinder_id),))
    row = c.fetchone()
    if row is None:
        return found
    try:
        kept = Standing.model_validate_json(text(row[0]))
    except ValidationError:
        raise StoreIsBroken(f"what is known against {cylinder_id} cannot be read") from None
    if found is None:
        return kept
    held = {block.id for block in found.blocks}
    added = tuple(block for block in kept.blocks if block.id not in held)
    return found.model_copy(update={"blocks": (*found.blocks, *added), "marks": found.marks or kept.marks})


def own_standing(c: Cursor, cylinder_id: UUID) -> Standing | None:
    """The standing of a cylinder by the records that are here, or None when it is on none. Raises StoreIsBroken.

    The cached one, unless facts have come that are not folded into it yet: then it is folded here.
    """
    if is_unfolded(c, cylinder_id):
        return standing_of(cylinder_id, lambda subject: facts_that_matter(c, subject))
    return cached_standing(c, cylinder_id)


def is_unfolded(c: Cursor, cylinder_id: UUID) -> bool:
    """Whether the cached standing of a cylinder lacks facts that are held here."""
    c.execute("select 1 from unfolded where cylinder_id = ?", (str(cylinder_id),))
    return c.fetchone() is not None


def unfolded(c: Cursor, most: int) -> tuple[UUID, ...]:
    """The first of the cylinders whose cached standing lacks facts that are held here, in order."""
    c.execute("select cylinder_id from unfolded order by cylinder_id limit ?", (most,))
    return tuple(UUID(text(row[0])) for row in c.fetchall())


def cached_standing(c: Cursor, cylinder_id: UUID) -> Standing | None:
    """The standing as it was folded last. Raises StoreIsBroken."""
    c.execute("select document from standing where cylinder_id = ?", (str(cylinder_id),))
    row = c.fetchone()
    if row is None:
        return None
    try:
        found = Standing.model_validate_json(text(row[0]))
    except ValidationError:
        raise StoreIsBroken(f"the standing of {cylinder_id} cannot be read") from None
    if found.cylinder_id != cylinder_id:
        raise StoreIsBroken(f"the standing of {cylinder_id} is another cylinder's")
    return found


def facts_that_matter(c: Cursor, subject: str) -> list[Recorded]:
    """Every fact that is filed under a subject and can change a standing."""
    c.execute(_STATES_OF_SUBJECT, (subject, subject))
    return _records(c.fetchall())


def history(c: Cursor, subject: str, most: int) -> list[Recorded]:
    """The latest facts of a subject, newest first by the shops' clocks, which only order the display."""
    c.execute(_STATES_OF_HISTORY, (subject, most))
    return _records(c.fetchall())


def facts_of_kinds(c: Cursor, subject: str, kinds: frozenset[str]) -> list[Recorded]:
    """The facts of a subject that are of these kinds, in no order that means anything."""
    marks = ", ".join("?" * len(kinds))
    c.execute(
        f"select state, is_proven from fact_state where subject = ? and kind in ({marks})",
        (subject, *sorted(kinds)),
    )
    return _records(c.fetchall())


def facts_of_visit(c: Cursor, visit_id: UUID, node: str) -> list[Recorded]:
    """The facts of one visit in the order of its shop's log. What another shop says of it is no part of the visit."""
    c.execute(_STATES_OF_VISIT, (str(visit_id), node))
    return _records(c.fetchall())


def record_by_id(c: Cursor, event_id: UUID) -> Recorded | None:
    """One fact by its id."""
    c.execute(_STATE_OF_EVENT, (str(event_id),))
    found = _records(c.fetchall())
    return found[0] if found else None


def _records(rows: Iterable[tuple[object, ...]]) -> list[Recorded]:
    return [record_in(sealed_of(row[0]), is_proven=bool(row[1])) for row in rows]
