"""What this shop's log may lack after a restore or a loss, and the manager's word about it.

Counts what can be counted: how far the log had come by the marker or by the network, and how far it comes now. Must
never call a hole closed that it cannot count.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from uuid import UUID

from branch.store import Tx
from branch.store.rows import Cursor, number, text, when
from cylinder.facts import GapStated
from cylinder.recorded import NewFact, node_subject

_OPEN = "select inc, reason, found_at, kept_seq, marker_seq, hub_seq from gap where stated_by is null order by found_at"
_LAST_EARLIER = (
    "select inc from fact where node = ? and is_proven = 1 and inc <> ? order by rowid desc limit 1"
)
_HELD = "select coalesce(max(originator_version), 0) from stored_events where originator_id = ?"
_IN_FEED = "select max(seq), max(at) from fact where inc = ? and node = ? and position is not null"


@dataclass(frozen=True, slots=True)
class Gap:
    """One hole: the incarnation that was left, how far it is known to have come, and how far it is held now."""

    inc: UUID
    reason: str
    found_at: dt.datetime
    had_seq: int | None
    held_seq: int
    hub_seq: int | None
    last_at: dt.datetime | None

    @property
    def missing(self) -> int | None:
        """How many records are known to be missing; None when nobody can tell."""
        return None if self.had_seq is None else max(0, self.had_seq - self.held_seq)


def open_gaps(c: Cursor, node: str, present: UUID) -> tuple[Gap, ...]:
    """The holes that no manager has stated yet. One that was filled to the last record that is known is none."""
    c.execute(_OPEN)
    found = [_gap(c, node, present, row) for row in c.fetchall()]
    return tuple(gap for gap in found if gap is not None and gap.missing != 0)


def state(
    tx: Tx, gap: Gap, words: str, *, node: str, key: UUID, actor: str, now: dt.datetime, today: dt.date
) -> None:
    """Record what a manager says is missing."""
    fact = GapStated(parent_inc=gap.inc, after_seq=gap.held_seq, hub_seq=gap.hub_seq, words=words)
    tx.append([NewFact(fact, node_subject(node), today)], key=key, actor=actor, role="manager", now=now)
    tx.c.execute(
        "update gap set stated_by = ? where inc in (?, '') and stated_by is null", (str(key), gap.inc.hex)
    )


def _gap(c: Cursor, node: str, present: UUID, row: tuple[object, ...]) -> Gap | None:
    inc_hex, reason, found_at, kept, marker, told = tuple(row)
    inc = text(inc_hex)
    if not inc:  # The whole log was lost: what the network holds of it names the incarnation.
        c.execute(_LAST_EARLIER, (node, present.hex))
        last = c.fetchone()
        if last is None:
            return None
        inc = text(last[0])
    c.execute(_HELD, (inc,))
    held = c.fetchone()
    c.execute(_IN_FEED, (inc, node))
    in_feed = c.fetchone()
    hub_seq = None if in_feed is None or in_feed[0] is None else number(in_feed[0])
    known = [number(one) for one in (marker, told) if one is not None]
    at = when(found_at)
    if at is None:
        return None
    held_seq = max(number(kept), 0 if held is None else number(held[0]))
    return Gap(
        inc=UUID(inc),
        reason=text(reason),
        found_at=at,
        had_seq=max(known) if marker is not None else None,
        held_seq=held_seq,
        hub_seq=hub_seq,
        last_at=None if in_feed is None else when(in_feed[1]),
    )
