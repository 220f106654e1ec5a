"""Each cylinder's standing, by the same pure fold as at every shop, and the serials it may be found by."""

from __future__ import annotations

from collections.abc import Sequence

from cylinder.gather import standing_of, touched_by
from cylinder.near import Near, asked_keys, bare, near_keys, rank, skeleton
from cylinder.standing import Standing, digest
from network.projections.filing import Filing, create_filing, filing_tables
from network.projections.projection import Positioned, Projection
from network.store.database import Tx

near_index = (
    "create index cylinder_claim_near on cylinder_claim using gin (near_keys) with (fastupdate = off);\n"
)
cylinders = Projection(
    name="cylinders",
    version=3,
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
    near_keys   integer[] not null,
    primary key (cylinder_id, bare)
);
"""
    + near_index,
)

put_standing = """
insert into cylinder_standing (cylinder_id, document, is_clear, is_condemned) values (%s, %s, %s, %s)
on conflict (cylinder_id) do update set document = excluded.document, is_clear = excluded.is_clear,
    is_condemned = excluded.is_condemned
"""
put_claim = """
insert into cylinder_claim (cylinder_id, bare, skeleton, near_keys) values (%s, %s, %s, %s) on conflict do nothing
"""
near = "select cylinder_id, bare from cylinder_claim where near_keys && %s::integer[]"
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


def near_claims(tx: Tx, serial: str) -> tuple[Near, ...]:
    """Every cylinder whose serial may be this one, nearest first."""
    rows = tx.execute(near, (list(asked_keys(serial)),)).fetchall()
    return rank(serial, [(row["cylinder_id"], row["bare"]) for row in rows])


def standing_digest(tx: Tx) -> str:
    """The digest over all kept standings, to compare with other nodes at the same position."""
    return digest(Standing.model_validate_json(row["document"]) for row in tx.execute(every_standing))


def _settle(tx: Tx, now: Standing) -> None:
    tx.execute(put_standing, (now.cylinder_id, now.model_dump_json(), now.is_clear, now.is_condemned))
    for marks in now.marks:
        serial = marks.serial
        tx.execute(put_claim, (now.cylinder_id, bare(serial), skeleton(serial), list(near_keys(serial))))
