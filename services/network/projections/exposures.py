"""Fills of a cylinder that was found bad on or before the day of the fill: each (block, fill) once, for ever.

A block that a valid clear had lifted, as far as the filling shop had read, exposes nobody. Reading the log again
gives the same cases, since their ids follow from block and fill.
"""

from __future__ import annotations

from uuid import UUID

from cylinder.clearing import may_clear
from cylinder.exposure import EXPOSING_KINDS, BlockAt, FillAt, exposure_id, is_exposed, knew
from cylinder.facts import FillCompleted
from cylinder.recorded import cylinder_of
from network.projections.projection import Positioned, Projection
from network.store.database import Tx

exposures = Projection(
    name="exposures",
    version=1,
    tables=("exposure", "exposure_block", "exposure_fill", "exposure_clear"),
    create="""
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
create table exposure_block (
    block_id uuid primary key, cylinder_id uuid not null, kind text not null, node text not null,
    position bigint not null, performed_on date not null
);
create index exposure_block_by_cylinder on exposure_block (cylinder_id);
create table exposure_fill (
    fill_id uuid primary key, cylinder_id uuid not null, node text not null, position bigint not null,
    seen_position bigint not null, performed_on date not null, diver_ref text
);
create index exposure_fill_by_cylinder on exposure_fill (cylinder_id);
create table exposure_clear (
    block_id uuid not null, clear_id uuid not null, kind text not null, role text not null, node text not null,
    position bigint not null, primary key (block_id, clear_id)
);
""",
)

add_block = "insert into exposure_block (block_id, cylinder_id, kind, node, position, performed_on) values (%s, %s, %s, %s, %s, %s)"
add_fill = "insert into exposure_fill (fill_id, cylinder_id, node, position, seen_position, performed_on, diver_ref) values (%s, %s, %s, %s, %s, %s, %s)"
add_clear = "insert into exposure_clear (block_id, clear_id, kind, role, node, position) values (%s, %s, %s, %s, %s, %s)"
blocks_of = "select block_id, kind, node, position, performed_on from exposure_block where cylinder_id = %s"
fills_of = """
select fill_id, node, position, seen_position, performed_on, diver_ref from exposure_fill where cylinder_id = %s
"""
clears_of = "select kind, role, node, position from exposure_clear where block_id = %s"
add_exposure = """
insert into exposure (id, cylinder_id, block_id, fill_id, block_kind, block_node, block_on, fill_node, fill_on,
                      fill_position, block_position, diver_ref, knew)
values (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
on conflict (id) do nothing
"""


@exposures.on()
def note_clears(tx: Tx, at: Positioned) -> None:
    """Remember which blocks a clear names; whether it may is asked when it counts."""
    if at.record.effect == "clear":
        for block_id in set(at.record.clears):
            place = (block_id, at.record.id, at.record.kind, at.record.role, at.node, at.position)
            tx.execute(add_clear, place)


@exposures.on()
def look_back_from_block(tx: Tx, at: Positioned) -> None:
    """A finding arrived: which fills were made since?"""
    cylinder_id, record = cylinder_of(at.record.subject), at.record
    if cylinder_id is None or record.effect != "block" or record.kind not in EXPOSING_KINDS:
        return
    block = BlockAt(record.id, record.kind, at.node, at.position, record.performed_on)
    tx.execute(add_block, (block.id, cylinder_id, block.kind, block.node, block.position, block.performed_on))
    for row in tx.execute(fills_of, (cylinder_id,)).fetchall():
        fill = FillAt(row["fill_id"], row["node"], row["position"], row["seen_position"], row["performed_on"])
        _note(tx, cylinder_id, block, fill, row["diver_ref"])


@exposures.on(FillCompleted)
def look_back_from_fill(tx: Tx, at: Positioned) -> None:
    """A fill arrived: had the cylinder been found bad?"""
    cylinder_id, record = cylinder_of(at.record.subject), at.record
    if cylinder_id is None:
        return
    fill = FillAt(record.id, at.node, at.position, at.event.seen.position, record.performed_on)
    place = (fill.id, cylinder_id, fill.node, fill.position, fill.seen_position, fill.performed_on)
    tx.execute(add_fill, (*place, record.diver_ref))
    for row in tx.execute(blocks_of, (cylinder_id,)).fetchall():
        block = BlockAt(row["block_id"], row["kind"], row["node"], row["position"], row["performed_on"])
        _note(tx, cylinder_id, block, fill, record.diver_ref)


def _note(tx: Tx, cylinder_id: UUID, block: BlockAt, fill: FillAt, diver_ref: str | None) -> None:
    if not is_exposed(block, fill) or _was_lifted(tx, block, fill):
        return
    tx.execute(
        add_exposure,
        (
            exposure_id(block.id, fill.id),
            cylinder_id,
            block.id,
            fill.id,
            block.kind,
            block.node,
            block.performed_on,
            fill.node,
            fill.performed_on,
            fill.position,
            block.position,
            diver_ref,
            knew(block, fill),
        ),
    )


def _was_lifted(tx: Tx, block: BlockAt, fill: FillAt) -> bool:
    """Whether the filling shop held a valid clear of this block when it filled."""
    return any(
        may_clear(block.kind, row["kind"], row["role"])
        and (
            row["position"] < fill.position
            if row["node"] == fill.node
            else row["position"] <= fill.seen_position
        )
        for row in tx.execute(clears_of, (block.id,)).fetchall()
    )
