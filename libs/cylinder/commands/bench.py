"""What may be asked at the bench, of a cylinder that is on record."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from cylinder.commands.asked import Asked, VisitAsked
from cylinder.facts import Short
from cylinder.facts.inspection import FoundDefect, KeyedLength, Material, Outcome, ReadingsAtTest
from cylinder.facts.oxygen import Parts
from cylinder.marks import KeyedPressure, Marks, Note, Serial

Evidence = Annotated[str, StringConstraints(strip_whitespace=True, max_length=200)]


class BenchAsked(Asked):
    """A judgement, and the day that it was made."""

    cylinder_id: UUID
    performed_on: dt.date
    evidence: Evidence = ""
    """What shows that it was done on that day, where that is more than a month ago."""


class Register(Asked):
    """Put a cylinder on record at the bench, by its marks, without a visit."""

    command: Literal["register"] = "register"
    marks: Marks
    second_serial: Serial | None = None
    is_another: bool = False


class PassVisual(BenchAsked):
    """Record a passed inside and outside look."""

    command: Literal["pass_visual"] = "pass_visual"
    findings: Note = ""
    rated: KeyedPressure | None = None


class FailVisual(BenchAsked):
    """Record a failed inside look."""

    command: Literal["fail_visual"] = "fail_visual"
    findings: Short


class LookedAt(BaseModel):
    """What an inspector saw and measured; which criteria it meets is worked out from it and never taken from a form."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    material: Material
    alloy: Literal["6351-T6", "other", "not known"] = "not known"
    wall: KeyedLength | None = None
    diameter: KeyedLength | None = None
    found: Annotated[tuple[FoundDefect, ...], Field(max_length=30)] = ()


class Inspect(BenchAsked):
    """Record a visual inspection by the form: what was found, and the outcome that a person confirms."""

    command: Literal["inspect"] = "inspect"
    looked: LookedAt
    outcome: Outcome
    notes: Note = ""
    overruled_because: Note = ""
    criterion_id: Annotated[str, StringConstraints(max_length=80)] = ""
    last_four: Annotated[str, StringConstraints(strip_whitespace=True, max_length=12)] = ""
    rated: KeyedPressure | None = None


class CleanForOxygen(Asked):
    """Record that a cylinder, its valve or both were cleaned for oxygen service, to a procedure named in words."""

    command: Literal["clean_for_oxygen"] = "clean_for_oxygen"
    cylinder_id: UUID
    performed_on: dt.date
    parts: Parts
    procedure: Short
    cleaned_by: Short
    until: dt.date

    @property
    def evidence(self) -> str:
        """None is taken: what was cleaned longer ago than a month is cleaned again, not remembered."""
        return ""


class EndOxygenService(Asked):
    """Say that a cylinder is not clean for oxygen any more."""

    command: Literal["end_oxygen_service"] = "end_oxygen_service"
    cylinder_id: UUID
    why: Short


class SayGasFit(VisitAsked):
    """Say, before gas flows, that all of it is fit for oxygen service, and that the cylinder was filled nowhere else."""

    command: Literal["say_gas_fit"] = "say_gas_fit"
    shown_by: Short
    was_filled_nowhere_else: bool = False


class Requalify(BenchAsked):
    """Record a requalification; expansions in cubic centimetres where it was hydrostatic.

    With `test` everything that was read is judged; `outcome` is what a person confirms, and what condemns is never passed.
    """

    command: Literal["requalify"] = "requalify"
    method: Literal["hydrostatic", "hydrostatic and eddy current", "ultrasonic", "proof"]
    total_expansion_cc: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)] | None = None
    permanent_expansion_cc: Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)] | None = None
    requalifier: Note = ""
    rated: KeyedPressure | None = None
    test: ReadingsAtTest | None = None
    outcome: Literal["pass", "condemn"] = "pass"
    last_four: Annotated[str, StringConstraints(strip_whitespace=True, max_length=12)] = ""


class Reject(BenchAsked):
    """Reject: not to be filled until repaired and requalified."""

    command: Literal["reject"] = "reject"
    reason: Short
    criterion_id: str


class Condemn(BenchAsked):
    """Condemn for good, in every shop. `last_four` is keyed off the metal."""

    command: Literal["condemn"] = "condemn"
    reason: Short
    criterion_id: str
    last_four: Annotated[str, StringConstraints(strip_whitespace=True, max_length=12)]


class MakeUnusable(BenchAsked):
    """Record that the cylinder can no longer hold pressure."""

    command: Literal["make_unusable"] = "make_unusable"
    how: Short


class PlaceHold(Asked):
    """Put a cylinder on hold."""

    command: Literal["place_hold"] = "place_hold"
    cylinder_id: UUID
    reason: Short


class ReleaseHold(Asked):
    """Answer a hold with a finding, naming it."""

    command: Literal["release_hold"] = "release_hold"
    cylinder_id: UUID
    block_id: UUID
    finding: Short


class SecondAnnulment(Asked):
    """Agree, with the cylinder in hand, that a condemnation was written against the wrong record."""

    command: Literal["second_annulment"] = "second_annulment"
    cylinder_id: UUID
    proposal_id: UUID
    finding: Short
    last_four: Annotated[str, StringConstraints(strip_whitespace=True, max_length=12)]


class NotifyOwner(Asked):
    """Record that the owner was told in writing."""

    command: Literal["notify_owner"] = "notify_owner"
    cylinder_id: UUID
    block_id: UUID
    how: Short
