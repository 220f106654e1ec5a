"""A cylinder's visit to a shop, in the order of the work, and the fill area."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from cylinder.facts.shape import Fact, GrownFact, RuleId, Short, StepName, VisitFact
from cylinder.marks import DateStamp, GasWanted, KeyedPressure, Marks, Month, Note, Shoulder


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


class CylinderIdentified(GrownFact, VisitFact):
    """The marks were read and this visit belongs to the cylinder in the subject."""

    KIND = "visit.cylinder_identified"
    ADDED: ClassVar[frozenset[str]] = frozenset({"shoulder"})
    marks: Marks
    was_known: bool
    second_reading: bool = False
    told_apart_from: tuple[UUID, ...] = ()
    shoulder: Shoulder | None = None


class OutsideLookedOver(VisitFact):
    """The outside was looked at all round."""

    KIND = "visit.outside_looked_over"
    sound: bool
    note: Note = ""


class DatesRead(GrownFact, VisitFact):
    """The last requalification stamp and the inside-look sticker were read; None is "there is none"."""

    KIND = "visit.dates_read"
    ADDED: ClassVar[frozenset[str]] = frozenset({"stamp"})
    requalified: Month | None
    looked_inside: Month | None
    stamp: DateStamp | None = None

    @property
    def stamp_words(self) -> str:
        """ "requalified 2024-04 +", "good until 2029-06", "requalified none"."""
        stamp = self.stamp or DateStamp()
        what = "good until" if stamp.kind == "expires" else "requalified"
        return " ".join((what, self.requalified or "none", *stamp.signs))


class RatingRead(VisitFact):
    """The rated pressure was read off this cylinder, without being shown what is on record."""

    KIND = "visit.rating_read"
    rated: KeyedPressure
    on_record: KeyedPressure | None = None
    agrees: bool = True


class LookedInto(BaseModel):
    """An inspector's answer to findings that ask for a look by a person; never to one that refuses."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rule_ids: Annotated[tuple[RuleId, ...], Field(min_length=1, max_length=20)]
    finding: Short


class StandingSeen(GrownFact, VisitFact):
    """The network's standing was looked at; `news_age_s` is how old the shop's knowledge was."""

    KIND = "visit.standing_seen"
    ADDED: ClassVar[frozenset[str]] = frozenset({"looked_into"})
    news_age_s: Annotated[int, Field(ge=0)]
    supervised: Note = ""
    looked_into: LookedInto | None = None


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


# The fill area.


class PeopleOut(Fact):
    """Everybody not needed for filling was sent out of the fill area."""

    KIND = "bay.people_out"


class DoorOpened(Fact):
    """Somebody came in: the area has to be cleared again before the next fill."""

    KIND = "bay.door_opened"
