"""What one fact of the feed is to the receipts worker: part of a visit, its end, a block, a shop, a name. Pure.

Must never refuse a fact: one that it cannot use is passed over, and the feed goes on.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from uuid import UUID

from cylinder.annulment import ANNULMENT_KINDS
from cylinder.facts import (
    ActorCertified,
    CylinderIdentified,
    CylinderRegistered,
    FillCompleted,
    HandedOver,
    VisitAbandoned,
)
from cylinder.gather import filed_under
from cylinder.identity import IDENTITY_KINDS
from cylinder.proof import CREDENTIAL_KINDS
from cylinder.recorded import Recorded, cylinder_of, origin_of, recorded
from cylinder.visit import visit_of
from eventlog.envelope import read
from eventlog.wire import FeedItem
from receipts.shop import Shop, enrolled_shop, is_one_line

_RESTS_ON = IDENTITY_KINDS | ANNULMENT_KINDS | CREDENTIAL_KINDS


@dataclass(frozen=True, slots=True)
class Person:
    """One of the staff, by the working name that stands beside their work."""

    actor_id: str
    known_as: str


@dataclass(frozen=True, slots=True)
class Fill:
    """A completed fill, and how far its shop had read the feed."""

    cylinder_id: UUID
    performed_on: dt.date
    seen_position: int


@dataclass(frozen=True, slots=True)
class Arrival:
    """One fact. `visit_id` or `filed_under` says under what it is kept; neither, and it is not kept."""

    id: UUID
    node: str
    raw: str
    received_at: dt.datetime
    diver_ref: str | None = None
    visit_id: UUID | None = None
    filed_under: tuple[str, ...] = ()
    """The subjects under which what is held against a cylinder looks for it."""
    handed: HandedOver | None = None
    is_end_of_visit: bool = False
    shop: Shop | None = None
    person: Person | None = None
    position: int = 0
    fill: Fill | None = None
    serial: tuple[UUID, str] | None = None
    """A cylinder, and what its serial was read as."""


def arrival(item: FeedItem, *, hub_node: str) -> Arrival:
    """Read one item of a page. Raises Malformed when it is no envelope."""
    envelope = read(item.raw.encode())
    record = recorded(envelope.event, origin_of(envelope.place))
    fact = record.fact
    handed = fact if isinstance(fact, HandedOver) else None
    return Arrival(
        id=record.id,
        node=record.node,
        raw=item.raw,
        received_at=item.received_at,
        diver_ref=record.diver_ref,
        visit_id=visit_of(record),
        filed_under=filed_under(record) if _may_block_or_clear(record) else (),
        handed=handed,
        is_end_of_visit=handed is not None or isinstance(fact, VisitAbandoned),
        shop=enrolled_shop(envelope, hub_node=hub_node),
        person=_person(fact) if isinstance(fact, ActorCertified) else None,
        position=item.position,
        fill=_fill(record, envelope.event.seen.position),
        serial=_serial(record),
    )


def _fill(record: Recorded, seen_position: int) -> Fill | None:
    cylinder_id = cylinder_of(record.subject)
    if cylinder_id is None or not isinstance(record.fact, FillCompleted):
        return None
    return Fill(cylinder_id, record.performed_on, seen_position)


def _serial(record: Recorded) -> tuple[UUID, str] | None:
    cylinder_id = cylinder_of(record.subject)
    if cylinder_id is None or not isinstance(record.fact, CylinderRegistered | CylinderIdentified):
        return None
    return cylinder_id, record.fact.marks.serial


def _may_block_or_clear(record: Recorded) -> bool:
    """Also the blocks of kinds that this software does not know: they count by their effect."""
    return record.effect != "neutral" or record.kind in _RESTS_ON


def _person(fact: ActorCertified) -> Person | None:
    return Person(fact.actor_id, fact.known_as) if is_one_line(fact.known_as) else None
