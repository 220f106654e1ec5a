"""What one more fact changes beside the log: its index row, the claims, the names, and the standing it touches."""

from __future__ import annotations

from dataclasses import dataclass, field
from uuid import UUID

from branch.store.claims import keep_claims, note_claim
from branch.store.filing import Filing, file_under_others
from branch.store.rows import (
    Cursor,
    StoreIsBroken,
    cached_standing,
    is_unfolded,
    record_by_id,
    record_in,
    text,
    unfolded,
)
from cylinder.facts import (
    ActorCertified,
    CylinderIdentified,
    CylinderReceived,
    CylinderRegistered,
    HandedOver,
    VisitAbandoned,
)
from cylinder.gather import standing_of, touched_by
from cylinder.recorded import Recorded, cylinder_of
from cylinder.standing import matters
from cylinder.visit import visit_of
from eventlog.chain import Link


@dataclass
class Folded:
    """The cylinders whose standing must be folded again before the transaction ends."""

    cylinders: set[UUID] = field(default_factory=set)

    def settle(self, c: Cursor) -> frozenset[UUID]:
        """Fold them, write what changed, and give which they were."""
        settled = frozenset(self.cylinders)
        for cylinder_id in sorted(settled):
            settle_standing(c, cylinder_id)
        self.cylinders.clear()  # A second append in the same transaction folds only what it touched itself.
        return settled

    def put_off(self, c: Cursor) -> None:
        """Fold them later: whoever looks one up folds it then. While a long feed is read, a cylinder that comes in a
        hundred pages is folded once."""
        for one in sorted(self.cylinders):
            c.execute("insert or ignore into unfolded (cylinder_id) values (?)", (str(one),))
        self.cylinders.clear()


def fold_put_off(c: Cursor, most: int) -> int:
    """Fold some of those that were put off; gives how many there were to fold."""
    waiting = unfolded(c, most)
    for cylinder_id in waiting:
        settle_standing(c, cylinder_id)
    return len(waiting)


def note_fact(
    c: Cursor,
    link: Link,
    position: int | None,
    folded: Folded,
    *,
    is_proven: bool = True,
) -> Recorded:
    """Index a kept envelope. Whatever its kind, this never refuses it."""
    record = _index(c, link, position, folded, is_proven=is_proven)
    if is_proven:
        _note_particulars(c, record)
    return record


def _index(
    c: Cursor,
    link: Link,
    position: int | None,
    folded: Folded,
    *,
    is_proven: bool,
) -> Recorded:
    record, place = record_in(link.sealed, is_proven=is_proven), link.envelope.place
    visit_id = visit_of(record)
    does_matter = matters(record)
    c.execute(
        "insert into fact (event_id, inc, seq, node, position, envelope_hash, kind, effect, matters, subject, visit_id, at, "
        "actor, is_proven) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            str(record.id),
            place.inc.hex,
            place.seq,
            place.node,
            position,
            link.hash,
            record.kind,
            record.effect,
            int(does_matter),
            record.subject,
            None if visit_id is None else str(visit_id),
            record.at.isoformat(),
            record.actor,
            int(is_proven),
        ),
    )
    if does_matter:
        file_under_others(c, record)
        folded.cylinders |= touched_by(record, Filing(c))
        _claim_marks(c, record)
    return record


def note_again(
    c: Cursor,
    link: Link,
    position: int | None,
    folded: Folded,
    *,
    is_proven: bool,
) -> None:
    """A known fact is held under another envelope. Its row keeps its turn: when the fact came does not change."""
    event_id = link.envelope.event.id
    before = record_by_id(c, event_id)
    if before is not None:
        folded.cylinders |= touched_by(before, Filing(c))
    c.execute("select rowid from fact where event_id = ?", (str(event_id),))
    row = c.fetchone()
    if row is None:
        raise StoreIsBroken(f"the fact {event_id} is not held")
    c.execute("delete from fact_about where event_id = ?", (str(event_id),))
    c.execute("delete from fact where rowid = ?", (row[0],))
    record = _index(c, link, position, folded, is_proven=is_proven)
    c.execute("update fact set rowid = ? where event_id = ?", (row[0], str(event_id)))
    was_good = before is not None and before.origin.is_proven and before.says_the_same_as(record)
    if (
        is_proven and not was_good
    ):  # Otherwise an old word about a visit or a person would become the last one.
        _note_particulars(c, record)


def note_believed(c: Cursor, event_id: UUID, folded: Folded) -> None:
    """The signature of a held fact was checked after all: it counts in full from now on."""
    c.execute("update fact set is_proven = 1 where event_id = ?", (str(event_id),))
    record = record_by_id(c, event_id)
    if record is not None:
        folded.cylinders |= touched_by(record, Filing(c))
        _note_particulars(c, record)


def settle_standing(c: Cursor, cylinder_id: UUID) -> None:
    """Fold a cylinder's facts again and keep the result with its claims."""
    now = standing_of(cylinder_id, Filing(c).look)
    if is_unfolded(c, cylinder_id):
        c.execute("delete from unfolded where cylinder_id = ?", (str(cylinder_id),))
    try:
        if now == cached_standing(c, cylinder_id):
            return
    except StoreIsBroken:
        pass  # The row is a cache: what cannot be read must not keep a block out, and is written anew.
    c.execute(
        "insert into standing (cylinder_id, document) values (?, ?) "
        "on conflict (cylinder_id) do update set document = excluded.document",
        (str(cylinder_id), now.model_dump_json()),
    )
    keep_claims(c, cylinder_id, [marks.serial for marks in now.marks])


def _claim_marks(c: Cursor, record: Recorded) -> None:
    """A cylinder is found by its serial from the first fact on, folded or not."""
    cylinder_id = cylinder_of(record.subject)
    match record.fact:
        case CylinderRegistered(marks=marks) | CylinderIdentified(marks=marks) if cylinder_id is not None:
            note_claim(c, cylinder_id, marks.serial)
        case _:
            pass


def _note_particulars(c: Cursor, record: Recorded) -> None:
    match record.fact:
        case CylinderReceived(visit_id=visit_id):
            c.execute(
                "insert or ignore into open_visit (visit_id, node) values (?, ?)",
                (str(visit_id), record.node),
            )
        case HandedOver(visit_id=visit_id) | VisitAbandoned(visit_id=visit_id):
            # Only the shop where it is can end a visit, whatever another shop's fact says.
            c.execute("delete from open_visit where visit_id = ? and node = ?", (str(visit_id), record.node))
        case ActorCertified() as certified if _may_certify(c, record, certified.actor_id):
            c.execute(
                "insert into actor_name (actor_id, known_as, role, certificate, certificate_until) values (?, ?, ?, ?, ?) "
                "on conflict (actor_id) do update set known_as = excluded.known_as, role = excluded.role, "
                "certificate = excluded.certificate, certificate_until = excluded.certificate_until",
                (
                    certified.actor_id,
                    certified.known_as,
                    certified.role,
                    certified.certificate,
                    certified.certificate_until,
                ),
            )
        case _:
            pass


def _may_certify(c: Cursor, record: Recorded, actor_id: str) -> bool:
    """Whether this node took the person on: no other shop changes their name, role or certificate.

    Sessions take the role from here, so whoever could would make an inspector of an operator of ours. A staff id
    is random: nobody can have said a word about it before its own shop did.
    """
    if record.subject != f"actor/{actor_id}":
        return False
    c.execute(
        "select node from fact where subject = ? and kind = ? order by rowid limit 1",
        (record.subject, ActorCertified.KIND),
    )
    first = c.fetchone()
    return first is not None and text(first[0]) == record.node
