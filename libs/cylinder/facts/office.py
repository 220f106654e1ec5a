"""What the network decides about a cylinder: recalls, theft, a record made in error, and which records are one cylinder."""

from __future__ import annotations

from typing import Annotated, ClassVar
from uuid import UUID

from pydantic import Field

from cylinder.facts.shape import Fact, GrownFact, Short
from cylinder.marks import Note


class Recalled(Fact):
    """The maker or the authority calls this cylinder back; `campaign` says which call."""

    KIND = "cylinder.recalled"
    EFFECT = "block"
    campaign: Short
    reason: Short


class Remedied(Fact):
    """An inspector did what the recall asks for, naming it."""

    KIND = "cylinder.remedied"
    EFFECT = "clear"
    campaign: Short
    finding: Short
    certificate: Note = ""


class ReportedStolen(Fact):
    """Somebody says that it is theirs and was taken."""

    KIND = "cylinder.reported_stolen"
    EFFECT = "block"
    reason: Short


class StolenReportClosed(Fact):
    """The officer knows whose it is, and closes the report by name."""

    KIND = "cylinder.stolen_report_closed"
    EFFECT = "clear"
    finding: Short


class AnnulmentProposed(Fact):
    """An officer says that the condemnation `block` was written against the wrong record; `meant` is the right one."""

    KIND = "cylinder.annulment_proposed"
    block: UUID
    why: Short
    evidence: Short
    meant: UUID | None = None


class AnnulmentSeconded(Fact):
    """An inspector of another shop held the cylinder in hand and agrees with the proposal."""

    KIND = "cylinder.annulment_seconded"
    proposal: UUID
    block: UUID
    finding: Short


class CondemnationAnnulled(Fact):
    """The condemnation that it names was written against the wrong record. One that was right is never lifted (49 CFR 180.203)."""

    KIND = "cylinder.condemnation_annulled"
    EFFECT = "clear"
    proposal: UUID
    why: Short


class IdentitiesLinked(GrownFact):
    """The record in the subject and `other` are one cylinder: what is held against either is held against both."""

    KIND = "cylinder.identities_linked"
    ADDED: ClassVar[frozenset[str]] = frozenset({"evidence"})
    other: UUID
    why: Note = ""
    evidence: Note | None = None


class IdentitiesSplit(GrownFact):
    """They are not one cylinder after all: exactly these links end.

    `parts` are all records that were one until now, `carried` the blocks that were open against them: each counts
    for every part until an inspector assigns it.
    """

    KIND = "cylinder.identities_split"
    ADDED: ClassVar[frozenset[str]] = frozenset({"evidence"})
    links: Annotated[tuple[UUID, ...], Field(min_length=1)]
    parts: Annotated[tuple[UUID, ...], Field(min_length=2)]
    carried: tuple[UUID, ...] = ()
    why: Short
    evidence: Note | None = None


class BlockAssigned(Fact):
    """An inspector found which part of a split a carried block belongs to: the record in the subject."""

    KIND = "cylinder.block_assigned"
    block: UUID
    finding: Short
