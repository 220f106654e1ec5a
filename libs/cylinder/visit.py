"""One cylinder's visit to a shop, from the counter to the hand-over: the state and how facts change it.

`evolve` never refuses and never fails: a fact happened. The order of work is `step`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal
from uuid import UUID

from cylinder.blending import Blending
from cylinder.facts import (
    AreaCleared,
    BlendPlanned,
    BlendReadingTakenBack,
    BlendStepDone,
    CertificationSeen,
    ContentsSigned,
    CylinderIdentified,
    CylinderReceived,
    DatesRead,
    FillAborted,
    FillAuthorised,
    FillCompleted,
    GasAnalysed,
    HandedOver,
    MixTakenAsMeasured,
    OutsideLookedOver,
    RatingRead,
    ReadingsDisagreed,
    ReadingTaken,
    ResidualRead,
    SetDown,
    SetJoined,
    SetParted,
    SettledRead,
    StandingSeen,
    StepName,
    StepReopened,
    ValveBlownOut,
    ValveTaped,
    VisitAbandoned,
    VisitFact,
    VisitHeld,
    VisitRefused,
    VisitResumed,
    WhipBled,
    WhipConnected,
)  # fmt: skip
from cylinder.marks import GasWanted, KeyedPressure, Marks, Shoulder
from cylinder.recorded import Recorded, cylinder_of
from gas.mixture import AIR_HIGHEST_OXYGEN_FRACTION, AIR_LOWEST_OXYGEN_FRACTION

STEPS: tuple[StepName, ...] = (
    "certification", "identify", "outside", "dates", "rating", "standing", "people_out", "blow_out", "whip",
    "residual", "target", "fill", "analyse", "bleed", "tape", "set_down", "hand_over",
)  # fmt: skip
"""The order of the work (common practice; US Navy Diving Manual 7-4.5 and 49 CFR 173.301(a)(2) for its parts)."""

STAGES: tuple[tuple[str, tuple[StepName, ...]], ...] = (
    ("Greet", ("certification", "identify")),
    ("Look over", ("outside", "dates", "rating", "standing")),
    ("Connect", ("people_out", "blow_out", "whip", "residual")),
    ("Fill", ("target", "fill", "analyse")),
    ("Tape", ("bleed", "tape", "set_down")),
)
"""The stages of the bar above a step. Hand-over is the diver's, for all their cylinders at once."""


AIR_WANTED = GasWanted()
AIR_LOWEST, AIR_HIGHEST = 100 * AIR_LOWEST_OXYGEN_FRACTION, 100 * AIR_HIGHEST_OXYGEN_FRACTION


@dataclass(frozen=True, slots=True)
class Reading:
    """The gauge at a time of the shop's clock."""

    at: dt.datetime
    pressure: KeyedPressure


@dataclass(frozen=True, slots=True)
class Visit:
    """Where the work on one cylinder stands. None is "not answered yet"."""

    id: UUID
    tag: int = 0
    gas: GasWanted = AIR_WANTED
    number: int = 1
    of: int = 1
    node: str = ""
    diver_ref: str | None = None
    received_at: dt.datetime | None = None
    certification: CertificationSeen | None = None
    cylinder_id: UUID | None = None
    marks: Marks | None = None
    shoulder: Shoulder | None = None
    """What was typed off the shoulder in this visit, and in no other."""
    outside: OutsideLookedOver | None = None
    dates: DatesRead | None = None
    rating: RatingRead | None = None
    rated_at: dt.datetime | None = None
    rated_by: str = ""
    standing_seen: StandingSeen | None = None
    area_cleared: bool = False
    valve: ValveBlownOut | None = None
    whip: int | None = None
    residual: KeyedPressure | None = None
    authorised: FillAuthorised | None = None
    authorised_at: dt.datetime | None = None
    readings: tuple[Reading, ...] = ()
    blending: Blending | None = None
    """How far a blend has come, where this fill is one."""
    completed: FillCompleted | None = None
    completed_id: UUID | None = None
    completed_at: dt.datetime | None = None
    aborted: FillAborted | None = None
    settled: SettledRead | None = None
    analysed: GasAnalysed | None = None
    analysed_at: dt.datetime | None = None
    analysed_by: str = ""
    disagreed: int = 0
    """How often in a row two readings of this gas were too far apart."""
    taken: MixTakenAsMeasured | None = None
    signed: ContentsSigned | None = None
    is_bled: bool = False
    is_taped: bool = False
    slot: int | None = None
    handover: HandedOver | None = None
    held: str | None = None
    joined: UUID | None = None
    """The visit of the other cylinder on the same manifold."""
    gas_has_flowed: bool = False
    """A fill was started in this visit, however it ended. Nothing takes that back."""
    identified_before: tuple[UUID, ...] = ()
    """The cylinders that this visit was said to be before the answer was taken back."""
    refused: VisitRefused | None = None
    abandoned: VisitAbandoned | None = None
    version: int = 0
    last_actor: str = ""
    last_at: dt.datetime | None = None

    @property
    def is_open(self) -> bool:
        """The cylinder is still on the shop's floor."""
        return self.handover is None and self.abandoned is None

    @property
    def gas_in_it(self) -> GasWanted:
        """The gas by which it goes out: the wish, or what was measured where the diver takes that instead."""
        taken = self.taken
        if taken is None:
            return self.gas
        if not taken.helium_percent and AIR_LOWEST <= taken.oxygen_percent <= AIR_HIGHEST:
            return AIR_WANTED
        return GasWanted(
            oxygen_percent=max(5.0, taken.oxygen_percent), helium_percent=min(95.0, taken.helium_percent)
        )

    @property
    def is_filling(self) -> bool:
        """Authorised, and neither completed nor stopped."""
        return self.authorised is not None and self.completed is None and self.aborted is None

    @property
    def holds_whip(self) -> int | None:
        """The whip that this visit occupies until it is bled off."""
        return self.whip if self.is_open and not self.is_bled else None

    @property
    def step(self) -> StepName | Literal["done"]:
        """The first question that is not answered."""
        if not self.is_open:
            return "done"
        return next((step for step in STEPS if not self.has_answered(step)), "done")

    def has_answered(self, step: StepName) -> bool:
        """Whether this question has its answer."""
        match step:
            case "certification":
                return self.certification is not None
            case "identify":
                return self.cylinder_id is not None
            case "outside":
                return self.outside is not None
            case "dates":
                return self.dates is not None
            case "rating":
                return self.rating is not None
            case "standing":
                return self.standing_seen is not None
            case "people_out":
                return self.area_cleared
            case "blow_out":
                return self.valve is not None
            case "whip":
                return self.whip is not None
            case "residual":
                return self.residual is not None
            case "target":
                return self.authorised is not None
            case "fill":
                return self.completed is not None
            case "analyse":
                return self.gas.is_air or self.analysed is not None
            case "bleed":
                return self.is_bled
            case "tape":
                return self.is_taped
            case "set_down":
                return self.slot is not None
            case "hand_over":
                return self.handover is not None


def visit(visit_id: UUID, facts: Iterable[Recorded]) -> Visit:
    """Fold the facts of one visit in the order of its shop's log."""
    state = Visit(id=visit_id)
    for fact in facts:
        state = evolve(state, fact)
    return state


def visit_of(fact: Recorded) -> UUID | None:
    """The visit to which a fact belongs, if any."""
    return fact.fact.visit_id if isinstance(fact.fact, VisitFact) else None


def evolve(state: Visit, record: Recorded) -> Visit:
    """The visit after one more fact. A fact of another visit, or of no visit, changes nothing."""
    if visit_of(record) != state.id:
        return state
    after = _answered(state, record)
    return replace(after, version=state.version + 1, last_actor=record.actor, last_at=record.at)


def _answered(state: Visit, record: Recorded) -> Visit:
    match record.fact:
        case CylinderReceived(tag=tag, gas=gas, of=of, number=number):
            return replace(
                state, tag=tag, gas=gas, of=of, number=number, node=record.node,
                diver_ref=record.diver_ref, received_at=record.at,
            )  # fmt: skip
        case CertificationSeen() as seen:
            return replace(state, certification=seen)
        case CylinderIdentified(marks=marks, shoulder=shoulder):
            return replace(state, cylinder_id=cylinder_of(record.subject), marks=marks, shoulder=shoulder)
        case OutsideLookedOver() as outside:
            return replace(state, outside=outside)
        case DatesRead() as dates:
            return replace(state, dates=dates)
        case RatingRead() as rating:
            return replace(state, rating=rating, rated_at=record.at, rated_by=record.actor)
        case StandingSeen() as seen_standing:
            return replace(state, standing_seen=seen_standing)
        case AreaCleared():
            return replace(state, area_cleared=True)
        case ValveBlownOut() as valve:
            return replace(state, valve=valve)
        case WhipConnected(whip=whip):
            return replace(state, whip=whip)
        case ResidualRead(residual=residual):
            return replace(state, residual=residual)
        case FillAuthorised() as authorised:
            return replace(
                state, authorised=authorised, authorised_at=record.at, aborted=None, completed=None,
                readings=_first_reading(state, record.at), gas_has_flowed=True,
            )  # fmt: skip
        case ReadingTaken(reading=reading):
            return replace(state, readings=(*state.readings, Reading(record.at, reading)))
        case BlendPlanned() | BlendStepDone() | BlendReadingTakenBack():
            return _blended(state, record)
        case FillCompleted(end=end) as completed:
            return replace(
                state, completed=completed, completed_id=record.id, completed_at=record.at,
                readings=(*state.readings, Reading(record.at, end)),
            )  # fmt: skip
        case SettledRead() as settled:
            return replace(state, settled=settled)
        case FillAborted() as aborted:
            return replace(state, aborted=aborted, held=f"Fill stopped: {aborted.why}")
        case GasAnalysed() as analysed:
            return replace(
                state, analysed=analysed, analysed_at=record.at, analysed_by=record.actor, disagreed=0, taken=None,
                signed=None,
            )  # fmt: skip
        case ReadingsDisagreed():
            return replace(state, disagreed=state.disagreed + 1)
        case MixTakenAsMeasured() as taken:
            return replace(state, taken=taken)
        case ContentsSigned() as signed:
            return replace(state, signed=signed)
        case WhipBled():
            # Off the whip before the fill was done: it has to be connected and its gauge read again.
            return replace(state, is_bled=True) if state.completed else reopened(state, "whip")
        case ValveTaped():
            return replace(state, is_taped=True)
        case SetDown(slot=slot):
            return replace(state, slot=slot)
        case HandedOver() as handover:
            return replace(state, handover=handover)
        case SetJoined(other=other):
            return replace(state, joined=other)
        case SetParted():
            return replace(state, joined=None)
        case VisitHeld(why=why):
            return replace(state, held=why)
        case VisitResumed():
            return replace(state, held=None, disagreed=0)
        case VisitRefused() as refused:
            return replace(state, refused=refused)
        case StepReopened(step=step):
            return reopened(state, step)
        case VisitAbandoned() as abandoned:
            return replace(state, abandoned=abandoned)
        case _:
            return state


def _blended(state: Visit, record: Recorded) -> Visit:
    blending = state.blending
    match record.fact:
        case BlendPlanned(follows="start") as plan:
            return replace(state, blending=Blending((plan,)))
        case BlendPlanned() as plan if blending is not None:
            return replace(state, blending=blending.planned(plan))
        case BlendStepDone(read=read) as step if blending is not None:
            readings = (*state.readings, Reading(record.at, read))
            return replace(state, blending=blending.did(step), readings=readings)
        case BlendReadingTakenBack() if blending is not None:
            # An analysis in the middle brought a plan and no reading of the fill: then none is taken back.
            was_step = blending.can_go_back and blending.plan.follows == "step"
            readings = state.readings[:-1] if was_step else state.readings
            return replace(state, blending=blending.back(), readings=readings)
        case _:
            return state


def _first_reading(state: Visit, at: dt.datetime) -> tuple[Reading, ...]:
    return (Reading(at, state.residual),) if state.residual is not None else ()


def reopened(state: Visit, step: StepName) -> Visit:
    """The visit with the answer to `step`, and every later answer, taken back. What has left the whip stays off it."""
    fresh = Visit(id=state.id)
    names: dict[str, object] = {}
    for later in STEPS[STEPS.index(step) :]:
        if later == "bleed" and step == "analyse":
            continue
        if later == "identify" and state.cylinder_id is not None:
            names["identified_before"] = (*state.identified_before, state.cylinder_id)
        for name in _ANSWERS[later]:
            names[name] = getattr(fresh, name)
    return replace(state, **names)  # type: ignore[arg-type]  # names of this very class, taken from a fresh one.


_ANSWERS: dict[StepName, tuple[str, ...]] = {
    "certification": ("certification",),
    "identify": ("cylinder_id", "marks", "shoulder", "refused"),
    "outside": ("outside",),
    "dates": ("dates",),
    "rating": ("rating", "rated_at", "rated_by"),
    "standing": ("standing_seen",),
    "people_out": ("area_cleared",),
    "blow_out": ("valve",),
    "whip": ("whip", "is_bled"),
    "residual": ("residual",),
    "target": ("authorised", "authorised_at", "readings", "blending"),
    "fill": ("completed", "completed_id", "completed_at", "aborted", "settled"),
    "analyse": ("analysed", "analysed_at", "analysed_by", "taken", "signed"),
    "bleed": ("is_bled",),
    "tape": ("is_taped",),
    "set_down": ("slot",),
    "hand_over": ("handover",),
}
