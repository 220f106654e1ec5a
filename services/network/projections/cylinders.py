"""Each cylinder's standing, by the same pure fold as at every shop, and the serials it may be found by."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from cylinder.near import bare, skeleton
from cylinder.recorded import Recorded, cylinder_of, cylinder_subject
from cylinder.standing import Standing, digest, matters, standing
from network.projections.projection import Positioned, Projection, positioned
from network.store.database import Tx

cylinders = Projection(
    name="cylinders",
    version=1,
    tables=("cylinder_standing", "cylinder_claim"),
    create="""
create table cylinder_standing (
    cylinder_id uuid primary key,
    document    text not null,
    is_clear    boolean not null,
    is_condemned boolean not null
);
create table cylinder_claim (
    cylinder_id uuid not null,
    bare        text not null,
    skeleton    text not null,
    primary key (cylinder_id, bare)
);
create index cylinder_claim_by_skeleton on cylinder_claim (skeleton text_pattern_ops);
""",
)

facts_of_subject = """
select f.position, f.received_at, f.node, s.state
from feed f join stored_events s on s.originator_id = f.inc and s.originator_version = f.seq
where f.subject = %s and f.position <= %s order by f.position
"""
put_standing = """
insert into cylinder_standing (cylinder_id, document, is_clear, is_condemned) values (%s, %s, %s, %s)
on conflict (cylinder_id) do update set document = excluded.document, is_clear = excluded.is_clear,
    is_condemned = excluded.is_condemned
"""
put_claim = (
    "insert into cylinder_claim (cylinder_id, bare, skeleton) values (%s, %s, %s) on conflict do nothing"
)
every_standing = "select document from cylinder_standing order by cylinder_id"


@cylinders.after_batch
def fold_again(tx: Tx, batch: Sequence[Positioned]) -> None:
    """Fold every cylinder that the batch touched, once, over all its facts up to here."""
    touched = {cylinder_of(one.record.subject) for one in batch if matters(one.record)}
    for cylinder_id in sorted(one for one in touched if one is not None):
        _settle(tx, standing(cylinder_id, facts_of(tx, cylinder_id, up_to=batch[-1].position)))


def facts_of(tx: Tx, cylinder_id: UUID, *, up_to: int) -> list[Recorded]:
    """The facts of a cylinder, as they were numbered."""
    rows = tx.execute(facts_of_subject, (cylinder_subject(cylinder_id), up_to), prepare=True)
    return [
        positioned(row["position"], row["received_at"], row["node"], bytes(row["state"])).record
        for row in rows
    ]


def standing_digest(tx: Tx) -> str:
    """The digest over all kept standings, to compare with other nodes at the same position."""
    return digest(Standing.model_validate_json(row["document"]) for row in tx.execute(every_standing))


def _settle(tx: Tx, now: Standing) -> None:
    tx.execute(put_standing, (now.cylinder_id, now.model_dump_json(), now.is_clear, now.is_condemned))
    for marks in now.marks:
        tx.execute(put_claim, (now.cylinder_id, bare(marks.serial), skeleton(marks.serial)))
