"""What a person at the counter, in the bay or at the bench may ask for. Imperative; each may be refused.

`key` is made when the human acts: sent twice, a command is recorded once. Pydantic, because commands
arrive as forms and JSON; every bound is here, so that decisions never see nonsense.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from cylinder.commands.analysis import Analyse, SignContents, TakeAsMeasured
from cylinder.commands.bench import (
    CleanForOxygen,
    Condemn,
    EndOxygenService,
    FailVisual,
    Inspect,
    LookedAt,
    MakeUnusable,
    NotifyOwner,
    PassVisual,
    PlaceHold,
    Register,
    Reject,
    ReleaseHold,
    Requalify,
    SayGasFit,
    SecondAnnulment,
)
from cylinder.commands.blend import DoBlendStep, PlanBlend, PlanBlendAnew, TakeBackBlendReading
from cylinder.commands.filling import FillConditions, ReadSettled
from cylinder.commands.identity import AssignBlock, ReadTagged, TagUnread
from cylinder.commands.sets import JoinSet, PartSet
from cylinder.commands.visit import (
    Abandon,
    Authorise,
    BleedWhip,
    BlowOut,
    CompleteFill,
    ConnectWhip,
    Greet,
    HandOver,
    HoldIt,
    Identify,
    LookOver,
    RackIt,
    ReadDates,
    ReadRating,
    ReadResidual,
    Reopen,
    Resume,
    SayDoorOpened,
    SeeStanding,
    SendPeopleOut,
    SetDownAt,
    StopFill,
    Taken,
    TakeReading,
    TapeValve,
)

VisitCommand = (
    Identify | TagUnread | JoinSet | PartSet | LookOver | ReadDates | ReadRating | SeeStanding | BlowOut | ConnectWhip | ReadResidual | Authorise
    | TakeReading | CompleteFill | StopFill | ReadSettled | Analyse | TakeAsMeasured | SignContents | BleedWhip | TapeValve | SetDownAt | HoldIt | Resume
    | Reopen | RackIt | Abandon | SayGasFit | PlanBlend | DoBlendStep | PlanBlendAnew | TakeBackBlendReading
)  # fmt: skip
BenchCommand = (
    Inspect | PassVisual | FailVisual | Requalify | Reject | Condemn | MakeUnusable | PlaceHold | ReleaseHold | NotifyOwner
    | CleanForOxygen | EndOxygenService
)  # fmt: skip
Command = Annotated[
    Greet
    | SendPeopleOut
    | SayDoorOpened
    | HandOver
    | Register
    | SecondAnnulment
    | AssignBlock
    | ReadTagged
    | VisitCommand
    | BenchCommand,
    Field(discriminator="command"),
]
"""Everything that may be asked of a shop's node."""

__all__ = [
    "Abandon",
    "Analyse",
    "AssignBlock",
    "Authorise",
    "BenchCommand",
    "BleedWhip",
    "BlowOut",
    "CleanForOxygen",
    "Command",
    "CompleteFill",
    "Condemn",
    "ConnectWhip",
    "DoBlendStep",
    "EndOxygenService",
    "FailVisual",
    "FillConditions",
    "Greet",
    "HandOver",
    "HoldIt",
    "Identify",
    "Inspect",
    "JoinSet",
    "LookOver",
    "LookedAt",
    "MakeUnusable",
    "NotifyOwner",
    "PartSet",
    "PassVisual",
    "PlaceHold",
    "PlanBlend",
    "PlanBlendAnew",
    "RackIt",
    "ReadDates",
    "ReadRating",
    "ReadResidual",
    "ReadSettled",
    "ReadTagged",
    "Register",
    "Reject",
    "ReleaseHold",
    "Reopen",
    "Requalify",
    "Resume",
    "SayDoorOpened",
    "SayGasFit",
    "SecondAnnulment",
    "SeeStanding",
    "SendPeopleOut",
    "SetDownAt",
    "SignContents",
    "StopFill",
    "TagUnread",
    "TakeAsMeasured",
    "TakeBackBlendReading",
    "TakeReading",
    "Taken",
    "TapeValve",
    "VisitCommand",
]
