"""Whether a fact's good news counts: who said so, in what role on that day, and with a key that was in good hands.

Pure over sets: no order, no arrival, no position of the feed. Bad news (a revocation, a suspicion, a withdrawal)
counts however weak its own proof is; good news (a certification, a lift) only with proof. So another piece of bad
news never makes anything good.

Officers are certified as everybody is: the hub records `actor.certified` with the role officer in its own log.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from cylinder.facts import (
    ActorCertified,
    ActorWithdrawn,
    CertifiedWork,
    KeyRevoked,
    NodeSuspected,
    SuspicionLifted,
    TrustedTo,
)
from cylinder.recorded import HUB, Origin, Recorded, actor_subject, node_subject

DISTRUSTING = frozenset({KeyRevoked.KIND, NodeSuspected.KIND})
CREDENTIAL_KINDS = frozenset({ActorCertified.KIND, ActorWithdrawn.KIND, SuspicionLifted.KIND, *DISTRUSTING})
"""Facts about people and keys on which the worth of other facts rests."""


@dataclass(frozen=True, slots=True)
class _Distrust:
    """From the hub: facts of this key count up to the cut. No key named: of any key of the node."""

    id: UUID
    key_id: str | None
    trusted: tuple[TrustedTo, ...]
    may_be_lifted: bool

    def voids(self, origin: Origin) -> bool:
        if self.key_id is not None and self.key_id != origin.key_id:
            return False
        return not any(cut.inc == origin.inc and origin.seq <= cut.seq for cut in self.trusted)


class Proof:
    """What the credentials say, ready to be asked. `contested` ids carry two contents: none of them is good news."""

    def __init__(
        self, credentials: Iterable[Recorded], *, contested: frozenset[UUID] = frozenset(), hub: str = HUB
    ) -> None:
        self._contested = contested
        self._hub = hub
        self._certifications: dict[str, list[Recorded]] = {}
        self._withdrawals: dict[str, list[tuple[Recorded, dt.date]]] = {}
        self._distrusts: dict[str, list[_Distrust]] = {}
        lifts: list[Recorded] = []
        for fact in credentials:
            if fact.kind == ActorCertified.KIND:
                self._certifications.setdefault(fact.subject, []).append(fact)
            elif fact.kind == ActorWithdrawn.KIND:
                self._note_withdrawal(fact)
            elif fact.node == hub and fact.kind in DISTRUSTING:
                self._note_distrust(fact)
            elif fact.node == hub and fact.kind == SuspicionLifted.KIND:
                lifts.append(fact)
        self._lifted = frozenset(self._ids_lifted(lifts))

    def is_good(self, fact: Recorded, roles: frozenset[str], *, at_hub: bool = False) -> bool:
        """Whether this fact may be good news, said by somebody who holds one of these roles on its day."""
        return (
            (not at_hub or fact.node == self._hub)
            and fact.role in roles
            and self.is_genuine(fact)
            and self.is_certified(fact.actor, roles, fact.node, fact.performed_on, at=fact.origin)
        )

    def is_genuine(self, fact: Recorded) -> bool:
        """Whether its signature was checked, its id says one thing only, and its key was in good hands."""
        return fact.origin.is_proven and fact.id not in self._contested and self.stands(fact.origin)

    def is_certified(
        self, actor: str, roles: frozenset[str], node: str, day: dt.date, *, at: Origin | None = None
    ) -> bool:
        """Whether this node, or the hub, had certified them in one of these roles on that day.

        `at` is where the work is written down: what stands before a withdrawal of that very day still counts.
        The last word up to that day counts, by the day and then by the id; of the words of that very day, any.
        """
        said = [
            one
            for one in self._certifications.get(actor_subject(actor), ())
            if one.node in (node, self._hub) and one.performed_on <= day
        ]
        if not said or self._is_withdrawn(actor, node, day, at):
            return False
        last = max(said, key=lambda one: (one.performed_on, one.id))
        that_day = [one for one in said if one.performed_on == day or one.id == last.id]
        return any(self._says(one, roles, day) for one in that_day)

    def _says(self, one: Recorded, roles: frozenset[str], day: dt.date) -> bool:
        fact = one.fact
        if not isinstance(fact, ActorCertified) or not self._is_a_certification(one):
            return False
        return fact.role in roles and (fact.certificate_until is None or _day(fact.certificate_until) >= day)

    def _is_a_certification(self, one: Recorded) -> bool:
        fact = one.fact
        return (
            isinstance(fact, ActorCertified)
            and one.subject == actor_subject(fact.actor_id)
            and self.is_genuine(one)
        )

    def _is_withdrawn(self, actor: str, node: str, day: dt.date, at: Origin | None) -> bool:
        """A withdrawal holds until a later day's certification by the same node, or by the hub."""
        again = [one for one in self._certifications.get(actor_subject(actor), ()) if one.performed_on <= day]
        return any(
            from_date <= day
            and not (day == from_date == withdrawn.performed_on and _is_before(at, withdrawn.origin))
            and not any(
                one.performed_on > withdrawn.performed_on
                and one.node in (withdrawn.node, self._hub)
                and self._is_a_certification(one)
                for one in again
            )
            for withdrawn, from_date in self._withdrawals.get(actor_subject(actor), ())
            if withdrawn.node in (node, self._hub)
        )

    def stands(self, origin: Origin) -> bool:
        """Whether no word of the hub puts what is written there in doubt."""
        return not any(
            one.voids(origin)
            for one in self._distrusts.get(node_subject(origin.node), ())
            if not (one.may_be_lifted and one.id in self._lifted)
        )

    def _ids_lifted(self, lifts: list[Recorded]) -> Iterable[UUID]:
        """What the hub lifted, signed with a key that no word of its own, lifted or not, puts in doubt."""
        doubts = self._distrusts.get(node_subject(self._hub), ())
        for fact in lifts:
            is_whole = fact.origin.is_proven and fact.id not in self._contested
            if (
                is_whole
                and isinstance(fact.fact, SuspicionLifted)
                and not any(one.voids(fact.origin) for one in doubts)
            ):
                yield from fact.fact.suspicions

    def _note_withdrawal(self, fact: Recorded) -> None:
        match fact.fact:
            case ActorWithdrawn() as withdrawn:
                place = (fact, withdrawn.from_date)
                self._withdrawals.setdefault(actor_subject(withdrawn.actor_id), []).append(place)
            case _:  # From newer software: it says less to us, so it counts from the beginning.
                self._withdrawals.setdefault(fact.subject, []).append((fact, dt.date.min))

    def _note_distrust(self, fact: Recorded) -> None:
        may_be_lifted = fact.kind == NodeSuspected.KIND
        match fact.fact:
            case KeyRevoked() | NodeSuspected() as said:
                doubt = _Distrust(fact.id, said.key_id, said.trusted, may_be_lifted)
                self._distrusts.setdefault(node_subject(said.node), []).append(doubt)
            case _:  # From newer software: nothing of that node is beyond doubt.
                doubt = _Distrust(fact.id, None, (), may_be_lifted)
                self._distrusts.setdefault(fact.subject, []).append(doubt)


def covered_work(
    credentials: Iterable[Recorded], actor: str, node: str, day: dt.date
) -> frozenset[CertifiedWork] | None:
    """What somebody's latest certification by this node or the hub says it is for; None where it, or nobody, says."""
    said = [
        one
        for one in credentials
        if isinstance(one.fact, ActorCertified)
        and one.fact.actor_id == actor
        and one.node in (node, HUB)
        and one.performed_on <= day
    ]
    if not said:
        return None
    # Of one day the later in the log, and the hub's before a shop's: a certificate renewed on the day it was first recorded.
    last = max(said, key=lambda one: (one.performed_on, one.node == HUB, one.origin.seq, one.id)).fact
    assert isinstance(last, ActorCertified)
    return None if last.covers is None else frozenset(last.covers)


def _is_before(at: Origin | None, then: Origin) -> bool:
    """Earlier in the same incarnation of the same node's log; of any other two places nobody can tell."""
    return at is not None and at.node == then.node and at.inc == then.inc and at.seq < then.seq


def _day(text: str) -> dt.date:
    """The last day of a certificate. A day that no calendar has is none."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        return dt.date.min
