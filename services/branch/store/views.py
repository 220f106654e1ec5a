"""Look-ups for decisions and pages. They read; they never write, and never decide."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from branch.store.claims import near_claims
from branch.store.filing import Filing
from branch.store.known_against import known_ids
from branch.store.rows import (
    Cursor,
    StoreIsBroken,
    facts_of_kinds,
    facts_of_visit,
    is_unfolded,
    number,
    own_standing,
    standing_row,
    text,
    with_known_against,
)
from cylinder.around import LookAlike
from cylinder.basis import Basis
from cylinder.facts import DoorOpened, PeopleOut
from cylinder.gather import gather, standing_of
from cylinder.marks import Marks
from cylinder.near import likeness
from cylinder.oxygen import OXYGEN_KINDS, OxygenService, oxygen_service_of
from cylinder.recorded import HUB, Recorded, actor_subject, cylinder_subject, node_subject
from cylinder.standing import Standing, digest
from cylinder.visit import Visit, visit

MOST_CLEAR_LOOK_ALIKES = 12


@dataclass(frozen=True, slots=True)
class Backlog:
    """What the hub has not acknowledged yet."""

    facts: int
    oldest_at: dt.datetime | None


def open_visits(c: Cursor, node: str) -> dict[UUID, Visit]:
    """Every visit on this shop's floor, folded from the log."""
    c.execute("select visit_id from open_visit where node = ?", (node,))
    ids = [UUID(text(row[0])) for row in c.fetchall()]
    return {visit_id: visit(visit_id, facts_of_visit(c, visit_id, node)) for visit_id in ids}


def look_alikes(c: Cursor, marks: Marks) -> tuple[LookAlike, ...]:
    """Cylinders whose serial may be the one keyed: nearest first, blocked before clear."""
    return near_serial(c, marks.serial)


def near_serial(c: Cursor, serial: str) -> tuple[LookAlike, ...]:
    """Cylinders on record within one slip, a head left out, or any number of misread signs of `serial`.

    However many are near, none that is blocked is left out; of the clear ones the nearest are enough.
    """
    found: dict[UUID, LookAlike] = {}
    to_look_at = [near.cylinder_id for near in near_claims(c, serial)]
    met = set(to_look_at)
    while to_look_at:  # Ends: no cylinder is met twice.
        cylinder_id = to_look_at.pop()
        known = standing_row(c, cylinder_id)
        if known is not None and is_unfolded(c, cylinder_id):  # Its serial is that of the linked ones too.
            to_look_at += set(known.linked) - met
            met |= set(known.linked)
        nearest = _nearest(serial, known) if known else None
        if known is not None and nearest is not None:
            found[cylinder_id] = nearest
    ranked = sorted(
        found.values(), key=lambda one: (one.likeness.distance, one.standing.is_clear, one.cylinder_id)
    )
    clear = [one for one in ranked if one.standing.is_clear]
    left_out = {one.cylinder_id for one in clear[MOST_CLEAR_LOOK_ALIKES:]}
    return tuple(one for one in ranked if one.cylinder_id not in left_out)


def people_out_at(c: Cursor, node: str) -> dt.datetime | None:
    """When the fill area was last cleared, unless the door was opened since; by the order of this shop's log."""
    c.execute(
        "select kind, at from fact where node = ? and kind in (?, ?) and is_proven = 1 order by rowid desc limit 1",
        (node, PeopleOut.KIND, DoorOpened.KIND),
    )
    row = c.fetchone()
    if row is None or text(row[0]) == DoorOpened.KIND:
        return None
    return dt.datetime.fromisoformat(text(row[1]))


def names(c: Cursor) -> tuple[dict[str, str], dict[str, str]]:
    """The shops' names by node and the staff's working names by actor id."""
    c.execute("select node, name from node_key")
    shops = {text(row[0]): text(row[1]) for row in c.fetchall()}
    c.execute("select actor_id, known_as from actor_name")
    staff = {text(row[0]): text(row[1]) for row in c.fetchall()}
    return shops, staff


def backlog(c: Cursor) -> Backlog:
    """How much of the own log the hub has not acknowledged, and since when."""
    c.execute(
        "select count(*), min(f.at) from fact f join node n on f.inc = replace(n.inc, '-', '') where f.seq > n.acked_seq"
    )
    row = c.fetchone()
    if row is None:
        return Backlog(0, None)
    return Backlog(number(row[0]), None if row[1] is None else dt.datetime.fromisoformat(text(row[1])))


def standings(c: Cursor, cylinder_ids: Iterable[UUID]) -> tuple[Standing, ...]:
    """The standings of these cylinders."""
    found = (standing_row(c, cylinder_id) for cylinder_id in cylinder_ids)
    return tuple(one for one in found if one is not None)


def every_standing(c: Cursor) -> tuple[Standing, ...]:
    """All standings, and what the hub's list knows beyond them. Raises StoreIsBroken."""
    return standings(c, sorted({*standing_ids(c), *known_ids(c)}))


def standing_ids(c: Cursor) -> tuple[UUID, ...]:
    """Every cylinder that has a standing, folded yet or not, in order."""
    c.execute("select cylinder_id from standing union select cylinder_id from unfolded order by cylinder_id")
    return tuple(UUID(text(row[0])) for row in c.fetchall())


def folded_again(c: Cursor, cylinder_id: UUID) -> Standing | None:
    """What is held against a cylinder, folded now. Raises StoreIsBroken when the cached standing says otherwise."""
    return with_known_against(c, cylinder_id, checked_standing(c, cylinder_id))


def checked_standing(c: Cursor, cylinder_id: UUID) -> Standing | None:
    """The standing as the facts give it now. Raises StoreIsBroken when the cached one says otherwise."""
    cached = own_standing(c, cylinder_id)
    if cached is not None and cached != standing_of(cylinder_id, Filing(c).look):
        raise StoreIsBroken(f"the cached standing of {cylinder_id} is not what its facts say")
    return cached


def basis_of(c: Cursor, cylinder_id: UUID) -> Basis:
    """All that the standing of a cylinder rests on."""
    found = gather(cylinder_id, Filing(c).look)
    return Basis.of(cylinder_id, found.facts, found.credentials)


def credentials(c: Cursor, actor_id: str, node: str) -> tuple[Recorded, ...]:
    """What is known of a member of staff and of the keys of their node, the network's word included."""
    look = Filing(c).look
    return tuple(
        fact
        for subject in (actor_subject(actor_id), node_subject(node), node_subject(HUB))
        for fact in look(subject)
    )


def oxygen_service(c: Cursor, known: Standing, today: dt.date, months: int) -> OxygenService:
    """Whether a cylinder is clean for oxygen, from the facts of all its records."""
    history = [
        fact
        for record in (known.cylinder_id, *known.linked)
        for fact in facts_of_kinds(c, cylinder_subject(record), OXYGEN_KINDS)
    ]
    behind = dict.fromkeys(node_subject(node) for node in (HUB, *(fact.node for fact in history)))
    behind |= dict.fromkeys(actor_subject(fact.actor) for fact in history)
    look = Filing(c).look
    vouching = [fact for subject in behind for fact in look(subject)]
    return oxygen_service_of(history, today, standing=known, credentials=vouching, months=months)


def standing_digest(c: Cursor) -> str:
    """The digest of all cached standings, to compare with other nodes at the same position."""
    found = (own_standing(c, cylinder_id) for cylinder_id in standing_ids(c))
    return digest(one for one in found if one is not None)


def _nearest(serial: str, known: Standing) -> LookAlike | None:
    near = [(likeness(serial, marks.serial), marks) for marks in known.marks]
    best = min(
        ((like, marks) for like, marks in near if like is not None),
        key=lambda one: one[0].distance,
        default=None,
    )
    if best is None:
        return None
    like, marks = best
    return LookAlike(cylinder_id=known.cylinder_id, marks=marks, standing=known, likeness=like)


def ended_visit(c: Cursor, visit_id: UUID, node: str) -> Visit | None:
    """A visit of this shop that is not on the floor any more, or None when there never was one."""
    facts = facts_of_visit(c, visit_id, node)
    return visit(visit_id, facts) if facts else None
