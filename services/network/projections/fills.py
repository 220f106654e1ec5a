"""Every completed fill, with how far its shop had read the feed when it filled."""

from __future__ import annotations

from cylinder.facts import FillCompleted
from cylinder.recorded import cylinder_of
from network.projections.projection import Positioned, Projection
from network.store.database import Tx

fills = Projection(
    name="fills",
    version=1,
    tables=("fill",),
    create="""
create table fill (
    event_id      uuid primary key,
    position      bigint not null unique,
    cylinder_id   uuid not null,
    visit_id      uuid not null,
    node          text not null,
    actor         text not null,
    performed_on  date not null,
    at            timestamptz not null,
    end_words     text not null,
    rated_words   text not null,
    end_psi       double precision not null,
    rated_psi     double precision not null,
    gas           text not null,
    seen_epoch    text not null,
    seen_position bigint not null
);
create index fill_by_cylinder on fill (cylinder_id, position);
""",
)

add_fill = """
insert into fill (event_id, position, cylinder_id, visit_id, node, actor, performed_on, at, end_words, rated_words,
                  end_psi, rated_psi, gas, seen_epoch, seen_position)
values (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
"""


@fills.on(FillCompleted)
def count(tx: Tx, at: Positioned) -> None:
    """One row a fill."""
    fact, cylinder_id = at.record.fact, cylinder_of(at.record.subject)
    if not isinstance(fact, FillCompleted) or cylinder_id is None:
        return
    tx.execute(
        add_fill,
        (
            at.record.id,
            at.position,
            cylinder_id,
            fact.visit_id,
            at.node,
            at.record.actor,
            at.record.performed_on,
            at.record.at,
            fact.end.words,
            fact.rated.words,
            fact.end.pressure.psi,
            fact.rated.pressure.psi,
            fact.gas.words,
            at.event.seen.epoch,
            at.event.seen.position,
        ),
    )
