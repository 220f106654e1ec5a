"""Who may judge, and whose word counts: people and the keys of the shops' nodes. Only the hub speaks of keys."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, ClassVar, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from cylinder.facts.shape import Fact, GrownFact, Short
from cylinder.marks import Note

StaffId = Annotated[str, StringConstraints(max_length=64)]
NodeName = Annotated[str, StringConstraints(min_length=1, max_length=63)]


CertifiedWork = Literal["visual inspection", "pressure test", "eddy current", "oxygen cleaning"]
"""What a certificate is for."""


class ActorCertified(GrownFact):
    """Who a staff id is, in what role, under which certificate.

    `known_as` is the working name that stands beside a judgement ("R. Amat"); staff answer for what
    they condemn by name, divers never appear. `covers` is what the certificate is for; None where nobody said.
    """

    ADDED: ClassVar[frozenset[str]] = frozenset({"covers"})
    KIND = "actor.certified"
    actor_id: Annotated[str, StringConstraints(max_length=64)]
    known_as: Annotated[str, StringConstraints(max_length=60)]
    role: Literal["operator", "inspector", "manager", "officer"]
    certificate: Note = ""
    certificate_until: Annotated[str, StringConstraints(pattern=r"^\d{4}-\d{2}-\d{2}$")] | None = None
    covers: tuple[CertifiedWork, ...] | None = None


class ActorWithdrawn(Fact):
    """From this day on the person judges nothing here, until they are certified again on a later day."""

    KIND = "actor.withdrawn"
    actor_id: StaffId
    from_date: dt.date
    why: Short


class TrustedTo(BaseModel):
    """One incarnation of a node's log, and the last number in it that is beyond doubt."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    inc: UUID
    seq: Annotated[int, Field(ge=0)]


class _Distrust(Fact):
    node: NodeName
    key_id: Annotated[str, StringConstraints(max_length=64)]
    trusted: tuple[TrustedTo, ...] = ()
    reason: Short


class KeyRevoked(_Distrust):
    """The key is in other hands: good news signed with it counts up to the cut, bad news always."""

    KIND = "node.key_revoked"


class NodeSuspected(_Distrust):
    """Two nodes may live with one key, or a restored one may have forked: as revoked, until a person lifts it."""

    KIND = "node.suspected"


class SuspicionLifted(Fact):
    """A person looked: these suspicions of the node hold no longer. A revocation is never lifted."""

    KIND = "node.suspicion_lifted"
    node: NodeName
    suspicions: Annotated[tuple[UUID, ...], Field(min_length=1)]
    finding: Short
