"""The working name that stands beside a judgement."""

from __future__ import annotations

from cylinder.facts import ActorCertified
from network.projections.projection import Positioned, Projection
from network.projections.words import printable
from network.store.database import Tx

actors = Projection(
    name="actors",
    version=2,
    tables=("actor",),
    create="""
create table actor (
    actor_id text primary key, known_as text not null, role text not null, certificate text not null, node text not null
);
""",
)

put_actor = """
insert into actor (actor_id, known_as, role, certificate, node) values (%s, %s, %s, %s, %s)
on conflict (actor_id) do update set known_as = excluded.known_as, role = excluded.role,
    certificate = excluded.certificate
    where actor.node = excluded.node
"""


@actors.on(ActorCertified)
def know(tx: Tx, at: Positioned) -> None:
    """The latest word on a member of staff, of the shop that took them on: no other shop may say who they are."""
    fact = at.record.fact
    if isinstance(fact, ActorCertified):
        actor_id, known_as, certificate = map(printable, (fact.actor_id, fact.known_as, fact.certificate))
        tx.execute(put_actor, (actor_id, known_as, fact.role, certificate, at.node))
