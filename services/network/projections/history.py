"""What happened to each cylinder at every shop, one row a fact, in words."""

from __future__ import annotations

from cylinder.facts import CylinderIdentified
from cylinder.recorded import cylinder_of
from cylinder.visit import visit_of
from network.projections.projection import Positioned, Projection
from network.projections.words import told
from network.store.database import Tx

history = Projection(
    name="history",
    version=3,
    tables=("history", "visit_cylinder"),
    create="""
create table history (
    position     bigint primary key,
    event_id     uuid not null unique,
    cylinder_id  uuid,
    visit_id     uuid,
    node         text not null,
    actor        text not null,
    kind         text not null,
    effect       text not null,
    performed_on date not null,
    at           timestamptz not null,
    received_at  timestamptz not null,
    title        text not null,
    detail       text not null,
    clears       uuid[] not null
);
create index history_by_cylinder on history (cylinder_id, position);
create index history_by_visit on history (visit_id, position);
create table visit_cylinder (
    visit_id uuid not null, node text not null, cylinder_id uuid not null, primary key (visit_id, node)
);
create index visit_cylinder_by_cylinder on visit_cylinder (cylinder_id);
""",
)

add_row = """
insert into history (position, event_id, cylinder_id, visit_id, node, actor, kind, effect, performed_on, at,
                     received_at, title, detail, clears)
values (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
"""
tie_visit = """
insert into visit_cylinder (visit_id, node, cylinder_id) values (%s, %s, %s)
on conflict (visit_id, node) do update set cylinder_id = excluded.cylinder_id
"""


@history.on()
def tell(tx: Tx, fact: Positioned) -> None:
    """A row for everything about a cylinder or a visit."""
    record = fact.record
    cylinder_id, visit_id = cylinder_of(record.subject), visit_of(record)
    if cylinder_id is None and visit_id is None:
        return
    words = told(record)
    tx.execute(
        add_row,
        (
            fact.position,
            record.id,
            cylinder_id,
            visit_id,
            fact.node,
            record.actor,
            record.kind,
            record.effect,
            record.performed_on,
            record.at,
            fact.received_at,
            words.title,
            words.detail,
            list(record.clears),
        ),
    )


@history.on(CylinderIdentified)
def tie(tx: Tx, fact: Positioned) -> None:
    """From here on the visit's earlier facts belong to this cylinder too: those of the shop that says so."""
    identified, cylinder_id = fact.record.fact, cylinder_of(fact.record.subject)
    if isinstance(identified, CylinderIdentified) and cylinder_id is not None:
        tx.execute(tie_visit, (identified.visit_id, fact.node, cylinder_id))
