"""Each cylinder's standing, by the same pure fold as at every shop, and the serials it may be found by."""

from __future__ import annotations

from collections.abc import Sequence

from cylinder.gather import standing_of, touched_by
from cylinder.near import bare, skeleton
from cylinder.standing import Standing, digest
from network.projections.filing import Filing, create_filing, filing_tables
from network.projections.projection import Positioned, Projection
from network.store.database import Tx

cylinders = Projection(
    name="cylinders",
    version=2,
    tables=("cylinder_standing", "cylinder_claim", *filing_tables("cylinder")),
    create=create_filing("cylinder")
    + """
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

put_standing = """
insert into cylinder_standing (cylinder_id, document, is_clear, is_condemned) values (%s, %s, %s, %s)
on conflict (cylinder_id) do update set document = excluded.document, is_clear = excluded.is_clear,
    is_condemned = excluded.is_condemned
"""
put_claim = (
    "insert into cylinder_claim (cylinder_id, bare, skeleton) values (%s, %s, %s) on conflict do nothing"
)
every_standing = "select document from cylinder_standing order by cylinder_id"


@cylinders.on()
def file_away(tx: Tx, at: Positioned) -> None:
    """File every fact that can change a standing, before anything is folded."""
    Filing(tx, "cylinder").put(at)


@cylinders.after_batch
def fold_again(tx: Tx, batch: Sequence[Positioned]) -> None:
    """Fold every cylinder that the batch touched, once, over all that its standing rests on up to here."""
    filing = Filing(tx, "cylinder")
    touched = {cylinder_id for one in batch for cylinder_id in touched_by(one.record, filing)}
    for cylinder_id in sorted(touched):
        _settle(tx, standing_of(cylinder_id, filing.look))


def standing_digest(tx: Tx) -> str:
    """The digest over all kept standings, to compare with other nodes at the same position."""
    return digest(Standing.model_validate_json(row["document"]) for row in tx.execute(every_standing))


def _settle(tx: Tx, now: Standing) -> None:
    tx.execute(put_standing, (now.cylinder_id, now.model_dump_json(), now.is_clear, now.is_condemned))
    for marks in now.marks:
        tx.execute(put_claim, (now.cylinder_id, bare(marks.serial), skeleton(marks.serial)))
