"""What one more fact changes beside the log: its index row, the claims, the names, and the standing it touches."""

from __future__ import annotations

from dataclasses import dataclass, field
from uuid import UUID

from branch.store.filing import Filing, file_under_others
from branch.store.rows import Cursor, StoreIsBroken, record_by_id, record_of, standing_row, text
from cylinder.facts import ActorCertified, CylinderReceived, HandedOver, VisitAbandoned
from cylinder.gather import standing_of, touched_by
from cylinder.near import bare, skeleton
from cylinder.recorded import Recorded
from cylinder.standing import matters
from cylinder.visit import visit_of
from eventlog import Envelope


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


def note_fact(
    c: Cursor,
    envelope: Envelope,
    envelope_hash: str,
    position: int | None,
    folded: Folded,
    *,
    is_proven: bool = True,
) -> Recorded:
    """Index a kept envelope. Whatever its kind, this never refuses it."""
    record = _index(c, envelope, envelope_hash, position, folded, is_proven=is_proven)
    if is_proven:
        _note_particulars(c, record)
    return record


def _index(
    c: Cursor,
    envelope: Envelope,
    envelope_hash: str,
    position: int | None,
    folded: Folded,
    *,
    is_proven: bool,
) -> Recorded:
    record, place = record_of(envelope, is_proven=is_proven), envelope.place
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
            envelope_hash,
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
    return record


def note_again(
    c: Cursor,
    envelope: Envelope,
    envelope_hash: str,
    position: int | None,
    folded: Folded,
    *,
    is_proven: bool,
) -> None:
    """A known fact is held under another envelope. Its row keeps its turn: when the fact came does not change."""
    before = record_by_id(c, envelope.event.id)
    if before is not None:
        folded.cylinders |= touched_by(before, Filing(c))
    c.execute("select rowid from fact where event_id = ?", (str(envelope.event.id),))
    row = c.fetchone()
    if row is None:
        raise StoreIsBroken(f"the fact {envelope.event.id} is not held")
    c.execute("delete from fact_about where event_id = ?", (str(envelope.event.id),))
    c.execute("delete from fact where rowid = ?", (row[0],))
    record = _index(c, envelope, envelope_hash, position, folded, is_proven=is_proven)
    c.execute("update fact set rowid = ? where event_id = ?", (row[0], str(envelope.event.id)))
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
    try:
        if now == standing_row(c, cylinder_id):
            return
    except StoreIsBroken:
        pass  # The row is a cache: what cannot be read must not keep a block out, and is written anew.
    c.execute(
        "insert into standing (cylinder_id, document) values (?, ?) "
        "on conflict (cylinder_id) do update set document = excluded.document",
        (str(cylinder_id), now.model_dump_json()),
    )
    for marks in now.marks:
        c.execute(
            "insert or ignore into claim (cylinder_id, bare, skeleton) values (?, ?, ?)",
            (str(cylinder_id), bare(marks.serial), skeleton(marks.serial)),
        )


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
