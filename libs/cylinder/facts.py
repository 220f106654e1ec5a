"""Every kind of fact about a cylinder, its visits and the people who may judge it.

Each model is what was stored, for ever: never edit one, add a version. The stored name is the KIND,
never a Python path. A fact carries no personal data of a diver.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from cylinder.marks import GasWanted, KeyedPressure, Marks, Month, Note, Serial

EffectName = Literal["block", "clear", "neutral"]
Short = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
RuleId = Annotated[str, StringConstraints(max_length=80)]
StepName = Literal[
    "certification", "identify", "outside", "dates", "rating", "standing", "people_out", "blow_out", "whip",
    "residual", "target", "fill", "analyse", "bleed", "tape", "set_down", "hand_over",
]  # fmt: skip


class Fact(BaseModel):
    """What all kinds share: a stored name, a version, an effect on standing. Nothing else."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    KIND: ClassVar[str]
    V: ClassVar[int] = 1
    EFFECT: ClassVar[EffectName] = "neutral"


class VisitFact(Fact):
    """A fact of one cylinder's visit to a shop."""

    visit_id: UUID


# The visit, in the order of the work.


class CylinderReceived(VisitFact):
    """A cylinder was taken in at the counter and a number clip hung on it."""

    KIND = "visit.cylinder_received"
    tag: Annotated[int, Field(ge=1, le=99)]
    gas: GasWanted
    of: Annotated[int, Field(ge=1, le=99)] = 1
    number: Annotated[int, Field(ge=1, le=99)] = 1


class CertificationSeen(VisitFact):
    """The diver's certification was seen: its level and what gas it covers; never a name or card number."""

    KIND = "visit.certification_seen"
    level: Short
    covers_nitrox: bool = False
    covers_trimix: bool = False


class CylinderIdentified(VisitFact):
    """The marks were read and this visit belongs to the cylinder in the subject."""

    KIND = "visit.cylinder_identified"
    marks: Marks
    was_known: bool
    second_reading: bool = False
    told_apart_from: tuple[UUID, ...] = ()


class OutsideLookedOver(VisitFact):
    """The outside was looked at all round."""

    KIND = "visit.outside_looked_over"
    sound: bool
    note: Note = ""


class DatesRead(VisitFact):
    """The last requalification stamp and the inside-look sticker were read; None is "there is none"."""

    KIND = "visit.dates_read"
    requalified: Month | None
    looked_inside: Month | None


class RatingRead(VisitFact):
    """The rated pressure was read off this cylinder, without being shown what is on record."""

    KIND = "visit.rating_read"
    rated: KeyedPressure
    on_record: KeyedPressure | None = None
    agrees: bool = True


class StandingSeen(VisitFact):
    """The network's standing was looked at; `news_age_s` is how old the shop's knowledge was."""

    KIND = "visit.standing_seen"
    news_age_s: Annotated[int, Field(ge=0)]
    supervised: Note = ""


class VisitRefused(VisitFact):
    """The shop refused to fill, with every rule that said so."""

    KIND = "visit.refused"
    rule_ids: tuple[RuleId, ...]
    words: tuple[Annotated[str, StringConstraints(max_length=500)], ...]


class AreaCleared(VisitFact):
    """Everybody but the person filling was out of the fill area."""

    KIND = "visit.area_cleared"


class ValveBlownOut(VisitFact):
    """The valve was cracked to blow it out, and its O-ring looked at."""

    KIND = "visit.valve_blown_out"
    o_ring: Literal["good", "replaced", "face seal"]


class WhipConnected(VisitFact):
    """The cylinder was secured and this whip connected."""

    KIND = "visit.whip_connected"
    whip: Annotated[int, Field(ge=1, le=24)]


class ResidualRead(VisitFact):
    """What was left in the cylinder."""

    KIND = "visit.residual_read"
    residual: KeyedPressure


class FillAuthorised(VisitFact):
    """Everything was looked at and the fill may start, up to the target."""

    KIND = "visit.fill_authorised"
    target: KeyedPressure
    rated: KeyedPressure


class ReadingTaken(VisitFact):
    """The gauge during the fill."""

    KIND = "visit.reading_taken"
    reading: KeyedPressure


class FillCompleted(VisitFact):
    """The fill ended at this gauge pressure."""

    KIND = "visit.fill_completed"
    end: KeyedPressure
    start: KeyedPressure
    target: KeyedPressure
    rated: KeyedPressure
    gas: GasWanted


class FillAborted(VisitFact):
    """The fill was stopped before its target."""

    KIND = "visit.fill_aborted"
    at: KeyedPressure | None
    why: Short


class GasAnalysed(VisitFact):
    """The measured oxygen (and helium), percent by volume, read by the diver or with them."""

    KIND = "visit.gas_analysed"
    oxygen_percent: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
    helium_percent: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 0.0


class WhipBled(VisitFact):
    """Both valves closed, the whip bled and taken off."""

    KIND = "visit.whip_bled"


class ValveTaped(VisitFact):
    """Tape over the valve mouth: full, and nothing else means it."""

    KIND = "visit.valve_taped"


class SetDown(VisitFact):
    """The floor slot where the taped cylinder stands."""

    KIND = "visit.set_down"
    slot: Annotated[int, Field(ge=1, le=99)]


class HandedOver(VisitFact):
    """Given back to the diver who brought it; all cylinders of one hand-over share its id."""

    KIND = "visit.handed_over"
    handover_id: UUID
    of: Annotated[int, Field(ge=1, le=99)]


class VisitHeld(VisitFact):
    """Work on this visit waits for somebody with the authority to let it go on."""

    KIND = "visit.held"
    why: Short


class VisitResumed(VisitFact):
    """The reason of the hold is gone; work goes on where it stood."""

    KIND = "visit.resumed"
    finding: Short


class StepReopened(VisitFact):
    """An answer is taken back, and all answers after it; the facts stay readable."""

    KIND = "visit.step_reopened"
    step: StepName
    why: Note = ""


class VisitAbandoned(VisitFact):
    """The cylinder left without a fill, or went to the red rack."""

    KIND = "visit.abandoned"
    why: Short


# The bay.


class PeopleOut(Fact):
    """Everybody not needed for filling was sent out of the fill area."""

    KIND = "bay.people_out"


class DoorOpened(Fact):
    """Somebody came in: the area has to be cleared again before the next fill."""

    KIND = "bay.door_opened"


# The cylinder.


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


class VisualPassed(Fact):
    """An inside and outside visual inspection was passed; `rated` is what the inspector read off the metal."""

    KIND = "cylinder.visual_passed"
    EFFECT = "clear"
    findings: Note = ""
    rated: KeyedPressure | None = None
    certificate: Note = ""


class VisualFailed(Fact):
    """A visual inspection was failed: neither rejected nor condemned until somebody with the authority says so."""

    KIND = "cylinder.visual_failed"
    EFFECT = "block"
    findings: Short
    certificate: Note = ""


class Requalified(Fact):
    """A requalification was passed. Expansions in cubic centimetres, at test pressure and left after it."""

    KIND = "cylinder.requalified"
    EFFECT = "clear"
    method: Literal["hydrostatic", "hydrostatic and eddy current", "ultrasonic", "proof"]
    total_expansion_cc: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    permanent_expansion_cc: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    requalifier: Note = ""
    rated: KeyedPressure | None = None


class Rejected(Fact):
    """Not to be filled without repair and requalification (49 CFR 180.203): it can come back."""

    KIND = "cylinder.rejected"
    EFFECT = "block"
    reason: Short
    criterion_id: RuleId
    clause: Annotated[str, StringConstraints(max_length=200)]
    certificate: Note = ""


class Condemned(Fact):
    """Unserviceable, and never restored by any procedure (49 CFR 180.203)."""

    KIND = "cylinder.condemned"
    EFFECT = "block"
    reason: Short
    criterion_id: RuleId
    criterion: Annotated[str, StringConstraints(max_length=500)]
    clause: Annotated[str, StringConstraints(max_length=200)]
    serial_read: Serial
    certificate: Note = ""


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


# The network.


class ActorCertified(Fact):
    """Who a staff id is, in what role, under which certificate.

    `known_as` is the working name that stands beside a judgement ("R. Amat"); staff answer for what
    they condemn by name, divers never appear.
    """

    KIND = "actor.certified"
    actor_id: Annotated[str, StringConstraints(max_length=64)]
    known_as: Annotated[str, StringConstraints(max_length=60)]
    role: Literal["operator", "inspector", "manager", "officer"]
    certificate: Note = ""
    certificate_until: Annotated[str, StringConstraints(pattern=r"^\d{4}-\d{2}-\d{2}$")] | None = None


class UnknownFact(Fact):
    """A kind that this software does not know; the header's effect still counts."""

    KIND = "unknown"
    kind: str
    version: int


KINDS: dict[tuple[str, int], type[Fact]] = {
    (kind.KIND, kind.V): kind
    for kind in (
        CylinderReceived, CertificationSeen, CylinderIdentified, OutsideLookedOver, DatesRead, RatingRead,
        StandingSeen, VisitRefused, AreaCleared, ValveBlownOut, WhipConnected, ResidualRead, FillAuthorised,
        ReadingTaken, FillCompleted, FillAborted, GasAnalysed, WhipBled, ValveTaped, SetDown, HandedOver,
        VisitHeld, VisitResumed, StepReopened, VisitAbandoned, CylinderRegistered, HoldPlaced, HoldReleased,
        VisualPassed, VisualFailed, Requalified, Rejected, Condemned, RenderedUnusable, OwnerNotified,
        ActorCertified, PeopleOut, DoorOpened,
    )
}  # fmt: skip
"""Every stored kind and version that this software understands."""
