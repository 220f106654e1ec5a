"""What was found out about a cylinder, and what answers it."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal
from uuid import UUID

from pydantic import Field, StringConstraints

from cylinder.facts.inspection import Inspected, Tested
from cylinder.facts.shape import Fact, GrownFact, RuleId, Short
from cylinder.marks import KeyedPressure, Marks, Note, Serial


class _ByTheForm(GrownFact):
    """A judgement that may carry the inspection or the pressure test it rests on."""

    ADDED: ClassVar[frozenset[str]] = frozenset({"inspection", "test"})


class CylinderRegistered(Fact):
    """First sight of a cylinder: its id was made here."""

    KIND = "cylinder.registered"
    marks: Marks


class HoldPlaced(Fact):
    """Anyone may put a cylinder on hold; `reason` says what the release has to answer."""

    KIND = "cylinder.hold_placed"
    EFFECT = "block"
    reason: Short
    rule_id: RuleId = "hold.by-hand"
    visit_id: UUID | None = None


class HoldReleased(Fact):
    """An inspector answers the hold with a finding, naming it."""

    KIND = "cylinder.hold_released"
    EFFECT = "clear"
    finding: Short


class VisualPassed(_ByTheForm):
    """An inside and outside visual inspection was passed; `rated` is what the inspector read off the metal."""

    KIND = "cylinder.visual_passed"
    EFFECT = "clear"
    findings: Note = ""
    rated: KeyedPressure | None = None
    certificate: Note = ""
    inspection: Inspected | None = None


class VisualFailed(_ByTheForm):
    """A visual inspection was failed: neither rejected nor condemned until somebody with the authority says so."""

    KIND = "cylinder.visual_failed"
    EFFECT = "block"
    findings: Short
    certificate: Note = ""
    inspection: Inspected | None = None


class Requalified(_ByTheForm):
    """A requalification was passed. Expansions in cubic centimetres, at test pressure and left after it."""

    KIND = "cylinder.requalified"
    EFFECT = "clear"
    method: Literal["hydrostatic", "hydrostatic and eddy current", "ultrasonic", "proof"]
    total_expansion_cc: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    permanent_expansion_cc: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    requalifier: Note = ""
    rated: KeyedPressure | None = None
    test: Tested | None = None


class Rejected(_ByTheForm):
    """Not to be filled without repair and requalification (49 CFR 180.203): it can come back."""

    KIND = "cylinder.rejected"
    EFFECT = "block"
    reason: Short
    criterion_id: RuleId
    clause: Annotated[str, StringConstraints(max_length=200)]
    certificate: Note = ""
    inspection: Inspected | None = None


class Condemned(_ByTheForm):
    """Unserviceable, and never restored by any procedure (49 CFR 180.203)."""

    KIND = "cylinder.condemned"
    EFFECT = "block"
    reason: Short
    criterion_id: RuleId
    criterion: Annotated[str, StringConstraints(max_length=500)]
    clause: Annotated[str, StringConstraints(max_length=200)]
    serial_read: Serial
    certificate: Note = ""
    inspection: Inspected | None = None
    test: Tested | None = None


class RenderedUnusable(Fact):
    """Made incapable of holding pressure. A later sight of its marks is an identity alarm."""

    KIND = "cylinder.rendered_unusable"
    EFFECT = "block"
    how: Short


class OwnerNotified(Fact):
    """The owner was told in writing (49 CFR 180.205 asks it of a rejection and a condemnation)."""

    KIND = "cylinder.owner_notified"
    about: UUID
    how: Short
