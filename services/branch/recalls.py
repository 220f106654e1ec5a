"""This shop's own fills that a later finding calls into question: whom to ring before anybody breathes from them.

Derived each time from the facts in this database, by the network's own rule; nothing is kept. Must never call a fill
harmless: what cannot be placed counts as not yet known when the fill was made.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from branch.store.filing import Filing
from branch.store.rows import Cursor, number, record_of, sealed_of, standing_row, text
from cylinder.block import block_of
from cylinder.exposure import EXPOSING_KINDS, Exposure, FillAt, Numbered, exposures_of
from cylinder.facts import FillCompleted
from cylinder.gather import gather
from cylinder.recorded import Recorded, cylinder_of, cylinder_subject
from eventlog.envelope import read

MOST_SHOWN = 200
NOT_PLACED = 1 << 62
"""Where a fact stands that has no position in the feed: after everything that a fill could have seen."""

_FOUND_BAD = "select distinct subject from fact where kind in (?, ?, ?, ?)"
_OWN_FILLS = """
select arrived, state, is_proven from fact_state where subject = ? and node = ? and kind = ? order by arrived
"""
_PLACE = "select node, rowid, position from fact where event_id = ?"


@dataclass(frozen=True, slots=True)
class Recall:
    """One fill of this shop and the findings that call it back, each in words with its shop and day."""

    cylinder_id: UUID
    serial: str
    filled_on: dt.date
    visit_id: UUID
    diver_ref: str | None
    found: tuple[Found, ...]
    knew: bool


@dataclass(frozen=True, slots=True)
class Found:
    """One finding."""

    words: str
    node: str
    performed_on: dt.date


def recalls(c: Cursor, node: str) -> tuple[Recall, ...]:
    """The latest fills first. A finding that was annulled calls nothing back."""
    found = [one for cylinder_id in _suspects(c) for one in _of_cylinder(c, cylinder_id, node)]
    return tuple(sorted(found, key=lambda one: (one.filled_on, one.visit_id), reverse=True))


def _suspects(c: Cursor) -> list[UUID]:
    """Every cylinder that was ever found bad, and all that a link ever led to from there."""
    c.execute(_FOUND_BAD, tuple(sorted(EXPOSING_KINDS)))
    reached = {one for row in c.fetchall() if (one := cylinder_of(text(row[0]))) is not None}
    to_visit, filing = list(reached), Filing(c)
    while to_visit:  # Ends, since no record is visited twice.
        for one in set(filing.linked_with(to_visit.pop())) - reached:
            reached.add(one)
            to_visit.append(one)
    return sorted(reached)


def _of_cylinder(c: Cursor, cylinder_id: UUID, node: str) -> Iterable[Recall]:
    fills = _own_fills(c, cylinder_id, node)
    if not fills:
        return
    found = gather(cylinder_id, Filing(c).look)
    facts, credentials = (
        [Numbered(fact, _place(c, fact.id, node)) for fact in some]
        for some in (found.facts, found.credentials)
    )
    said = {fact.id: fact for fact in found.facts}
    cases: dict[UUID, list[Exposure]] = {}
    for case in exposures_of(cylinder_id, [at for at, _ in fills], facts, credentials):
        cases.setdefault(case.fill.id, []).append(case)
    known = standing_row(c, cylinder_id)
    serial = known.marks[-1].serial if known is not None and known.marks else ""
    for at, fill in fills:
        if at.id in cases and isinstance(fill.fact, FillCompleted):
            yield Recall(
                cylinder_id, serial, fill.performed_on, fill.fact.visit_id, fill.diver_ref,
                tuple(_in_words(said[case.block.id]) for case in cases[at.id]),
                any(case.knew for case in cases[at.id]),
            )  # fmt: skip


def _own_fills(c: Cursor, cylinder_id: UUID, node: str) -> list[tuple[FillAt, Recorded]]:
    """With their places in the order in which facts came here: a fill that is not sent yet has no other."""
    c.execute(_OWN_FILLS, (cylinder_subject(cylinder_id), node, FillCompleted.KIND))
    fills: list[tuple[FillAt, Recorded]] = []
    for arrived, state, is_proven in c.fetchall():
        envelope = read(sealed_of(state).raw)
        fill = record_of(envelope, is_proven=bool(is_proven))
        seen = envelope.event.seen.position
        fills.append((FillAt(fill.id, node, number(arrived), seen, fill.performed_on), fill))
    return fills


def _place(c: Cursor, event_id: UUID, node: str) -> int:
    """Own facts by the order in which they came here, others by the feed: each is compared with its like alone."""
    c.execute(_PLACE, (str(event_id),))
    row = c.fetchone()
    if row is None:
        return NOT_PLACED
    if text(row[0]) == node:
        return number(row[1])
    return NOT_PLACED if row[2] is None else number(row[2])


def _in_words(fact: Recorded) -> Found:
    return Found(block_of(fact, ()).words, fact.node, fact.performed_on)
