"""Fills of a cylinder that was found bad on or before the day of the fill: each (block, fill) once, with one id for ever.

A block that a valid clear had lifted, as far as the filling shop had read, exposes nobody. The rows are a function of
the facts read so far: a case opens again when the proof of that clear falls, and goes when its condemnation is annulled.
"""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from cylinder.exposure import Exposure, FillAt, Numbered, exposures_of
from cylinder.facts import FillCompleted
from cylinder.gather import gather, touched_by
from cylinder.recorded import cylinder_of
from network.projections.filing import Filing, create_filing, filing_tables
from network.projections.projection import Positioned, Projection
from network.store.database import Tx

exposures = Projection(
    name="exposures",
    version=2,
    tables=("exposure", "exposure_fill", *filing_tables("exposure")),
    create=create_filing("exposure")
    + """
create table exposure (
    id          uuid primary key,
    cylinder_id uuid not null,
    block_id    uuid not null,
    fill_id     uuid not null,
    block_kind  text not null,
    block_node  text not null,
    block_on    date not null,
    fill_node   text not null,
    fill_on     date not null,
    fill_position  bigint not null,
    block_position bigint not null,
    diver_ref   text,
    knew        boolean not null
);
create index exposure_by_cylinder on exposure (cylinder_id);
create table exposure_fill (
    fill_id uuid primary key, cylinder_id uuid not null, node text not null, position bigint not null,
    seen_position bigint not null, performed_on date not null, diver_ref text
);
create index exposure_fill_by_cylinder on exposure_fill (cylinder_id);
""",
)

add_fill = "insert into exposure_fill (fill_id, cylinder_id, node, position, seen_position, performed_on, diver_ref) values (%s, %s, %s, %s, %s, %s, %s)"
fills_of = """
select fill_id, node, position, seen_position, performed_on, diver_ref from exposure_fill where cylinder_id = %s
"""
put_exposure = """
insert into exposure (id, cylinder_id, block_id, fill_id, block_kind, block_node, block_on, fill_node, fill_on,
                      fill_position, block_position, diver_ref, knew)
values (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
on conflict (id) do update set cylinder_id = excluded.cylinder_id, knew = excluded.knew
"""
drop_others = "delete from exposure where cylinder_id = %s and id <> all(%s)"


@exposures.on()
def file_away(tx: Tx, at: Positioned) -> None:
    """File every fact that can change a standing, before anything is asked."""
    Filing(tx, "exposure").put(at)


@exposures.on(FillCompleted)
def note_fill(tx: Tx, at: Positioned) -> None:
    """A fill, with how far its shop had read."""
    cylinder_id, record = cylinder_of(at.record.subject), at.record
    if cylinder_id is not None:
        seen = at.event.seen.position
        place = (record.id, cylinder_id, at.node, at.position, seen, record.performed_on)
        tx.execute(add_fill, (*place, record.diver_ref))


@exposures.after_batch
def look_again(tx: Tx, batch: Sequence[Positioned]) -> None:
    """Ask again for every cylinder that the batch touched. A case that was found before keeps its id."""
    filing = Filing(tx, "exposure")
    touched = {one for at in batch for one in touched_by(at.record, filing)}
    filled = {cylinder_of(at.record.subject) for at in batch if isinstance(at.record.fact, FillCompleted)}
    for cylinder_id in sorted(touched | {one for one in filled if one is not None}):
        _settle(tx, cylinder_id, filing)


def _settle(tx: Tx, cylinder_id: UUID, filing: Filing) -> None:
    rows = {row["fill_id"]: row for row in tx.execute(fills_of, (cylinder_id,)).fetchall()}
    cases: tuple[Exposure, ...] = ()
    if rows:
        found = gather(cylinder_id, filing.look)
        facts, credentials = (
            [Numbered(fact, filing.position_of(fact)) for fact in some]
            for some in (found.facts, found.credentials)
        )
        fills = [
            FillAt(fill_id, row["node"], row["position"], row["seen_position"], row["performed_on"])
            for fill_id, row in sorted(rows.items())
        ]
        cases = exposures_of(cylinder_id, fills, facts, credentials)
    for one in cases:
        tx.execute(put_exposure, _columns(cylinder_id, one, rows[one.fill.id]["diver_ref"]))
    tx.execute(drop_others, (cylinder_id, [one.id for one in cases]))


def _columns(cylinder_id: UUID, one: Exposure, diver_ref: str | None) -> tuple[object, ...]:
    block, fill = one.block, one.fill
    return (
        one.id, cylinder_id, block.id, fill.id, block.kind, block.node, block.performed_on, fill.node,
        fill.performed_on, fill.position, block.position, diver_ref, one.knew,
    )  # fmt: skip
