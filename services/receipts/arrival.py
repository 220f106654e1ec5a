"""What one fact of the feed is to the receipts worker: part of a visit, its end, a block, a shop, a name. Pure.

Must never refuse a fact: one that it cannot use is passed over, and the feed goes on.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from uuid import UUID

from cylinder.facts import ActorCertified, HandedOver, VisitAbandoned
from cylinder.recorded import cylinder_of, recorded
from cylinder.visit import visit_of
from eventlog.envelope import read
from eventlog.wire import FeedItem
from receipts.shop import Shop, enrolled_shop, is_one_line


@dataclass(frozen=True, slots=True)
class Person:
    """One of the staff, by the working name that stands beside their work."""

    actor_id: str
    known_as: str


@dataclass(frozen=True, slots=True)
class Arrival:
    """One fact. `visit_id` or `cylinder_id` says under what it is kept; neither, and it is not kept."""

    id: UUID
    node: str
    raw: str
    received_at: dt.datetime
    diver_ref: str | None = None
    visit_id: UUID | None = None
    cylinder_id: UUID | None = None
    handed: HandedOver | None = None
    is_end_of_visit: bool = False
    shop: Shop | None = None
    person: Person | None = None


def arrival(item: FeedItem, *, hub_node: str) -> Arrival:
    """Read one item of a page. Raises Malformed when it is no envelope."""
    envelope = read(item.raw.encode())
    record = recorded(envelope.event, envelope.place.node)
    fact = record.fact
    handed = fact if isinstance(fact, HandedOver) else None
    return Arrival(
        id=record.id,
        node=record.node,
        raw=item.raw,
        received_at=item.received_at,
        diver_ref=record.diver_ref,
        visit_id=visit_of(record),
        # Also the blocks of kinds that this software does not know: they count by their effect.
        cylinder_id=cylinder_of(record.subject) if record.effect != "neutral" else None,
        handed=handed,
        is_end_of_visit=handed is not None or isinstance(fact, VisitAbandoned),
        shop=enrolled_shop(envelope, hub_node=hub_node),
        person=_person(fact) if isinstance(fact, ActorCertified) else None,
    )


def _person(fact: ActorCertified) -> Person | None:
    return Person(fact.actor_id, fact.known_as) if is_one_line(fact.known_as) else None
