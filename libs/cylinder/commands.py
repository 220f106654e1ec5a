"""What a person at the counter, in the bay or at the bench may ask for. Imperative; each may be refused.

`key` is made when the human acts: sent twice, a command is recorded once. Pydantic, because commands
arrive as forms and JSON; every bound is here, so that decisions never see nonsense.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from cylinder.facts import Short, StepName
from cylinder.marks import GasWanted, KeyedPressure, Marks, Month, Note, Serial

Tag = Annotated[int, Field(ge=1, le=99)]
DiverRef = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{8,64}$")]


Evidence = Annotated[str, StringConstraints(strip_whitespace=True, max_length=200)]


class _Command(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    key: UUID


class _VisitCommand(_Command):
    visit_id: UUID
    version: Annotated[int, Field(ge=0)] | None = None
    """The visit's version on the page that asked; None does not compare."""


class Taken(BaseModel):
    """One cylinder at the counter: the number clip hung on it and the gas wanted in it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    tag: Tag
    gas: GasWanted = GasWanted()


class Greet(_Command):
    """Take in a diver's cylinders, their certification seen."""

    command: Literal["greet"] = "greet"
    diver_ref: DiverRef
    level: Short
    covers_nitrox: bool = False
    covers_trimix: bool = False
    cylinders: Annotated[tuple[Taken, ...], Field(min_length=1, max_length=20)]


class Identify(_VisitCommand):
    """Say which cylinder this is, from its marks. `second_serial` is the second reading, keyed from scratch.

    `chosen` is the look-alike on record that it is, `is_another` says that it is none of them.
    """

    command: Literal["identify"] = "identify"
    marks: Marks
    second_serial: Serial | None = None
    chosen: UUID | None = None
    is_another: bool = False


class LookOver(_VisitCommand):
    """Record the look at the outside. Not sound puts the cylinder on hold."""

    command: Literal["look_over"] = "look_over"
    sound: bool
    note: Note = ""


class ReadDates(_VisitCommand):
    """Record the requalification stamp and the inside-look sticker."""

    command: Literal["read_dates"] = "read_dates"
    requalified: Month | None
    looked_inside: Month | None


class ReadRating(_VisitCommand):
    """Record the rated pressure, read off this cylinder."""

    command: Literal["read_rating"] = "read_rating"
    rated: KeyedPressure
    unit_is_sure: bool = False
    """The person was asked whether the unit is right, and says so."""


class SeeStanding(_VisitCommand):
    """Look at the network's standing and go on to connect. `supervised` is a manager's reason when news is too old."""

    command: Literal["see_standing"] = "see_standing"
    supervised: Note = ""


class SendPeopleOut(_Command):
    """Everybody else is out of the fill area."""

    command: Literal["send_people_out"] = "send_people_out"
    visit_id: UUID | None = None


class SayDoorOpened(_Command):
    """Somebody came in."""

    command: Literal["say_door_opened"] = "say_door_opened"


class BlowOut(_VisitCommand):
    """The valve was blown out and the O-ring looked at."""

    command: Literal["blow_out"] = "blow_out"
    is_blown_out: Literal[True]
    o_ring: Literal["good", "replaced", "face seal"]


class ConnectWhip(_VisitCommand):
    """Secure the cylinder and connect this whip."""

    command: Literal["connect_whip"] = "connect_whip"
    whip: Annotated[int, Field(ge=1, le=24)]


class ReadResidual(_VisitCommand):
    """Record what is left in it."""

    command: Literal["read_residual"] = "read_residual"
    residual: KeyedPressure


class Authorise(_VisitCommand):
    """Start the fill, up to this target."""

    command: Literal["authorise"] = "authorise"
    target: KeyedPressure


class TakeReading(_VisitCommand):
    """Key the gauge during the fill."""

    command: Literal["take_reading"] = "take_reading"
    reading: KeyedPressure


class CompleteFill(_VisitCommand):
    """The fill is at its end; `end` is the gauge."""

    command: Literal["complete_fill"] = "complete_fill"
    end: KeyedPressure


class StopFill(_VisitCommand):
    """Stop the fill before its target."""

    command: Literal["stop_fill"] = "stop_fill"
    why: Short
    at: KeyedPressure | None = None


class Analyse(_VisitCommand):
    """Record the analysis of a mix."""

    command: Literal["analyse"] = "analyse"
    oxygen_percent: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
    helium_percent: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 0.0


class BleedWhip(_VisitCommand):
    """Valves closed, whip bled and off."""

    command: Literal["bleed_whip"] = "bleed_whip"


class TapeValve(_VisitCommand):
    """Tape is over the valve mouth."""

    command: Literal["tape_valve"] = "tape_valve"


class SetDownAt(_VisitCommand):
    """Stand it in this floor slot."""

    command: Literal["set_down_at"] = "set_down_at"
    slot: Annotated[int, Field(ge=1, le=99)]


class HandOver(_Command):
    """Give these cylinders back to this diver."""

    command: Literal["hand_over"] = "hand_over"
    diver_ref: DiverRef
    visit_ids: Annotated[tuple[UUID, ...], Field(min_length=1, max_length=20)]


class HoldIt(_VisitCommand):
    """Stop the work on this visit and say why. Never destroys data."""

    command: Literal["hold_it"] = "hold_it"
    why: Short


class Resume(_VisitCommand):
    """Let a held visit go on, with the finding that allows it."""

    command: Literal["resume"] = "resume"
    finding: Short


class Reopen(_VisitCommand):
    """Take back the answer to a step, and all answers after it."""

    command: Literal["reopen"] = "reopen"
    step: StepName
    why: Note = ""


class RackIt(_VisitCommand):
    """It stands in the red rack: the visit ends without a fill."""

    command: Literal["rack_it"] = "rack_it"


class Abandon(_VisitCommand):
    """The cylinder leaves without a fill."""

    command: Literal["abandon"] = "abandon"
    why: Short


class _BenchCommand(_Command):
    cylinder_id: UUID
    performed_on: dt.date
    evidence: Evidence = ""
    """What shows that it was done on that day, where that is more than a month ago."""


class Register(_Command):
    """Put a cylinder on record at the bench, by its marks, without a visit."""

    command: Literal["register"] = "register"
    marks: Marks
    second_serial: Serial | None = None
    is_another: bool = False


class PassVisual(_BenchCommand):
    """Record a passed inside and outside look."""

    command: Literal["pass_visual"] = "pass_visual"
    findings: Note = ""
    rated: KeyedPressure | None = None


class FailVisual(_BenchCommand):
    """Record a failed inside look."""

    command: Literal["fail_visual"] = "fail_visual"
    findings: Short


class Requalify(_BenchCommand):
    """Record a passed requalification; expansions in cubic centimetres where it was hydrostatic."""

    command: Literal["requalify"] = "requalify"
    method: Literal["hydrostatic", "hydrostatic and eddy current", "ultrasonic", "proof"]
    total_expansion_cc: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)] | None = None
    permanent_expansion_cc: Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)] | None = None
    requalifier: Note = ""
    rated: KeyedPressure | None = None


class Reject(_BenchCommand):
    """Reject: not to be filled until repaired and requalified."""

    command: Literal["reject"] = "reject"
    reason: Short
    criterion_id: str


class Condemn(_BenchCommand):
    """Condemn for good, in every shop. `last_four` is keyed off the metal."""

    command: Literal["condemn"] = "condemn"
    reason: Short
    criterion_id: str
    last_four: Annotated[str, StringConstraints(strip_whitespace=True, max_length=12)]


class MakeUnusable(_BenchCommand):
    """Record that the cylinder can no longer hold pressure."""

    command: Literal["make_unusable"] = "make_unusable"
    how: Short


class PlaceHold(_Command):
    """Put a cylinder on hold."""

    command: Literal["place_hold"] = "place_hold"
    cylinder_id: UUID
    reason: Short


class ReleaseHold(_Command):
    """Answer a hold with a finding, naming it."""

    command: Literal["release_hold"] = "release_hold"
    cylinder_id: UUID
    block_id: UUID
    finding: Short


class NotifyOwner(_Command):
    """Record that the owner was told in writing."""

    command: Literal["notify_owner"] = "notify_owner"
    cylinder_id: UUID
    block_id: UUID
    how: Short


VisitCommand = (
    Identify | LookOver | ReadDates | ReadRating | SeeStanding | BlowOut | ConnectWhip | ReadResidual | Authorise
    | TakeReading | CompleteFill | StopFill | Analyse | BleedWhip | TapeValve | SetDownAt | HoldIt | Resume
    | Reopen | RackIt | Abandon
)  # fmt: skip
BenchCommand = (
    PassVisual | FailVisual | Requalify | Reject | Condemn | MakeUnusable | PlaceHold | ReleaseHold | NotifyOwner
)  # fmt: skip
Command = Annotated[
    Greet | SendPeopleOut | SayDoorOpened | HandOver | Register | VisitCommand | BenchCommand,
    Field(discriminator="command"),
]
"""Everything that may be asked of a shop's node."""
