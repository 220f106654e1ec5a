"""Whom a late finding calls back: fills of cylinders that were found bad, by the diver who has them. Rows and look-ups.

Owns `fill`, `place`, `serial`, `recall` and `recall_letter`, and never opens a transaction: it is handed one. The rules
are the network's own (`cylinder.exposure`). Must never call back the same diver for the same cylinder and fill twice.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID, uuid5

from cylinder.exposure import Exposure, FillAt, Numbered, exposures_of
from cylinder.gather import gather
from cylinder.identity import beside, kin
from cylinder.recorded import Recorded, cylinder_of, origin_of, recorded
from eventlog.envelope import read
from receipts.arrival import Arrival

GATHER_FOR = dt.timedelta(seconds=5)
"""A letter waits so long for other findings that came at the same time: a diver gets one and not forty."""
OLDEST_RECALL = dt.timedelta(days=30)
"""What reached the hub longer ago is not mailed any more: it keeps an emptied ledger from mailing years again."""
TOO_OLD = "the finding reached the hub more than 30 days before it was read here"

_LETTERS = UUID("0f0d7c52-7a51-5f0e-9d0b-6a4a1f5f2b10")

put_fill = """
insert into fill (fill_id, node, cylinder_id, diver_ref, performed_on, position, seen_position)
values (?, ?, ?, ?, ?, ?, ?)
on conflict (fill_id) do update set position = excluded.position
"""
put_place = """
insert into place (id, position) values (?, ?) on conflict (id) do update set position = excluded.position
"""
put_serial = """
insert into serial (cylinder_id, serial) values (?, ?)
on conflict (cylinder_id) do update set serial = excluded.serial
"""
fills_of = """
select fill_id, node, position, seen_position, performed_on, diver_ref from fill where cylinder_id = ? order by fill_id
"""
filled_and_filed = """
select distinct f.cylinder_id from fill f join filed x on x.subject = 'cylinder/' || f.cylinder_id
"""
facts_filed = "select x.raw, coalesce(p.position, 0) from filed x left join place p on p.id = x.id where x.subject = ? order by x.id"
told = "select told_on from recall where diver_ref = ? and cylinder_id = ?"
put_recall = """
insert into recall (diver_ref, cylinder_id, letter_id, told_on) values (?, ?, ?, ?)
on conflict (diver_ref, cylinder_id) do update set letter_id = excluded.letter_id, told_on = excluded.told_on
"""
open_letter = """
select r.handover_id from receipt r join recall_letter l on l.letter_id = r.handover_id
where r.diver_ref = ? and r.state = 'due' and r.attempts = 0 and r.doubts = 0 order by r.due_at limit 1
"""
add_letter = """
insert or ignore into receipt (handover_id, node, diver_ref, state, reason, due_at, next_try_at, changed_at)
values (?, ?, ?, ?, ?, ?, ?, ?)
"""
note_letter = "insert or ignore into recall_letter (letter_id) values (?)"
called_back = "select diver_ref, cylinder_id from recall where letter_id = ? order by cylinder_id"
serial_of = "select serial from serial where cylinder_id = ?"
is_recall = "select 1 from recall_letter where letter_id = ?"


@dataclass(frozen=True, slots=True)
class CalledBack:
    """One cylinder that a diver has to be told of: what it is called, and the cases against it."""

    serial: str
    cases: tuple[Exposure, ...]


def note(db: sqlite3.Connection, arrival: Arrival) -> None:
    """Keep what a recall may one day need of a fact."""
    if arrival.filed_under:
        db.execute(put_place, (str(arrival.id), arrival.position))
    if arrival.serial is not None:
        db.execute(put_serial, (str(arrival.serial[0]), arrival.serial[1]))
    if arrival.fill is not None:
        fill = arrival.fill
        where = (arrival.position, fill.seen_position)
        who = (str(arrival.id), arrival.node, str(fill.cylinder_id), arrival.diver_ref)
        db.execute(put_fill, (*who, fill.performed_on.isoformat(), *where))


def call_back(
    db: sqlite3.Connection, arrivals: Sequence[Arrival], *, hub_time: dt.datetime, now: dt.datetime
) -> None:
    """After a page: a letter for every diver who may have a cylinder that it shows to be bad."""
    # What is said of the cylinders themselves first: a word about people in the same page makes no old case a new one.
    for by_people in (False, True):
        for cylinder_id, received_at in sorted(_touched(db, arrivals, by_people=by_people).items()):
            by_diver: dict[str, list[Exposure]] = {}
            for diver_ref, case in _exposed(db, cylinder_id):
                by_diver.setdefault(diver_ref, []).append(case)
            is_old = hub_time - received_at > OLDEST_RECALL
            for diver_ref, cases in sorted(by_diver.items()):
                _tell(db, diver_ref, cylinder_id, cases, is_old=is_old, now=now)


def is_letter(db: sqlite3.Connection, letter_id: UUID) -> bool:
    """Whether this is a recall and no receipt of a hand-over."""
    return db.execute(is_recall, (str(letter_id),)).fetchone() is not None


def in_letter(db: sqlite3.Connection, letter_id: UUID) -> tuple[CalledBack, ...]:
    """What a letter has to say by now: a finding that was annulled since says nothing any more."""
    found: list[CalledBack] = []
    for diver_ref, cylinder_id in db.execute(called_back, (str(letter_id),)).fetchall():
        cases = tuple(case for who, case in _exposed(db, UUID(cylinder_id)) if who == diver_ref)
        if cases:
            row = db.execute(serial_of, (cylinder_id,)).fetchone()
            found.append(CalledBack("" if row is None else str(row[0]), cases))
    return tuple(found)


def _tell(
    db: sqlite3.Connection,
    diver_ref: str,
    cylinder_id: UUID,
    cases: Sequence[Exposure],
    *,
    is_old: bool,
    now: dt.datetime,
) -> None:
    row = db.execute(told, (diver_ref, str(cylinder_id))).fetchone()
    news = [case for case in cases if row is None or case.fill.performed_on > dt.date.fromisoformat(row[0])]
    if not news:
        return
    latest = max(news, key=lambda case: (case.fill.performed_on, case.fill.position))
    waiting = None if is_old else db.execute(open_letter, (diver_ref,)).fetchone()
    letter_id = str(uuid5(_LETTERS, f"{diver_ref} {latest.id}")) if waiting is None else str(waiting[0])
    if waiting is None:
        state, reason = ("dropped", TOO_OLD) if is_old else ("due", "")
        times = (_text(now), _text(now + GATHER_FOR), _text(now))
        db.execute(add_letter, (letter_id, latest.fill.node, diver_ref, state, reason, *times))
        db.execute(note_letter, (letter_id,))
    db.execute(put_recall, (diver_ref, str(cylinder_id), letter_id, now.date().isoformat()))


def _touched(
    db: sqlite3.Connection, arrivals: Iterable[Arrival], *, by_people: bool
) -> dict[UUID, dt.datetime]:
    """The cylinders whose cases this page may have changed, and when the hub got the last fact that did.

    One too many is slow; one too few is a diver untold.
    """
    starts: dict[UUID, dt.datetime] = {}
    for arrival in arrivals:
        found = [cylinder_of(subject) for subject in arrival.filed_under]
        if not by_people:
            near = [one for one in found if one is not None]
            near += [] if arrival.fill is None else [arrival.fill.cylinder_id]
        else:  # A word about people or keys: whatever rests on it may stand otherwise now.
            near = [UUID(row[0]) for row in db.execute(filled_and_filed).fetchall()] if None in found else []
        for one in near:
            starts[one] = max(arrival.received_at, starts.get(one, arrival.received_at))
    reached: dict[UUID, dt.datetime] = {}
    for start, at in starts.items():
        for one in _family(db, start):
            reached[one] = max(at, reached.get(one, at))
    return reached


def _family(db: sqlite3.Connection, cylinder_id: UUID) -> frozenset[UUID]:
    facts = gather(cylinder_id, _Look(db)).facts
    return kin(cylinder_id, facts) if any(map(beside, facts)) else frozenset({cylinder_id})


def _exposed(db: sqlite3.Connection, cylinder_id: UUID) -> list[tuple[str, Exposure]]:
    """The cases of a cylinder's own fills whose diver is known, each with the diver."""
    rows = db.execute(fills_of, (str(cylinder_id),)).fetchall()
    if not rows:
        return []
    look = _Look(db)
    found = gather(cylinder_id, look)
    if not any(fact.effect == "block" for fact in found.facts):
        return []
    fills = [FillAt(UUID(row[0]), row[1], row[2], row[3], dt.date.fromisoformat(row[4])) for row in rows]
    facts, credentials = (
        [Numbered(fact, look.position[fact.id]) for fact in some] for some in (found.facts, found.credentials)
    )
    divers = {UUID(row[0]): row[5] for row in rows}
    cases = exposures_of(cylinder_id, fills, facts, credentials)
    return [(divers[case.fill.id], case) for case in cases if divers[case.fill.id] is not None]


def _text(at: dt.datetime) -> str:
    """As the ledger writes times: UTC with six decimals, so that texts compare as the times do."""
    return at.astimezone(dt.UTC).isoformat(timespec="microseconds")


class _Look:
    """What is filed under a subject, and where in the feed it stands."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self.position: dict[UUID, int] = {}

    def __call__(self, subject: str) -> list[Recorded]:
        found: list[Recorded] = []
        for raw, position in self._db.execute(facts_filed, (subject,)).fetchall():
            envelope = read(str(raw).encode())
            found.append(recorded(envelope.event, origin_of(envelope.place)))
            self.position[found[-1].id] = int(position)
        return found
