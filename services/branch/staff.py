"""Staff: their working name, role and certificate as facts, their PIN kept at the shop; and the fact that they left.

Who somebody is, and until when, is a fact, because what they judged counts by it in every shop.
"""

from __future__ import annotations

import datetime as dt
from typing import Final, Literal
from uuid import UUID

from branch.people import People, actor_id_of
from branch.store import BranchStore
from cylinder.around import Actor
from cylinder.facts import ActorCertified, ActorWithdrawn, CertifiedWork
from cylinder.recorded import NewFact, actor_subject

Role = Literal["operator", "inspector", "manager"]
CertificateState = Literal["none", "good", "soon", "over"]

WARNED_DAYS: Final = 30
"""So long before its last day a certificate is shown as running out (common practice, no source)."""


def certificate_state(actor: Actor, today: dt.date) -> CertificateState:
    """How an inspector's certificate stands. Its last day is a good day."""
    if actor.certificate_until is None:
        return "none"
    if actor.certificate_until < today:
        return "over"
    return "soon" if (actor.certificate_until - today).days <= WARNED_DAYS else "good"


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
    covers: tuple[CertifiedWork, ...] | None = None,
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
        covers=covers,
    )
    with store.writing() as tx:
        tx.append(
            [NewFact(fact, actor_subject(actor_id), today)], key=new_id, actor=by, role="manager", now=now
        )
    return actor_id


def certify(
    store: BranchStore,
    actor: Actor,
    known_as: str,
    role: Role,
    *,
    certificate: str,
    certificate_until: dt.date,
    covers: tuple[CertifiedWork, ...],
    key: UUID,
    now: dt.datetime,
    today: dt.date,
    by: str,
) -> None:
    """A new certificate of somebody who works here. The same key twice is one."""
    fact = ActorCertified(
        actor_id=actor.id,
        known_as=known_as,
        role=role,
        certificate=certificate,
        certificate_until=certificate_until.isoformat(),
        covers=covers,
    )
    with store.writing() as tx:
        if not tx.known(key):
            tx.append(
                [NewFact(fact, actor_subject(actor.id), today)], key=key, actor=by, role="manager", now=now
            )


def let_go(
    store: BranchStore,
    people: People,
    actor_id: str,
    *,
    key: UUID,
    now: dt.datetime,
    today: dt.date,
    by: str,
    why: str = "No longer works at this shop",
) -> None:
    """In one step: they cannot sign in, and from here on nothing in their name is good news in any shop.

    What they recorded before, today as well, stands: it is earlier in this shop's own log.
    """
    fact = ActorWithdrawn(actor_id=actor_id, from_date=today, why=why)
    with store.writing() as tx:
        if not tx.known(key):
            tx.append(
                [NewFact(fact, actor_subject(actor_id), today)], key=key, actor=by, role="manager", now=now
            )
        people.dismiss(tx, actor_id)
