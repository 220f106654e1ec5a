"""What may be asked during a visit, in the order of the work."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from cylinder.commands.asked import Asked, VisitAsked
from cylinder.commands.filling import FillConditions
from cylinder.facts import LookedInto, Short, StepName
from cylinder.marks import DateStamp, GasWanted, KeyedPressure, Marks, Month, Note, Serial, ShoulderText

Tag = Annotated[int, Field(ge=1, le=99)]
DiverRef = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{8,64}$")]


class Taken(BaseModel):
    """One cylinder at the counter: the number clip hung on it and the gas wanted in it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    tag: Tag
    gas: GasWanted = GasWanted()


class Greet(Asked):
    """Take in a diver's cylinders, their certification seen."""

    command: Literal["greet"] = "greet"
    diver_ref: DiverRef
    level: Short
    covers_nitrox: bool = False
    covers_trimix: bool = False
    cylinders: Annotated[tuple[Taken, ...], Field(min_length=1, max_length=20)]


class Identify(VisitAsked):
    """Say which cylinder this is, from its marks. `second_serial` is the second reading, keyed from scratch.

    `chosen` is the look-alike on record that it is, `is_another` says that it is none of them.
    """

    command: Literal["identify"] = "identify"
    marks: Marks
    second_serial: Serial | None = None
    chosen: UUID | None = None
    is_another: bool = False
    shoulder: ShoulderText = ""
    """What is stamped, as it was typed; empty where nobody typed it."""


class LookOver(VisitAsked):
    """Record the look at the outside. Not sound puts the cylinder on hold."""

    command: Literal["look_over"] = "look_over"
    sound: bool
    note: Note = ""


class ReadDates(VisitAsked):
    """Record the requalification stamp and the inside-look sticker."""

    command: Literal["read_dates"] = "read_dates"
    requalified: Month | None
    looked_inside: Month | None
    stamp: DateStamp | None = None
    """What stands around the requalification date, where somebody said it."""


class ReadRating(VisitAsked):
    """Record the rated pressure, read off this cylinder."""

    command: Literal["read_rating"] = "read_rating"
    rated: KeyedPressure
    unit_is_sure: bool = False
    """The person was asked whether the unit is right, and says so."""


class SeeStanding(VisitAsked):
    """Look at the network's standing and go on to connect. `supervised` is a manager's reason when news is too old.

    `looked_into` is an inspector's answer to what the rules ask a person to look at first.
    """

    command: Literal["see_standing"] = "see_standing"
    supervised: Note = ""
    looked_into: LookedInto | None = None


class SendPeopleOut(Asked):
    """Everybody else is out of the fill area."""

    command: Literal["send_people_out"] = "send_people_out"
    visit_id: UUID | None = None


class SayDoorOpened(Asked):
    """Somebody came in."""

    command: Literal["say_door_opened"] = "say_door_opened"


class BlowOut(VisitAsked):
    """The valve was blown out and the O-ring looked at."""

    command: Literal["blow_out"] = "blow_out"
    is_blown_out: Literal[True]
    o_ring: Literal["good", "replaced", "face seal"]


class ConnectWhip(VisitAsked):
    """Secure the cylinder and connect this whip."""

    command: Literal["connect_whip"] = "connect_whip"
    whip: Annotated[int, Field(ge=1, le=24)]


class ReadResidual(VisitAsked):
    """Record what is left in it."""

    command: Literal["read_residual"] = "read_residual"
    residual: KeyedPressure


class Authorise(VisitAsked):
    """Start the fill, up to this target. With `conditions` it is planned, even where none of them is known."""

    command: Literal["authorise"] = "authorise"
    target: KeyedPressure
    conditions: FillConditions | None = None


class TakeReading(VisitAsked):
    """Key the gauge during the fill."""

    command: Literal["take_reading"] = "take_reading"
    reading: KeyedPressure


class CompleteFill(VisitAsked):
    """The fill is at its end; `end` is the gauge."""

    command: Literal["complete_fill"] = "complete_fill"
    end: KeyedPressure


class StopFill(VisitAsked):
    """Stop the fill before its target."""

    command: Literal["stop_fill"] = "stop_fill"
    why: Short
    at: KeyedPressure | None = None


class BleedWhip(VisitAsked):
    """Valves closed, whip bled and off."""

    command: Literal["bleed_whip"] = "bleed_whip"


class TapeValve(VisitAsked):
    """Tape is over the valve mouth."""

    command: Literal["tape_valve"] = "tape_valve"


class SetDownAt(VisitAsked):
    """Stand it in this floor slot."""

    command: Literal["set_down_at"] = "set_down_at"
    slot: Annotated[int, Field(ge=1, le=99)]


class HandOver(Asked):
    """Give these cylinders back to this diver."""

    command: Literal["hand_over"] = "hand_over"
    diver_ref: DiverRef
    visit_ids: Annotated[tuple[UUID, ...], Field(min_length=1, max_length=20)]


class HoldIt(VisitAsked):
    """Stop the work on this visit and say why. Never destroys data."""

    command: Literal["hold_it"] = "hold_it"
    why: Short


class Resume(VisitAsked):
    """Let a held visit go on, with the finding that allows it."""

    command: Literal["resume"] = "resume"
    finding: Short


class Reopen(VisitAsked):
    """Take back the answer to a step, and all answers after it."""

    command: Literal["reopen"] = "reopen"
    step: StepName
    why: Note = ""


class RackIt(VisitAsked):
    """It stands in the red rack: the visit ends without a fill."""

    command: Literal["rack_it"] = "rack_it"


class Abandon(VisitAsked):
    """The cylinder leaves without a fill."""

    command: Literal["abandon"] = "abandon"
    why: Short
