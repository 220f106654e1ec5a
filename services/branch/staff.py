"""Taking somebody on: their working name, role and certificate as a fact, their PIN kept at the shop."""

from __future__ import annotations

import datetime as dt
from typing import Literal
from uuid import UUID

from branch.people import People, actor_id_of
from branch.store import BranchStore
from cylinder.facts import ActorCertified
from cylinder.recorded import NewFact

Role = Literal["operator", "inspector", "manager"]


def take_on(
    store: BranchStore,
    people: People,
    *,
    known_as: str,
    role: Role,
    pin: str,
    new_id: UUID,
    now: dt.datetime,
    today: dt.date,
    by: str,
    certificate: str = "",
    certificate_until: dt.date | None = None,
) -> str:
    """Record the person and their PIN; gives the staff id. Raises SignInRefused for a bad PIN, before anything is written.

    `today` is the day in the shop's own zone: what they judge from that day on counts.
    """
    actor_id = actor_id_of(new_id)
    people.set_pin(actor_id, pin)
    fact = ActorCertified(
        actor_id=actor_id,
        known_as=known_as,
        role=role,
        certificate=certificate,
        certificate_until=certificate_until.isoformat() if certificate_until else None,
    )
    with store.writing() as tx:
        tx.append([NewFact(fact, f"actor/{actor_id}", today)], key=new_id, actor=by, role="manager", now=now)
    return actor_id
